"""One file of text, read into lines and readings that still remember where they came from."""

import hashlib
import os
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.cells import UM
from spc.intake.columns import Column, Layout, Lexicon
from spc.intake.decoding import Given, Text, content_of, text_of
from spc.intake.dialect import Dialect, find_dialect
from spc.intake.doubts import doubts_of, said_out
from spc.intake.jobs import other_jobs
from spc.intake.last_line import settle_last_line
from spc.intake.lines import DATA, SKIPPED, Lines, sort_lines, why_slid
from spc.intake.meaning import Sense, Target, near_nominal, target_of
from spc.intake.other_kind import ask_of_other_kind
from spc.intake.readings import (
    TAKEN,
    UNITS,
    UNKNOWN,
    Stream,
    column_texts,
    read_stream,
    text_column,
)
from spc.intake.screens import screen
from spc.intake.table import SHORT, SPILLED, Table, tabulate
from spc.intake.table_schema import Understanding
from spc.intake.times import Times, read_times
from spc.intake.warmth import bring_to_20, temperatures
from spc.intake.workbook import is_workbook, sheets_of
from spc.plan import Plan
from spc.units import unit_named


@dataclass(eq=False)
class Sheet:
    """
    One file as understood; rows are those below the header, in the order of the file.

    `earlier` holds the same file as it was before it grew, where that was given, too.
    """

    text: Text
    dialect: Dialect
    layout: Layout
    table: Table
    lines: Lines
    times: Times | None
    streams: list[Stream]
    doubtful: list[str] = field(default_factory=list)
    said_out: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    celsius: NDArray[np.float64] | None = None
    earlier: list["Sheet"] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The file, as named by the caller."""
        return self.text.name

    @property
    def understanding(self) -> Understanding:
        """How the file was understood, to be saved and used again."""
        return Understanding(
            self.dialect.separator,
            self.dialect.header_line,
            self.dialect.headers,
            self.layout,
            self.dialect.conventions,
        )

    @property
    def cells_per_row(self) -> int:
        """Readings a row may hold: one per feature column; one in long form."""
        return len(self.layout.readings)


def read_sheet(
    given: Given,
    plan: Plan,
    *,
    sheet: str | None = None,
    understanding: Understanding | None = None,
    growing: bool = True,
    numbered: bool = False,
    careful: bool = False,
) -> Sheet:
    """
    Read one file against the plan.

    Parameters
    ----------
    given : str or path
        The file; ``-`` for standard input.
    plan : Plan
        Of the job.
    sheet : str, optional
        Of a workbook that has several.
    understanding : Understanding, optional
        Of an earlier file of the same make, used instead of the plan's words.
    growing : bool
        A last line without its end may still be written and is left out, complete or not.
    numbered : bool
        Earlier files of the run number their parts.
    careful : bool
        Take every line and cell one by one; for tests.

    Raises
    ------
    UnreadableRun
        For a file refused whole.
    """
    name = os.fspath(given)
    content = content_of(name)
    if is_workbook(name, content):
        text = _one_sheet(name, content, plan, sheet)
    elif sheet is not None:
        raise UnreadableRun(
            f"{name}: the sheet {sheet!r} is asked for, but this is no workbook; leave --sheet out"
        )
    else:
        text = text_of(name, content, code_page=plan.reading.code_page)
    return read_sheet_text(
        text,
        plan,
        understanding=understanding,
        growing=growing,
        numbered=numbered,
        careful=careful,
    )


def _one_sheet(name: str, content: bytes, plan: Plan, wanted: str | None) -> Text:
    sheets = sheets_of(name, content, hashlib.sha256(content).hexdigest())
    names = ", ".join(repr(sheet) for sheet in sheets) or "none that holds anything"
    if wanted is not None:
        if wanted not in sheets:
            raise UnreadableRun(f"{name}: the workbook has no sheet {wanted!r}; it has: {names}")
        return sheets[wanted]
    known = [text for text in sheets.values() if _has_header(text, plan)]
    if len(known) > 1:
        raise UnreadableRun(
            f"{name}: several sheets of the workbook hold measurements; name one of: {names}"
        )
    if not sheets:
        raise UnreadableRun(f"{name}: the workbook is empty; export it again")
    return known[0] if known else next(iter(sheets.values()))


def _has_header(text: Text, plan: Plan) -> bool:
    try:
        find_dialect(text, Lexicon(plan), _targets(plan), decimal=".")
    except UnreadableRun:
        return False
    return True


def _targets(plan: Plan) -> dict[str, Target]:
    return {f.name: target_of(f) for f in plan.measured_features}


def read_sheet_text(
    text: Text,
    plan: Plan,
    *,
    understanding: Understanding | None = None,
    growing: bool = True,
    numbered: bool = False,
    careful: bool = False,
) -> Sheet:
    """The sheet in a text already decoded."""
    lexicon, targets = Lexicon(plan), _targets(plan)
    if understanding is None:
        dialect, layout = find_dialect(text, lexicon, targets, decimal=plan.reading.decimal)
    else:
        dialect, layout = understanding.applied_to(text)
        _refuse_unknown_features(understanding, targets)
    table = tabulate(
        text.data,
        offset=dialect.offset,
        line=dialect.line,
        separator=dialect.separator,
        width=len(dialect.headers),
        finished=text.finished,
        careful=careful,
    )
    settled: tuple[list[str], list[str]] = ([], [])
    if not growing:
        settled = settle_last_line(table, layout, dialect.separator, text.name)
    others, said = other_jobs(table, layout, plan, name=text.name)
    lines = sort_lines(table, layout, dialect.headers, others, numbered=numbered)
    sheet = Sheet(
        text, dialect, layout, table, lines, _times(text, table, layout, plan, careful), []
    )
    sheet.remarks += [*settled[0], *said, *lines.remarks]
    sheet.doubtful += settled[1]
    if layout.long:
        _read_long(sheet, lexicon, targets, careful)
    else:
        _read_wide(sheet, targets, careful)
    _refuse_contradictions(sheet)
    _refuse_slid_rows(sheet, targets)
    for stream in sheet.streams:
        sheet.doubtful += ask_of_other_kind(table, stream, text.name)
        far = screen(stream, text.name).tolist()
        sheet.doubtful += doubts_of(table, stream, far, text.name)
        sheet.said_out += said_out(table, stream, text.name)
    _refuse_another_part(sheet)
    _correct_for_warmth(sheet)
    return sheet


def _refuse_contradictions(sheet: Sheet) -> None:
    for stream in sheet.streams:
        for sense in stream.senses.values():
            if sense.contradicts:
                raise UnreadableRun(
                    f"{sheet.name}, column {stream.column.header!r}: the unit is ambiguous:"
                    f" {sense.unit} is written, yet the numbers are the nominal of"
                    f" {stream.target.feature.name!r} in {sense.contradicts}; correct the unit"
                )


def _refuse_another_part(sheet: Sheet) -> None:
    for stream in sheet.streams:
        if stream.of_another_part:
            strange = [each for each in stream.senses.values() if each.elsewhere is not None]
            raise UnreadableRun(f"{sheet.name}, {_another_nominal(stream, strange[0])}")


def _another_nominal(stream: Stream, sense: Sense) -> str:
    feature = stream.target.feature
    nominal = float(stream.target.nominal_um) / UM[feature.unit]
    header = stream.column.header or feature.name
    cure = f"name the unit in the header, such as {header} [µm]"
    return (
        f"column {header!r}: the numbers look like sizes of another part: their median is"
        f" {sense.elsewhere:.7g}, but the plan gives {feature.name!r} a nominal of {nominal:.7g}"
        f" {feature.unit}. Is it the right plan? If another column holds {feature.name!r}, name it"
        " under [columns]" + (f"; if these are deviations, {cure}" if not sense.absolute else
                              "; if the unit is another, name it in the header")
    )  # fmt: skip


def _refuse_unknown_features(understanding: Understanding, targets: dict[str, Target]) -> None:
    for column in understanding.layout.readings:
        if column.feature is not None and column.feature not in targets:
            raise UnreadableRun(
                f"{understanding.source}: column {column.header!r} is saved as feature"
                f" {column.feature!r}, which the plan does not have; it has:"
                f" {', '.join(map(repr, targets))}"
            )


def _correct_for_warmth(sheet: Sheet) -> None:
    column = sheet.layout.of("temperature")
    if column is None:
        return
    convention = sheet.dialect.conventions[column.index]
    sheet.celsius = temperatures(sheet.table, sheet.layout, convention)
    if sheet.celsius is None:
        return
    counts = [bring_to_20(stream, sheet.celsius) for stream in sheet.streams]
    corrected, uncorrected = sum(c for c, _ in counts), sum(u for _, u in counts)
    if corrected:
        sheet.remarks.append(
            f"{corrected} deviations are brought to 20 °C by column {column.header!r} and the"
            " expansion in the plan"
        )
    if uncorrected:
        sheet.remarks.append(
            f"{uncorrected} deviations have no temperature and are kept as measured"
        )


def _times(
    text: Text, table: Table, layout: Layout, plan: Plan, careful: bool = False
) -> Times | None:
    date, clock = layout.of("date"), layout.of("clock")
    column = layout.of("time") or date
    if column is None:
        return None
    return read_times(
        text_column(table, column.index),
        text_column(table, clock.index) if column is date and clock is not None else None,
        day_first=plan.reading.day_first,
        date_system=plan.reading.date_system,
        utc="utc" in column.header.casefold(),
        place=f"{text.name}, column {column.header!r}",
        careful=careful,
    )


def _read_wide(sheet: Sheet, targets: dict[str, Target], careful: bool) -> None:
    rows = np.flatnonzero(sheet.lines.kind == DATA)
    units = _unit_column(sheet)
    for column in sheet.layout.readings:
        target = targets[column.feature or ""]
        sheet.streams.append(_stream(sheet, column, target, rows, units, careful))


def _unit_column(sheet: Sheet) -> NDArray[np.int8] | None:
    column = sheet.layout.of("unit")
    if column is None:
        return None
    texts = column_texts(sheet.table, column.index)
    known = {text: UNITS.index(unit_named(text)) for text in set(texts)}
    known |= {text: UNKNOWN for text in known if text and not known[text]}
    return np.array([known[text] for text in texts], dtype=np.int8)


def _read_long(sheet: Sheet, lexicon: Lexicon, targets: dict[str, Target], careful: bool) -> None:
    feature_column = sheet.layout.of("feature")
    assert feature_column is not None
    texts = column_texts(sheet.table, feature_column.index)
    names = {text: lexicon.feature_named(text) if text else None for text in set(texts)}
    owner = np.array([names[text] or "" for text in texts], dtype=object)
    _set_aside(sheet, texts, np.flatnonzero((sheet.lines.kind == DATA) & (owner == "")))
    units = _unit_column(sheet)
    for name, target in targets.items():
        rows = np.flatnonzero((sheet.lines.kind == DATA) & (owner == name))
        for column in sheet.layout.readings if len(rows) else ():
            sheet.streams.append(_stream(sheet, column, target, rows, units, careful))


def _stream(
    sheet: Sheet,
    column: Column,
    target: Target,
    rows: NDArray[np.int64],
    units: NDArray[np.int8] | None,
    careful: bool,
) -> Stream:
    return read_stream(
        sheet.table,
        column,
        target,
        rows,
        convention=sheet.dialect.conventions[column.index],
        units=None if units is None else units[rows],
        careful=careful,
    )


def _set_aside(sheet: Sheet, texts: list[str], rows: NDArray[np.int64]) -> None:
    """Rows of features that the plan does not name are not of this run."""
    others: dict[str, int] = {}
    for row in rows.tolist():
        if texts[row]:
            others[texts[row]] = others.get(texts[row], 0) + 1
            sheet.lines.kind[row] = SKIPPED
        elif any(sheet.table.lengths[row, c.index] for c in sheet.layout.readings):
            sheet.lines.refuse(row, "no feature is named")
    if others:
        shown = ", ".join(f"{name!r} ({count})" for name, count in list(others.items())[:6])
        sheet.remarks.append(f"rows of features that the plan does not name are left out: {shown}")


def _refuse_slid_rows(sheet: Sheet, targets: dict[str, Target]) -> None:
    """Lines of an odd width whose values stand under the wrong headers."""
    state, kind = sheet.table.state, sheet.lines.kind
    odd = np.isin(state, (SHORT, SPILLED)) & (kind == DATA)
    if not odd.any():
        return
    wrong: set[int] = set()
    if sheet.times is not None:
        wrong |= set(np.flatnonzero(odd & sheet.times.unreadable).tolist())
    for stream in sheet.streams:
        unit = stream.target.feature.unit
        far = odd[stream.rows] & (stream.state == TAKEN) & stream.absolute
        if not stream.target.sized:
            continue
        far &= ~near_nominal(np.nan_to_num(stream.size), unit, stream.target)
        for at in np.flatnonzero(far).tolist():
            row = int(stream.rows[at])
            if state[row] == SPILLED or _belongs_elsewhere(stream, at, targets):
                wrong.add(row)
    for row in sorted(wrong):
        sheet.lines.refuse(row, why_slid(sheet.table, row))
    if wrong:
        sheet.streams = [stream.of_rows(kind == DATA) for stream in sheet.streams]


def _belongs_elsewhere(stream: Stream, at: int, targets: dict[str, Target]) -> bool:
    size = np.array([stream.size[at]])
    return any(
        target.sized and bool(near_nominal(size, stream.target.feature.unit, target)[0])
        for name, target in targets.items()
        if name != stream.target.feature.name
    )
