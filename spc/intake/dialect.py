"""
How a file is written: separator, decimal mark and header, scored against the plan.

Nothing is sniffed blind. Every separator is tried; the one under which most cells read as sizes
near the plan's nominals wins, and the same for the decimal mark of each column.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

from spc.errors import UnreadableRun
from spc.intake.cells import Convention
from spc.intake.columns import Column, Layout, Lexicon, layout
from spc.intake.conventions import (
    Reader,
    conventions_of,
    fitting,
    proving,
    rough_value,
    sample_cells,
)
from spc.intake.decoding import Text
from spc.intake.meaning import Target
from spc.intake.tokens import MOST_COLUMNS, NONE, cut_line, read_record
from spc.units import unit_named

SEPARATORS = (",", ";", "\t", "|", NONE)
SEPARATOR_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", NONE: "none"}
# A header further down is not looked for. Own choice.
_DEEPEST_HEADER = 200
_SAMPLE_ROWS = 60


@dataclass(frozen=True)
class Dialect:
    """
    How one file is written.

    Attributes
    ----------
    encoding, line_end : str
    separator : str
        One character; `tokens.NONE` for a file of one column.
    header_line : int
        Physical line of the header; 0 when there is none.
    headers : tuple of str
        As written.
    offset, line : int
        Byte and physical line where the first record begins.
    conventions : dict
        How numbers are written, by column index.
    """

    encoding: str
    line_end: str
    separator: str
    header_line: int
    headers: tuple[str, ...]
    offset: int
    line: int
    conventions: dict[int, Convention]


@dataclass(frozen=True)
class _Header:
    """A header found under one separator."""

    separator: str
    at: int  # index of its first line
    end: int  # index of the first line below it
    headers: tuple[str, ...]
    layout: Layout
    score: int


def find_dialect(
    text: Text, lexicon: Lexicon, targets: dict[str, Target], *, decimal: str | None = None
) -> tuple[Dialect, Layout]:
    """
    The dialect of a file and the meaning of its columns.

    Parameters
    ----------
    text : Text
        The file.
    lexicon : Lexicon
        What headers may be called.
    targets : dict of Target
        What readings should come near to, by feature.
    decimal : {".", ","}, optional
        The decimal mark, used only where the file proves none.

    Raises
    ------
    UnreadableRun
        For a file without a known column, or whose numbers can be read in two ways.
    """
    head = text.data[:400_000]
    if len(head) < len(text.data):
        head = head[: head.rfind(b"\n") + 1] or head
    lines = head.decode("utf-8", "replace").split("\n")
    if lines[-1] == "":
        lines.pop()
    reader = Reader(lexicon, targets, decimal)
    promising = cache(lambda at: lexicon.may_be_header(lines[at]))
    found = [h for s in SEPARATORS if (h := _find_header(lines, s, lexicon, promising)) is not None]
    if not found:
        bare = _without_header(text, lines, reader)
        if bare is None:
            raise _no_column(text, lines, reader)
        return bare
    best = max(found, key=lambda header: (_fits(lines, header, reader), header.score))
    best = _units_below(lines, best)
    _refuse_split_decimals(text, best, _sample(lines, best))
    conventions = _conventions(text, lines, best, reader)
    offset = len("\n".join(lines[: best.end]).encode()) + 1
    dialect = Dialect(
        encoding=text.encoding,
        line_end=text.line_end,
        separator=best.separator if len(best.headers) > 1 else NONE,
        header_line=best.at + 1,
        headers=best.headers,
        offset=min(offset, len(text.data)),
        line=best.end + 1,
        conventions=conventions,
    )
    return dialect, best.layout


def _find_header(
    lines: list[str], separator: str, lexicon: Lexicon, promising: Callable[[int], bool]
) -> _Header | None:
    best = None
    for at in range(min(len(lines), _DEEPEST_HEADER)):
        if best is not None and at > best.at + 20:
            break
        # A line of more columns than any file has is no header.
        if not promising(at) or lines[at].count(separator) >= MOST_COLUMNS:
            continue
        fields, taken = read_record(lines.__getitem__, at, len(lines), separator)
        if fields is None:
            continue
        found = layout(fields, lexicon)
        score = _header_score(fields, found)
        if found is not None and score > (best.score if best else 0):
            best = _Header(separator, at, at + taken, tuple(fields), found, score)
    return best


def _header_score(fields: Sequence[str], found: Layout | None) -> int:
    if found is None:
        return 0
    numbers = sum(_is_number(field) for field in fields)
    known = sum(1 for column in found.columns if column.role)
    return 10 * len(found.readings) + 3 * known - 8 * numbers


def _is_number(text: str) -> bool:
    return any(c.isdigit() for c in text) and rough_value(text, Convention(".")) is not None


def _sample(lines: list[str], header: _Header, limit: int = _SAMPLE_ROWS) -> list[list[str]]:
    """Rows below the header, spread over the lines at hand."""
    below = len(lines) - header.end
    step = max(1, below // (4 * limit))
    rows = []
    for at in range(header.end, len(lines), step):
        fields = cut_line(lines[at], header.separator).fields
        if fields is None or not any(fields):
            continue
        while len(fields) > len(header.headers) and not fields[-1]:
            fields.pop()
        rows.append(fields)
        if len(rows) >= 4 * limit:
            break
    return rows


def _fits(lines: list[str], header: _Header, reader: Reader) -> int:
    """How many cells of the sample read as what the plan asks for."""
    sample = sample_cells(header.layout, _sample(lines, header), reader)
    cells = [(target, unit, text) for _, target, unit, text in sample]
    return max(fitting(cells, Convention(mark)) for mark in ".,")


def _conventions(
    text: Text, lines: list[str], header: _Header, reader: Reader
) -> dict[int, Convention]:
    try:
        return conventions_of(text.name, header.layout, _sample(lines, header), reader)
    except UnreadableRun:
        # One cell anywhere in the file, such as 0,512, may decide what the sample cannot.
        every = text.data.decode("utf-8", "replace").split("\n")
        rows = _sample(every, header, len(every))
        return conventions_of(text.name, header.layout, rows, reader)


def _refuse_split_decimals(text: Text, header: _Header, rows: list[list[str]]) -> None:
    wide = sum(len(row) > len(header.headers) for row in rows)
    if header.separator == "," and rows and wide > 0.8 * len(rows):
        raise UnreadableRun(
            f"{text.name}: the comma is ambiguous: it separates the {len(header.headers)} columns"
            f" of the header, yet most rows have more fields, as if it marked decimals too;"
            " export with another separator or with decimal points"
        )


def _units_below(lines: list[str], header: _Header) -> _Header:
    """A line of units below the header belongs to it."""
    if header.end >= len(lines):
        return header
    fields = cut_line(lines[header.end], header.separator).fields or []
    units = [unit_named(field.strip("()[] ")) for field in fields]
    readings = {c.index for c in header.layout.readings}
    named = [i for i, unit in enumerate(units) if unit]
    if not named or not set(named) & readings or len(fields) > len(header.headers):
        return header
    if any(fields[i] and not units[i] for i in readings if i < len(fields)):
        return header
    columns = tuple(
        replace(c, unit=units[c.index]) if c.index < len(units) and units[c.index] else c
        for c in header.layout.columns
    )
    return replace(header, end=header.end + 1, layout=replace(header.layout, columns=columns))


def _without_header(text: Text, lines: list[str], reader: Reader) -> tuple[Dialect, Layout] | None:
    """A single column of numbers without a header, when it can only be one feature."""
    cells = [line.strip().strip('"') for line in lines if line.strip()]
    sample = cells[:: max(1, len(cells) // 200)]
    if not sample:
        return None
    for mark in ".,":
        numbers = [rough_value(cell, Convention(mark)) for cell in sample]
        if sum(n is not None for n in numbers) < 0.8 * len(sample) or numbers[0] is None:
            continue
        names = [
            name
            for name, target in reader.targets.items()
            if proving([(target, None, c) for c in sample], Convention(mark)) > 0.5 * len(sample)
        ]
        if len(names) != 1 and reader.lexicon.only_feature and not names:
            names = [reader.lexicon.only_feature]
        if len(names) != 1:
            continue
        column = Column(0, "", role="reading", feature=names[0])
        single = Layout((column,), long=False)
        conventions = conventions_of(text.name, single, [[c] for c in sample], reader)
        dialect = Dialect(text.encoding, text.line_end, NONE, 0, ("",), 0, 1, conventions)
        return dialect, single
    return None


def _no_column(text: Text, lines: list[str], reader: Reader) -> UnreadableRun:
    features = reader.lexicon.features
    if not features:
        return UnreadableRun(
            f"{text.name}: no known column: the plan has no feature that stands in files"
        )
    for number, line in enumerate(lines[:_DEEPEST_HEADER], 1):
        if max(line.count(separator) for separator in SEPARATORS) >= MOST_COLUMNS:
            return UnreadableRun(
                f"{text.name}, row {number}: more columns than any file of measurements has"
                f" ({MOST_COLUMNS:,}); export those that hold readings"
            )
    filled = [line for line in lines[:_DEEPEST_HEADER] if line.strip()]
    pieces = [max((cut_line(x, s).fields or [x] for s in SEPARATORS), key=len) for x in filled]
    seen = max(pieces[:20], key=len) if pieces else []
    below = [fields for fields in pieces if len(fields) == len(seen) and fields is not seen]
    shown = ", ".join(repr(field[:40]) for field in seen[:12] if field)
    sought = ", ".join(repr(f.name) for f in features)
    hints = [f'"{name}" = "{header[:40]}"' for name, header in _could_hold(seen, below, reader)]
    cure = "name the columns in the plan, under [columns]"
    if hints:
        cure = f"name the columns in the plan, such as [columns] {', '.join(hints)}"
    return UnreadableRun(
        f"{text.name}: no known column; seen: {shown or 'nothing'}; sought: {sought}; {cure}"
    )


def _could_hold(
    headers: list[str], rows: list[list[str]], reader: Reader
) -> Iterator[tuple[str, str]]:
    """Each size of the plan with a column most of whose cells are near its nominal."""
    used: set[int] = set()
    for name, target in reader.targets.items():
        for index, header in enumerate(headers):
            cells = [row[index] for row in rows if row[index]]
            near = sum(
                any(proving([(target, None, c)], Convention(m)) for m in ".,") for c in cells
            )
            if header and index not in used and 2 * near > len(cells):
                used.add(index)
                yield name, header
                break
