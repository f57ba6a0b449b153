"""What each line below the header is: data, an event, a summary, or not to be taken."""

import re
from collections import Counter
from dataclasses import dataclass, field
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from spc.intake import words
from spc.intake.columns import Column, Layout
from spc.intake.readings import column_texts
from spc.intake.table import LONG, PLAIN, SHORT, UNCLOSED, UNFINISHED, Table
from spc.intake.whole_column import digits
from spc.places import come_round

DATA, EVENT, SUMMARY, REFUSED, SKIPPED, SAME = range(6)
_FIGURE = re.compile(r"\d")
_WHOLE = re.compile(r"^\d{1,18}(?:[.,]0+)?$")
_QUOTED = re.compile(r'^="(.*)"$', re.DOTALL)
_RULED = frozenset("-=_*~. ")
# Columns whose words are never labels of summary lines.
_NOT_LABELS = frozenset(("operator", "gauge", "unit", "event", "note", "machine", "job", "feature"))
# Columns in which even a single letter labels a summary line.
_LABELLED = frozenset(("part", "time", "date", "clock"))
_RUNNING = frozenset(("no", "nr", "n", "id", "number", "nummer", "numero", "lfdnr", "lfdno",
                      "lfdnummer", "laufendenummer", "laufnr", "laufnummer"))  # fmt: skip


@dataclass(eq=False)
class Lines:
    """
    The lines of one file by kind.

    Attributes
    ----------
    kind : ndarray of int8, shape (rows,)
        DATA, EVENT, SUMMARY, REFUSED, SKIPPED or SAME (identical to an earlier one).
    serial : list of str or None
        Part numbers as written; None without a part column.
    number : ndarray of int64, shape (rows,)
        The part number where it is whole, else -1.
    part_column : Column or None
    constant : dict
        Part columns with one value in several rows, by header: that value.
    has_event : ndarray of bool, shape (rows,)
        Something is written in the event column.
    reasons : dict
        Why a whole line was refused, by row.
    remarks : list of str
    """

    kind: NDArray[np.int8]
    serial: list[str] | None
    number: NDArray[np.int64]
    part_column: Column | None
    has_event: NDArray[np.bool_]
    reasons: dict[int, str] = field(default_factory=dict)
    constant: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def refuse(self, row: int, reason: str) -> None:
        """Take a whole line back."""
        self.kind[row] = REFUSED
        self.reasons[row] = reason


def sort_lines(
    table: Table,
    layout: Layout,
    headers: tuple[str, ...],
    others: NDArray[np.bool_],
    *,
    numbered: bool = False,
) -> Lines:
    """
    Tell the lines of a file apart.

    Parameters
    ----------
    table : Table
        The records.
    layout : Layout
        What the columns mean.
    headers : tuple of str
        As written; a line that repeats them is skipped.
    others : ndarray of bool, shape (rows,)
        Lines of other jobs or machines.
    numbered : bool
        Other files of the run number their parts; a column with one value then does so, too, where
        no other column does.
    """
    kind = np.where(others, SKIPPED, DATA).astype(np.int8)
    lines = Lines(kind, None, np.full(len(table), -1, dtype=np.int64), None, _events(table, layout))
    _number_lines(table, layout, lines, others, numbered=numbered)
    reading = [c.index for c in layout.readings]
    filled = np.any(table.lengths[:, reading] > 0, axis=1)
    for row in _suspects(table, layout, lines, filled & ~others).tolist():
        if others[row]:
            continue
        _judge(table, layout, lines, headers, row, bool(filled[row]))
    return lines


def _events(table: Table, layout: Layout) -> NDArray[np.bool_]:
    column = layout.of("event")
    if column is None:
        return np.zeros(len(table), bool)
    found = table.lengths[:, column.index] > 0
    for row in np.flatnonzero(found).tolist():
        text = table.text(row, column.index)
        found[row] = words.key(text) not in words.NO_EVENT and not set(text) <= _RULED
    return found


def _number_lines(
    table: Table, layout: Layout, lines: Lines, others: NDArray[np.bool_], *, numbered: bool
) -> None:
    """
    Take the part numbers from the column that numbers the parts.

    Places do so only for want of it, and one value throughout only where other files are numbered.
    """
    choices = []
    most_read = _most_read(table, layout)
    for column in (c for c in layout.columns if c.role == "part"):
        texts = column_texts(table, column.index)
        texts = [_unwrapped(t) if t[:1] == "=" else t for t in texts]
        own = compress(texts, ~others) if others.any() else texts
        numbering = (t for t in own if t and (_FIGURE.search(t) or not words.says_summary(t)))
        first = next(numbering, None)
        again = next(numbering, None)
        constant = again == first and all(t == first for t in numbering)
        if first is None:
            continue
        if constant:
            lines.constant[column.header] = first
        if constant and not numbered:
            lines.remarks.append(
                f"column {column.header!r} holds {first!r} throughout and does not number the parts"
            )
            continue
        number = _whole_numbers(table, column, texts)
        placed = come_round(number[(number >= 0) & most_read & ~others])
        # What names a drawing is seldom a whole number.
        named = constant and whole_number(first) < 0
        rank = constant, named, placed, _rank(words.key(column.header)), column.index
        choices.append((rank, column, texts, number))
    if choices:
        chosen = min(choices, key=lambda choice: choice[0])
        _, lines.part_column, lines.serial, lines.number = chosen


def _most_read(table: Table, layout: Layout) -> NDArray[np.bool_]:
    """Rows with a reading of the feature read most often: others may follow for the same parts."""
    columns = [table.lengths[:, column.index] > 0 for column in layout.readings]
    read: NDArray[np.bool_] = max(columns, key=np.count_nonzero)
    named = layout.of("feature") if layout.long else None
    if named is not None and read.any():
        texts = np.array(column_texts(table, named.index), dtype=object)
        read &= texts == Counter(texts[read].tolist()).most_common(1)[0][0]
    return read


def _rank(header: str) -> int:
    """Serial numbers before part numbers, running numbers last."""
    if header in _RUNNING:
        return 2
    return 0 if header.startswith(("seri", "sn", "noserie", "nserie", "numerodeserie")) else 1


def _whole_numbers(table: Table, column: Column, serial: list[str]) -> NDArray[np.int64]:
    found = digits(
        np.frombuffer(table.buffer, dtype=np.uint8),
        table.starts[:, column.index],
        table.lengths[:, column.index],
        ".",
    )
    # A sign or a decimal mark is settled by the text.
    plain = found.plain & (found.decimals == 0) & (found.mantissa >= 0)
    number = np.where(plain, found.mantissa, -1)
    for row in np.flatnonzero(~plain).tolist():
        number[row] = whole_number(serial[row])
    return number


def whole_number(serial: str) -> int:
    """
    A part number that counts, such as 1007 or 1007.0; -1 for any other.

    Examples
    --------
    >>> whole_number("1007"), whole_number("1007,0"), whole_number("SN-7")
    (1007, 1007, -1)
    """
    return int(re.split(r"[.,]", serial)[0]) if _WHOLE.match(serial) else -1


def _unwrapped(text: str) -> str:
    # ="1001" keeps a spreadsheet from turning a part number into a number; =1+1 is as it stands.
    quoted = _QUOTED.match(text)
    return quoted[1] if quoted else text


def _suspects(
    table: Table, layout: Layout, lines: Lines, filled: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Lines that may be something else than plain data."""
    odd = (table.state != PLAIN) | lines.has_event | ~filled
    if lines.serial is not None:
        for row in np.flatnonzero(lines.number < 0).tolist():
            odd[row] |= not _FIGURE.search(lines.serial[row])
    else:
        buffer = np.frombuffer(table.buffer, dtype=np.uint8)
        labels = [c.index for c in layout.columns if c.role not in _NOT_LABELS]
        first = buffer[table.starts[:, labels]]
        odd |= ((first > 64) & (table.lengths[:, labels] > 0)).any(axis=1)
    return np.flatnonzero(odd)


def _judge(
    table: Table, layout: Layout, lines: Lines, headers: tuple[str, ...], row: int, filled: bool
) -> None:
    fields = table.fields(row)
    state = int(table.state[row])
    serial = lines.serial[row] if lines.serial is not None else None
    label = _label(layout, fields, numbered=serial is not None)
    if state == UNFINISHED:
        return lines.refuse(row, "unfinished line: it has no line end, so the file may still grow")
    if tuple(fields) == tuple(h.strip() for h in headers) or _ruled(layout, lines, fields):
        lines.kind[row] = SKIPPED
    elif label and (serial is None or not _FIGURE.search(serial) or _no_moment(layout, fields)):
        lines.kind[row] = SUMMARY
    elif state == LONG:
        lines.refuse(row, f"too many fields: more than the {len(fields)} of the header")
    elif state == UNCLOSED:
        lines.refuse(row, "a quote is opened and not closed on its line or in its cell")
    elif lines.has_event[row] and not any(_FIGURE.search(fields[c.index]) for c in layout.readings):
        lines.kind[row] = EVENT
    elif serial == "" and filled:
        lines.refuse(row, "no part number")
    elif not serial and not filled and not _told(layout, fields):
        lines.refuse(row, "no part number and no reading; too few fields")
    return None


def _label(layout: Layout, fields: list[str], *, numbered: bool) -> bool:
    """Whether a cell says that the line sums up others."""
    dated = any(
        c.role in ("time", "date") and _FIGURE.search(fields[c.index]) for c in layout.columns
    )
    if dated and not numbered:
        # A line with a time of its own is data, whoever is called Max or works in shift S.
        return False
    for column in layout.columns:
        text = fields[column.index]
        if not text or column.role in _NOT_LABELS:
            continue
        if column.role == "reading":
            # Gauges write words such as RANGE into cells; a label there comes with its number.
            said = bool(_FIGURE.search(text)) and words.says_summary(text)
        else:
            near = column.role in _LABELLED or (numbered and column.index == 0)
            said = words.says_summary(text, sure=not near)
        if said:
            return True
    return False


def _no_moment(layout: Layout, fields: list[str]) -> bool:
    """Whether a label stands where the time belongs, so that a number beside it is no part."""
    column = layout.of("time") or layout.of("date")
    return column is not None and words.says_summary(fields[column.index], sure=True)


def _ruled(layout: Layout, lines: Lines, fields: list[str]) -> bool:
    """A line of dashes under the header or in front of a summary."""
    keys = [c.index for c in layout.columns if c.role in ("part", "time", "date")]
    shown = [fields[i] for i in keys if fields[i]]
    return bool(shown) and all(set(text) <= _RULED for text in fields if text)


def _told(layout: Layout, fields: list[str]) -> bool:
    """Whether a line without readings tells anything in a column that is known."""
    for column in layout.columns:
        text = fields[column.index]
        if text and column.role in ("time", "date", "clock") and _FIGURE.search(text):
            return True
        if text and column.role in ("note", "operator", "gauge", "temperature", "feature"):
            return True
    return not any(fields)


def why_slid(table: Table, row: int) -> str:
    """The reason for a line whose values stand in the wrong columns."""
    many = "few" if table.state[row] == SHORT else "many"
    return f"too {many} fields: its values may have slid into other columns"
