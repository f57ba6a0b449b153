"""
Lines cut into fields: all plain lines at once, only the odd ones one by one.

No general reader keeps the line, the width and the text of every record, so the cut is made here:
the bytes of the file stay as they are, and a field is a place and a length in them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.intake.tokens import MOST_COLUMNS, cut_line, read_record

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
    usual = 2 * counts[most] > len(separators) and most < MOST_COLUMNS
    return most + 1 if usual else width


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
    empty = lines.ends == lines.begins
    odd.blank = int(empty.sum())
    for at in np.flatnonzero(~plain & ~empty).tolist():
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
        odd.blank -= int(empty[at : done + 1].sum())
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
    _trim(buffer, starts, lengths)
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


def _trim(buffer: bytes, starts: Ints, lengths: Ints) -> None:
    """Take the padding off both ends of every field, in place."""
    codes = np.frombuffer(buffer, dtype=np.uint8)
    wide = not buffer.isascii()
    for column in range(starts.shape[1]):
        start, length = starts[:, column], lengths[:, column]
        while (front := (length > 0) & _PADDING[codes[start]]).any():
            start[front] += 1
            length[front] -= 1
        while (back := (length > 0) & _PADDING[codes[start + np.maximum(length, 1) - 1]]).any():
            length[back] -= 1
        if wide:
            _trim_wide(buffer, codes, start, length)


def _trim_wide(buffer: bytes, codes: NDArray[np.uint8], start: Ints, length: Ints) -> None:
    """Padding of more than one byte, such as the no-break space of spreadsheets."""
    last = start + np.maximum(length, 1) - 1
    edge = _WIDE_FIRST[codes[start]] | (_WIDE_LAST[codes[last]] & _WIDE_BEFORE[codes[last - 1]])
    for at in np.flatnonzero((length > 1) & edge).tolist():
        text = buffer[start[at] : start[at] + length[at]].decode("utf-8", "replace")
        start[at] += len(text[: len(text) - len(text.lstrip())].encode())
        length[at] = len(text.strip().encode())


def _among(*codes: int) -> NDArray[np.bool_]:
    table = np.zeros(256, dtype=bool)
    table[list(codes)] = True
    return table


# What str.strip takes off: in one byte, and the bytes of the others in UTF-8.
_PADDING = _among(9, 11, 12, 13, 28, 29, 30, 31, 32)
_WIDE_FIRST = _among(0xC2, 0xE1, 0xE2, 0xE3)
_WIDE_LAST = _among(*range(0x80, 0x8B), 0x9F, 0xA0, 0xA8, 0xA9, 0xAF)
_WIDE_BEFORE = _among(0xC2, 0x80, 0x81, 0x9A)
