"""One record cut into fields: quotes, doubled quotes, line breaks inside quotes."""

from collections.abc import Callable
from dataclasses import dataclass

#: Stands for "no separator": a file with one column.
NONE = "\x1f"
#: A quoted cell may run over this many lines; beyond, its quote was never closed. Own choice.
LONGEST_CELL = 100
#: No file of measurements has more columns. Own choice.
MOST_COLUMNS = 2500


@dataclass(frozen=True)
class Cut:
    """One record cut into fields; `fields` is None when a quote in it is not closed (yet)."""

    fields: list[str] | None
    open: bool = False


def cut_line(text: str, separator: str) -> Cut:
    r"""
    The fields of one record.

    Examples
    --------
    >>> cut_line('1001, "25,0031" ,"a ""word\x22"",.9843\x22', ",").fields
    ['1001', '25,0031', 'a "word"', '.9843"']
    >>> cut_line('1001,"25', ",")
    Cut(fields=None, open=True)
    """
    if '"' not in text:
        return Cut([field.strip() for field in text.split(separator)])
    fields, place, end = [], 0, len(text)
    while True:
        start = place
        while place < end and text[place] == " ":
            place += 1
        if place < end and text[place] == '"':
            close = _closing_quote(text, place)
            if close < 0:
                return Cut(None, open=True)
            stop = _next(text, separator, close + 1)
            rest = text[close + 1 : stop]
            value = text[place + 1 : close].replace('""', '"') + rest
        else:
            stop = _next(text, separator, place)
            value = rest = text[start:stop]
        quoted = value[: len(value) - len(rest)]
        if "\n" in rest or (rest.strip() and "\n" in quoted):
            # Only inside quotes does a line break belong to a cell, and nothing follows there.
            return Cut(None)
        fields.append(value.strip())
        if stop >= end:
            return Cut(fields)
        place = stop + 1


def _closing_quote(text: str, place: int) -> int:
    close = text.find('"', place + 1)
    while close >= 0 and text[close + 1 : close + 2] == '"':
        close = text.find('"', close + 2)
    return close


def _next(text: str, separator: str, place: int) -> int:
    found = text.find(separator, place)
    return len(text) if found < 0 else found


def read_record(
    line_at: Callable[[int], str], at: int, count: int, separator: str, width: int | None = None
) -> tuple[list[str] | None, int]:
    """
    The record that begins in line `at` and the number of lines it takes.

    Parameters
    ----------
    line_at : callable
        Gives a line by its number, counted from 0.
    at, count : int
        Where to begin; how many lines there are.
    separator : str
        One character.
    width : int, optional
        Fields that a record of several lines must have.

    Returns
    -------
    fields : list of str or None
        None when its quote is never closed; then it takes one line.
    taken : int
        Lines.
    """
    text = line_at(at)
    cut = cut_line(text, separator)
    if not cut.open:
        return cut.fields, 1
    lines = [text]
    for taken in range(2, min(LONGEST_CELL, count - at) + 1):
        more = line_at(at + taken - 1)
        lines.append(more)
        # Only a line with a quote can close one.
        if '"' in more:
            cut = cut_line("\n".join(lines), separator)
        if not cut.open:
            fits = cut.fields is not None and width in (None, len(cut.fields))
            return (cut.fields, taken) if fits else (None, 1)
    return None, 1
