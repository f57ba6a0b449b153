"""
Lines cut into fields: all plain lines at once, only the odd ones one by one.

No general reader keeps the line, the width and the text of every record, so the cut is made here:
the bytes of the file stay as they are, and a field is a place and a length in them.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Stands for "no separator": a file with one column.
NONE = "\x1f"
#: A quoted cell may run over this many lines; beyond, its quote was never closed. Own choice.
LONGEST_CELL = 100
PLAIN, SHORT, SPILLED, LONG, UNFINISHED, UNCLOSED = range(6)
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Table:
    """
    The records of a file below its header.

    Attributes
    ----------
    buffer : bytes
        All text, with spare bytes at the end.
    starts, lengths : ndarray, shape (rows, width)
        Place and length of every field in `buffer`, padding taken off.
    line : ndarray, shape (rows,)
        Physical line where the record begins.
    state : ndarray, shape (rows,)
        PLAIN; SHORT: fewer fields than the header; SPILLED: more than the header and more than
        most rows, the last ones empty; LONG: more, not all of them empty; UNFINISHED: without
        line end; UNCLOSED: with a quote that is never closed.
    first, last : ndarray, shape (rows,)
        The record in `buffer`, its line end not included.
    blank_lines : int
        Lines with nothing but separators and spaces.
    """

    buffer: bytes
    starts: Ints
    lengths: Ints
    line: Ints
    state: NDArray[np.int8]
    first: Ints
    last: Ints
    blank_lines: int

    def __len__(self) -> int:
        return len(self.line)

    def text(self, row: int, column: int) -> str:
        """One field as text."""
        start = int(self.starts[row, column])
        raw = self.buffer[start : start + int(self.lengths[row, column])]
        return raw.decode("utf-8", "replace").strip()

    def record(self, row: int) -> str:
        """A whole record as written."""
        return self.buffer[int(self.first[row]) : int(self.last[row])].decode("utf-8", "replace")

    def fields(self, row: int) -> list[str]:
        """All fields of a record."""
        return [self.text(row, column) for column in range(self.starts.shape[1])]


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


def tabulate(
    data: bytes,
    *,
    offset: int,
    line: int,
    separator: str,
    width: int,
    finished: bool,
    careful: bool = False,
) -> Table:
    """
    Cut everything behind the header into fields.

    Parameters
    ----------
    data : bytes
        UTF-8 with line feeds.
    offset, line : int
        Where the first record begins: byte and physical line.
    separator : str
        One character.
    width : int
        Fields in the header.
    finished : bool
        Whether the last line has its line end.
    careful : bool
        Take every line one by one; for tests.
    """
    raw = np.frombuffer(data, dtype=np.uint8)[offset:]
    ends = np.flatnonzero(raw == 10)
    if not finished and len(raw) and raw[-1] != 10:
        ends = np.append(ends, len(raw))
    begins = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else ends
    commas = np.flatnonzero(raw == ord(separator))
    first_comma = np.searchsorted(commas, begins)
    count = np.searchsorted(commas, ends) - first_comma
    usual = _usual_width(count[ends > begins], width)
    plain = (count == usual - 1) & (ends > begins)
    if data.find(b'"', offset) >= 0:
        plain[np.searchsorted(ends, np.flatnonzero(raw == 34))] = False
    if not finished and len(plain):
        plain[-1] = False
    if careful:
        plain[:] = False
    lines = _Lines(data, offset, line, begins, ends)
    odd = _odd_records(lines, plain, separator, width, usual, finished)
    # A line swallowed by a quoted cell is no record of its own, so rows are taken after that.
    rows = np.flatnonzero(plain)
    starts, lengths = _edges(commas, first_comma[rows], begins[rows], ends[rows], usual)
    starts += offset
    return _join(lines, rows, starts, lengths, odd, width)


def _usual_width(separators: Ints, width: int) -> int:
    """Fields of most rows; exports may end every row, but not the header, in a separator."""
    if not len(separators):
        return width
    counts = np.bincount(separators)
    most = int(counts.argmax())
    return most + 1 if 2 * counts[most] > len(separators) else width


def _edges(commas: Ints, first: Ints, begins: Ints, ends: Ints, width: int) -> tuple[Ints, Ints]:
    # Column by column in memory, since columns are what is read.
    starts = np.empty((len(begins), width), dtype=np.int64, order="F")
    stops = np.empty_like(starts)
    starts[:, 0] = begins
    stops[:, -1] = ends
    for column in range(width - 1):
        at = commas[first + column]
        stops[:, column] = at
        starts[:, column + 1] = at + 1
    stops -= starts
    return starts, stops


@dataclass(frozen=True, eq=False)
class _Lines:
    """The physical lines below the header."""

    data: bytes
    offset: int
    number: int
    begins: Ints
    ends: Ints

    def at(self, line: int) -> str:
        first, last = int(self.begins[line]), int(self.ends[line])
        return self.data[self.offset + first : self.offset + last].decode("utf-8", "replace")


@dataclass
class _Odd:
    """Records taken one by one."""

    lines: list[int]
    last_lines: list[int]
    states: list[int]
    fields: list[list[str]]
    blank: int = 0

    def add(self, at: int, last: int, state: int, fields: list[str]) -> None:
        self.lines.append(at)
        self.last_lines.append(last)
        self.states.append(state)
        self.fields.append(fields)


def _odd_records(
    lines: _Lines,
    plain: NDArray[np.bool_],
    separator: str,
    width: int,
    usual: int,
    finished: bool,
) -> _Odd:
    odd = _Odd([], [], [], [])
    done, final = -1, len(plain) - 1
    for at in np.flatnonzero(~plain).tolist():
        if at <= done:
            continue
        text = lines.at(at)
        if not text.replace(separator, "").strip():
            odd.blank += 1
            continue
        if not finished and at == final:
            odd.add(at, at, UNFINISHED, (cut_line(text, separator).fields or [text])[:width])
            continue
        fields, taken = read_record(lines.at, at, final + 1, separator, width)
        if not finished and at + taken - 1 == final:
            fields, taken = None, 1
        done = at + taken - 1
        plain[at : done + 1] = False
        odd.add(at, done, *_state(fields, text, width, usual))
    return odd


def _state(fields: list[str] | None, text: str, width: int, usual: int) -> tuple[int, list[str]]:
    if fields is None:
        return UNCLOSED, [text]
    count = len(fields)
    while len(fields) > width and not fields[-1]:
        fields.pop()
    if len(fields) > width:
        return LONG, fields[:width]
    if count < width:
        return SHORT, fields
    return (PLAIN if count in (width, usual) else SPILLED), fields


def _join(lines: _Lines, rows: Ints, starts: Ints, lengths: Ints, odd: _Odd, width: int) -> Table:
    """Plain and odd records in the order of their lines."""
    buffer, odd_starts, odd_lengths = _appended(lines.data, odd, width)
    _trim(np.frombuffer(buffer, dtype=np.uint8), starts, lengths)
    state = np.full(len(rows), PLAIN if starts.shape[1] >= width else SHORT, dtype=np.int8)
    for column in range(width, starts.shape[1]):
        state[lengths[:, column] > 0] = LONG
    starts, lengths = _of_width(starts, width), _of_width(lengths, width)
    first, last = rows, rows
    if odd.lines:
        first = np.concatenate([rows, np.array(odd.lines, dtype=np.int64)])
        last = np.concatenate([rows, np.array(odd.last_lines, dtype=np.int64)])
        order = np.argsort(first, kind="stable")
        first, last = first[order], last[order]
        state = np.concatenate([state, np.array(odd.states, dtype=np.int8)])[order]
        starts = np.asfortranarray(np.concatenate([starts, odd_starts])[order])
        lengths = np.asfortranarray(np.concatenate([lengths, odd_lengths])[order])
    filled = np.zeros(len(starts), dtype=bool)
    for column in range(width):
        filled |= lengths[:, column] > 0
    if not filled.all():
        starts, lengths, state = starts[filled], lengths[filled], state[filled]
        first, last = first[filled], last[filled]
    return Table(
        buffer=buffer,
        starts=starts,
        lengths=lengths,
        line=first + lines.number,
        state=state,
        first=lines.begins[first] + lines.offset,
        last=lines.ends[last] + lines.offset,
        blank_lines=odd.blank + int((~filled).sum()),
    )


def _of_width(fields: Ints, width: int) -> Ints:
    if fields.shape[1] >= width:
        return fields[:, :width]
    padded = np.zeros((len(fields), width), dtype=np.int64, order="F")
    padded[:, : fields.shape[1]] = fields
    return padded


def _appended(data: bytes, odd: _Odd, width: int) -> tuple[bytes, Ints, Ints]:
    """The fields of odd records behind the text of the file."""
    if not odd.lines and data.endswith(b"\n"):
        return data, np.zeros((0, width), np.int64), np.zeros((0, width), np.int64)
    pieces: list[bytes] = []
    size = len(data)
    starts = np.full((len(odd.lines), width), size, dtype=np.int64)
    lengths = np.zeros_like(starts)
    for i, fields in enumerate(odd.fields):
        for j, field in enumerate(fields):
            piece = field.encode("utf-8", "replace")
            starts[i, j], lengths[i, j] = size, len(piece)
            pieces.append(piece)
            size += len(piece)
    # An empty field begins where the text ends, so that there must be a byte.
    return b"".join([data, *pieces, b" "]), starts, lengths


def _trim(buffer: NDArray[np.uint8], starts: Ints, lengths: Ints) -> None:
    """Take spaces and tabs off both ends of every field, in place."""
    for column in range(starts.shape[1]):
        start, length = starts[:, column], lengths[:, column]
        while True:
            front = (length > 0) & _padding(buffer[start])
            if not front.any():
                break
            start[front] += 1
            length[front] -= 1
        while True:
            back = (length > 0) & _padding(buffer[start + np.maximum(length, 1) - 1])
            if not back.any():
                break
            length[back] -= 1


def _padding(codes: NDArray[np.uint8]) -> NDArray[np.bool_]:
    padding: NDArray[np.bool_] = (codes == 32) | (codes == 9)
    return padding
