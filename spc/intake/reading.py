"""From files to a run: every cell is a measurement, a reject, a blank or counted."""

import os
from collections.abc import Callable, Iterable
from collections.abc import Sequence as Many
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.anew import refuse_counted_anew
from spc.intake.csv_file import Sheet, read_sheet, read_sheet_text
from spc.intake.decoding import Given
from spc.intake.events import (
    Places,
    counted_once,
    events_frame,
    read_events_file,
)
from spc.intake.lines import DATA, whole_number
from spc.intake.mixed_up import mixed_up
from spc.intake.parts import Parts, number_parts
from spc.intake.quarantine import Account, rejects_frame
from spc.intake.readings import TAKEN, column_texts
from spc.intake.repeats import mark_repeats
from spc.intake.row_events import events_in_rows, part_at
from spc.intake.sequence import Sequence, in_order, set_identical_aside
from spc.intake.settling import refuse_nothing, settle
from spc.intake.table_schema import Understanding
from spc.plan import Plan
from spc.remarks import QUESTION
from spc.run import MEASUREMENT_COLUMNS, Run, Source

Paths = Given | Many[Given]
Ints = NDArray[np.int64]
# Doubts of one kind and file that are named one by one.
_SHOWN = 5


def read_run(
    path: Paths,
    plan: Plan,
    events: Paths | None = None,
    *,
    sheet: str | None = None,
    understanding: Understanding | None = None,
    growing: bool = True,
    numbered: bool = False,
) -> Run:
    r"""
    The run in one file or several.

    Parameters
    ----------
    path : str, path or list of them
        Measurement files; ``-`` is standard input. The same file twice counts once.
    plan : Plan
        Of the job.
    events : str, path or list of them, optional
        Files of events.
    sheet : str, optional
        The sheet of a workbook that has several.
    understanding : Understanding, optional
        Of an earlier file of the same make, as saved by a preview.
    growing : bool
        A last line without its end may still be written and is left out, complete or not.
    numbered : bool
        Earlier files of the run number their parts, so that a part column with one value throughout
        does, too.

    Returns
    -------
    Run
        Its account adds up: ``cells = measurements + rejected + blank + identical + summary``.

    Raises
    ------
    UnreadableRun
        For a file refused whole; the message says what to do.

    Examples
    --------
    >>> from spc.plan import read_plan
    >>> seat = b'[[feature]]\nname = "seat"\nnominal = 25.0\nupper = 0.01\n'
    >>> plan = read_plan(b'[job]\npart = "Pin"\n' + seat, source="pin.toml")
    >>> import tempfile, pathlib
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "pin.csv")
    ...     _ = file.write_text("part;seat\n7;25,0031\n9;ERR\n")
    ...     run = read_run(file, plan)
    >>> run.measurements[["part", "serial", "deviation_um"]].values.tolist()
    [[1, '7', 3.1]]
    >>> run.rejects[["row", "column", "text"]].values.tolist()
    [[3, 'seat', 'ERR']]
    """
    sheets = read_sheets(
        as_list(path),
        plan,
        sheet=sheet,
        understanding=understanding,
        growing=growing,
        numbered=numbered,
    )
    return run_of(sheets, plan, as_list(events))


def as_list(path: Paths | None) -> list[Given]:
    """One path, several or none, as a list."""
    if path is None:
        return []
    return [path] if isinstance(path, str | os.PathLike) else list(path)


def read_sheets(
    paths: Iterable[Given],
    plan: Plan,
    *,
    sheet: str | None = None,
    understanding: Understanding | None = None,
    growing: bool = True,
    numbered: bool = False,
) -> list[Sheet]:
    """
    The files one by one; one given twice, or as it was before it grew, counts once.

    What grew from an earlier file stands in the place of the first of them. A part column with one
    value in one file numbers its part where the other files have other values there.
    """
    sheets: dict[str, Sheet] = {}
    twice: list[tuple[str, str]] = []
    for given in paths:
        read = read_sheet(
            given,
            plan,
            sheet=sheet,
            understanding=understanding,
            growing=growing,
            numbered=numbered,
        )
        if sheets.setdefault(read.text.sha256, read) is not read:
            twice.append((read.text.sha256, read.name))
    if not sheets:
        raise UnreadableRun("no measurements: no file is given")
    for digest in _numbered_by_others(sheets):
        text = sheets[digest].text
        sheets[digest] = read_sheet_text(
            text, plan, understanding=understanding, growing=growing, numbered=True
        )
    for digest, name in twice:
        same = sheets[digest]
        same.remarks.append(f"{name} holds the same as {same.name} and counts once")
    # In this order a text stands before all that begin with it, and those in one stretch.
    ordered = sorted(sheets.values(), key=lambda each: each.text.data)
    place = {digest: number for number, digest in enumerate(sheets)}
    for earlier, later in pairwise(ordered):
        if earlier.text.finished and later.text.data.startswith(earlier.text.data):
            later.remarks.append(
                f"{earlier.name} holds the first lines of {later.name} and counts once"
            )
            later.earlier += [earlier, *earlier.earlier]
            first = min(place.pop(earlier.text.sha256), place[later.text.sha256])
            place[later.text.sha256] = first
    return [sheets[digest] for digest in sorted(place, key=place.__getitem__)]


def _numbered_by_others(sheets: dict[str, Sheet]) -> list[str]:
    """Files without part numbers whose part column holds one value, and others in other files."""
    values: dict[str, set[str]] = {}
    for sheet in sheets.values():
        lines = sheet.lines
        if lines.part_column is not None and lines.serial is not None:
            values.setdefault(lines.part_column.header, set()).update(filter(None, lines.serial))
            continue
        # A drawing number is seldom a whole number.
        for header, value in lines.constant.items():
            if whole_number(value) >= 0:
                values.setdefault(header, set()).add(value)
    return [
        digest
        for digest, sheet in sheets.items()
        if sheet.lines.part_column is None
        and any(values.get(header, set()) - {one} for header, one in sheet.lines.constant.items())
    ]


def run_of(sheets: Many[Sheet], plan: Plan, events: Many[Given] = ()) -> Run:
    """The run in sheets already read."""
    remarks = [f"{QUESTION}{feature.doubt}" for feature in plan.features if feature.doubt]
    remarks = [*mixed_up(sheets), *_said_out(sheets), *remarks]
    remarks += [remark for sheet in sheets for remark in _said(sheet)]
    sequence = in_order(sheets, plan)
    account = Account()
    set_identical_aside(sequence)
    parts, counted = number_parts(sequence, plan)
    account.identical_rows = len(sequence.same_as)
    remarks += [counted, *sequence.remarks, *_missing(sequence, plan)]
    in_files = events_in_rows(sequence, parts, plan, remarks)
    places = Places(
        of_serial=parts.of_serial,
        before=lambda time: part_at(sequence, parts, time),
        last=int(parts.part.max(initial=0)),
        first_number=parts.first if parts.by_serial else 1,
    )
    in_files += [read_events_file(given, plan, places, remarks) for given in events]
    told = counted_once(in_files, remarks)
    reground = any(event.kind == "regrind" for event in told)
    if not reground:
        refuse_counted_anew(sequence)
    base = mark_repeats(sequence, parts, plan, reground=reground)
    remarks += [remark for sheet in sequence.sheets for remark in _seen_again(sheet)]
    measurements = _measurements(sequence, parts, base)
    settle(sequence, account, len(measurements))
    account.events = len(told)
    refuse_nothing(sequence, account)
    return Run(
        measurements=measurements,
        events=events_frame(told),
        rejects=rejects_frame(account.rejects),
        account=account.as_dict(),
        sources=tuple(
            _source(given, _rows_by(sheet, parts.named[places]))
            for sheet, places in zip(sequence.sheets, sequence.places, strict=True)
            for given in (sheet, *sheet.earlier)
        ),
        remarks=tuple(remarks),
        first_number=parts.first if parts.by_serial else None,
    )


def _source(sheet: Sheet, rows_by: str) -> Source:
    text = sheet.text
    return Source(sheet.name, text.sha256, text.data.count(b"\n") + (not text.finished), rows_by)


def _rows_by(sheet: Sheet, named: NDArray[np.bool_]) -> str:
    """What tells the rows of a file apart, as in `spc.run.Source`."""
    if named.any():
        return "serial"
    clock = sheet.times is not None and not (sheet.times.date_only or sheet.times.clock_only)
    return "time" if clock else "place"


def _said_out(sheets: Many[Sheet]) -> list[str]:
    """Parts that somebody called bad come before every other question."""
    return [
        remark
        for sheet in sheets
        for remark in _questions(sheet.name, sheet.said_out, "cells that call a part bad")
    ]


def _said(sheet: Sheet) -> list[str]:
    said = [f"{sheet.name}: {remark}" for remark in sheet.remarks]
    for stream in sheet.streams:
        for sense in stream.believed:
            if sense.inferred:
                said.append(f"{sheet.name}, column {stream.column.header!r}: {sense.inferred}")
    return said + _questions(sheet.name, sheet.doubtful, "doubtful readings")


def _questions(name: str, doubts: Many[str], of_what: str) -> list[str]:
    """One remark for each doubt, the many beyond counted."""
    more = len(doubts) - _SHOWN
    said = [f"{QUESTION}{doubt}" for doubt in doubts[:_SHOWN]]
    return [*said, f"{QUESTION}{name}: {more} more {of_what}"] if more > 0 else said


def _seen_again(sheet: Sheet) -> list[str]:
    alike: dict[str, list[int]] = {}
    for row, reason in sorted(sheet.lines.reasons.items()):
        if reason.startswith(QUESTION):
            alike.setdefault(reason.removeprefix(QUESTION), []).append(int(sheet.table.line[row]))
    again = [f"{sheet.name}, {_rows(lines)} left out: {why}" for why, lines in alike.items()]
    return _questions(sheet.name, again, "rows of parts measured before")


def _rows(lines: Many[int]) -> str:
    return f"row {lines[0]} is" if len(lines) == 1 else f"rows {min(lines)} to {max(lines)} are"


def _missing(sequence: Sequence, plan: Plan) -> list[str]:
    found = {stream.target.feature.name for s in sequence.sheets for stream in s.streams}
    missing = [f.name for f in plan.measured_features if f.name not in found]
    return [f"{QUESTION}no file has a column or row of {name!r}" for name in missing]


@dataclass(frozen=True, eq=False)
class _Taken:
    """Readings of one stream that were taken, with the places of their rows."""

    places: Ints
    feature: str
    order: int
    deviation_um: NDArray[np.float64]
    size: NDArray[np.float64]
    decimals: Ints
    repeat: Ints


def _taken(sequence: Sequence, base: dict[tuple[int, int, int], int]) -> list[_Taken]:
    taken = []
    for number, sheet in enumerate(sequence.sheets):
        for order, stream in enumerate(sheet.streams):
            places = sequence.places[number][stream.rows]
            taken_here = (stream.state == TAKEN) & (sequence.kind[places] == DATA)
            # A slice copies nothing.
            keep = slice(None) if taken_here.all() else np.flatnonzero(taken_here)
            repeat = np.full(len(places[keep]), stream.column.place, np.int64)
            again = {at: n for (s, o, at), n in base.items() if (s, o) == (number, order)}
            if again:
                repeat += np.array(
                    [again.get(at, 0) for at in places[keep].tolist()], dtype=np.int64
                )
            taken.append(
                _Taken(places[keep], stream.target.feature.name, order, stream.deviation_um[keep],
                       stream.size[keep], stream.decimals[keep], repeat)
            )  # fmt: skip
    return taken


def _measurements(
    sequence: Sequence, parts: Parts, base: dict[tuple[int, int, int], int]
) -> pd.DataFrame:
    """Everything taken, as the table of the contract: by part, then row, then column."""
    taken = _taken(sequence, base)
    names = list(dict.fromkeys(t.feature for t in taken))
    goal = _goals(taken, parts.part)
    count = sum(len(own.places) for own in taken)

    def spread(dtype: Any, of: Callable[[_Taken], Any]) -> NDArray[Any]:
        column = np.empty(count, dtype=dtype)
        for own, places in zip(taken, goal, strict=True):
            column[places] = of(own)
        return column

    rows = spread(np.int64, lambda t: t.places)
    sources = list(dict.fromkeys(sheet.name for sheet in sequence.sheets))
    source = np.array([sources.index(sheet.name) for sheet in sequence.sheets])
    columns = {
        "part": parts.part[rows],
        "serial": pd.array(parts.serial[rows], dtype="str"),
        "time": pd.DatetimeIndex(sequence.utc[rows]).tz_localize("UTC"),
        "feature": pd.Categorical.from_codes(
            spread(np.int16, lambda t: names.index(t.feature)), names
        ),
        "deviation_um": spread(np.float64, lambda t: t.deviation_um),
        "reading": spread(np.float64, lambda t: t.size),
        "decimals": spread(np.int64, lambda t: t.decimals),
        "repeat": spread(np.int64, lambda t: t.repeat),
        "source": pd.Categorical.from_codes(source[sequence.sheet[rows]], sources),
        "row": sequence.lines[rows],
    }
    named = {name: columns[name] for name in MEASUREMENT_COLUMNS}
    return pd.DataFrame(named | _besides(sequence, rows), copy=False)


def _besides(sequence: Sequence, rows: Ints) -> dict[str, Any]:
    """Gauge, operator and temperature, where a file has them."""
    found: dict[str, Any] = {}
    for role in ("gauge", "operator"):
        texts = np.full(len(sequence), "", dtype=object)
        held = [sheet.layout.of(role) for sheet in sequence.sheets]
        for sheet, places, column in zip(sequence.sheets, sequence.places, held, strict=True):
            if column is not None:
                texts[places] = column_texts(sheet.table, column.index)
        if any(held):
            codes, names = pd.factorize(texts)
            found[role] = pd.Categorical.from_codes(codes[rows], names)
    if any(sheet.celsius is not None for sheet in sequence.sheets):
        celsius = np.full(len(sequence), np.nan)
        for sheet, places in zip(sequence.sheets, sequence.places, strict=True):
            if sheet.celsius is not None:
                celsius[places] = sheet.celsius
        found["temperature"] = celsius[rows]
    return found


def _goals(taken: list[_Taken], part: Ints) -> list[Ints | slice]:
    """Where every reading goes in the table: by part, then row, then column."""
    readings = np.zeros(len(part), dtype=np.int64)
    for own in taken:
        readings[own.places] += 1
    rising = bool((np.diff(part[readings > 0]) >= 0).all())
    forward = all((np.diff(own.places) > 0).all() for own in taken)
    if rising and forward and (readings[readings > 0] == len(taken)).all():
        # Every row holds a reading of every column: a slice needs no places.
        return [slice(column, None, len(taken)) for column in range(len(taken))]
    order = np.arange(len(part)) if rising else np.argsort(part, kind="stable")
    begin = np.empty(len(part), dtype=np.int64)
    begin[order] = np.cumsum(readings[order]) - readings[order]
    goals: list[Ints | slice] = []
    for own in taken:
        goals.append(begin[own.places])
        begin[own.places] += 1
    return goals
