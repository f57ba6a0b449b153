"""Rows of one or several files in grinding order: by the file first, by the clock second."""

from collections import Counter
from collections.abc import Sequence as Many
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.intake.csv_file import Sheet
from spc.intake.lines import DATA, EVENT, SAME
from spc.intake.times import Stamps, to_utc
from spc.plan import Plan

Ints = NDArray[np.int64]
#: A row as it is written, below the headers of its file.
Line = tuple[tuple[str, ...], tuple[str, ...]]


@dataclass(eq=False)
class Sequence:
    """
    All rows of a run, one behind the other.

    Attributes
    ----------
    sheets : list of Sheet
        In the order of their rows.
    sheet, row : ndarray of int64, shape (n,)
        Which file, and which row of its table.
    kind : ndarray of int8, shape (n,)
        As in `lines`.
    number : ndarray of int64, shape (n,)
        The part number where it is whole, else -1.
    serial : ndarray of object, shape (n,)
        Part numbers as written, "" where there is none.
    numbered : ndarray of bool, shape (n,)
        Whether the file of the row has a part column.
    utc : ndarray of datetime64[us], shape (n,)
    places : list of ndarray
        For each sheet, the position here of every row of its table.
    remarks : list of str
    same_as : dict
        For the position of every row set aside as identical, that of the earlier row.
    """

    sheets: list[Sheet]
    sheet: Ints
    row: Ints
    kind: NDArray[np.int8]
    number: Ints
    serial: NDArray[np.object_]
    numbered: NDArray[np.bool_]
    utc: Stamps
    places: list[Ints]
    remarks: list[str]
    same_as: dict[int, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.row)

    @property
    def lines(self) -> Ints:
        """Physical line of every row."""
        lines = np.zeros(len(self), dtype=np.int64)
        for sheet, places in zip(self.sheets, self.places, strict=True):
            lines[places] = sheet.table.line
        return lines

    def line(self, at: int) -> int:
        """Physical line of the row at a position."""
        return int(self.sheets[int(self.sheet[at])].table.line[self.row[at]])


def in_order(sheets: Many[Sheet], plan: Plan) -> Sequence:
    """The rows of all files in grinding order."""
    remarks: list[str] = []
    parts = [_one_file(sheet, plan, remarks) for sheet in sheets]
    firsts = [_first_time(utc) for _, utc in parts]
    order = list(range(len(sheets)))
    untimed = all(first is None for first in firsts)
    if len(sheets) > 1 and untimed and _fall(np.concatenate([_numbers(s) for s in sheets])):
        order.reverse()
        remarks.append("part numbers fall from file to file, so the last file comes first")
    if len(sheets) > 1 and all(first is not None for first in firsts):
        order.sort(key=lambda i: firsts[i])  # type: ignore[arg-type, return-value]
        if order != sorted(order):
            remarks.append("files are put in the order of their first times")
    rows = [parts[i][0] for i in order]
    starts = np.cumsum([0, *(len(r) for r in rows)])
    places = []
    for start, own in zip(starts, rows, strict=False):
        place = np.empty(len(own), dtype=np.int64)
        place[own] = start + np.arange(len(own))
        places.append(place)
    kept = [sheets[i] for i in order]
    return Sequence(
        sheets=kept,
        sheet=np.repeat(np.arange(len(kept)), [len(r) for r in rows]),
        row=np.concatenate(rows),
        kind=np.concatenate([s.lines.kind[r] for s, r in zip(kept, rows, strict=True)]),
        number=np.concatenate([s.lines.number[r] for s, r in zip(kept, rows, strict=True)]),
        serial=np.concatenate([_serials(s)[r] for s, r in zip(kept, rows, strict=True)]),
        numbered=np.repeat([s.lines.serial is not None for s in kept], [len(r) for r in rows]),
        utc=np.concatenate([parts[i][1] for i in order]),
        places=places,
        remarks=remarks,
    )


def _serials(sheet: Sheet) -> NDArray[np.object_]:
    serials = np.full(len(sheet.table), "", dtype=object)
    if sheet.lines.serial is not None:
        serials[:] = sheet.lines.serial
    return serials


def _first_time(utc: Stamps) -> np.datetime64 | None:
    known = utc[~np.isnat(utc)]
    return known[0] if len(known) else None


def _one_file(sheet: Sheet, plan: Plan, remarks: list[str]) -> tuple[Ints, Stamps]:
    """
    Order of the rows of one file, and their times in that order.

    The clock decides where it tells rows apart; part numbers that fall throughout where it does
    not. A file with its newest line on top is read backwards.
    """
    rows, utc = _by_clock(sheet, plan, remarks)
    turned = len(rows) > 1 and rows[0] > 0
    if turned or not _fall(_numbers(sheet)):
        return rows, utc
    known = utc[~np.isnat(utc)]
    if (known[1:] != known[:-1]).any():
        remarks.append(f"{sheet.name}: part numbers fall, but times do not; the times are believed")
        return rows, utc
    remarks.append(f"{sheet.name}: part numbers fall throughout, so the file is read backwards")
    return rows[::-1].copy(), utc[::-1].copy()


def _numbers(sheet: Sheet) -> Ints:
    """The part numbers of one file from top to bottom; -1 for one that is not whole."""
    serial, kind, number = sheet.lines.serial, sheet.lines.kind, sheet.lines.number
    if serial is None:
        return number[:0]
    written = (kind == DATA) | (kind == EVENT)
    for row in np.flatnonzero(written & (number < 0)).tolist():
        written[row] = serial[row] != ""
    return number[written]


def _fall(numbers: Ints) -> bool:
    """Whether part numbers, some perhaps repeated, only ever fall."""
    steps = np.diff(numbers)
    return bool((numbers >= 0).all() and (steps <= 0).all() and (steps < 0).any())


def _by_clock(sheet: Sheet, plan: Plan, remarks: list[str]) -> tuple[Ints, Stamps]:
    """Order of the rows of one file as its times tell it, and those times."""
    n = len(sheet.table)
    rows = np.arange(n, dtype=np.int64)
    times = sheet.times
    nothing = np.full(n, np.datetime64("NaT"), dtype="datetime64[us]")
    if times is None:
        return rows, nothing
    counted = np.isin(sheet.lines.kind, (DATA, EVENT))
    unread = np.flatnonzero(times.unreadable & counted)
    if len(unread):
        remarks.append(
            f"{sheet.name}: {len(unread)} times cannot be read and are left out, the first in row"
            f" {sheet.table.line[unread[0]]}"
        )
    if times.clock_only:
        remarks.append(f"{sheet.name}: the times have no date, so they are left out")
        return rows, nothing
    local = np.where(counted, times.local, np.datetime64("NaT", "us"))
    steps = np.diff(local[~np.isnat(local)])
    zero = np.timedelta64(0, "us")
    forward, twice = to_utc(local, times.offset, plan.zone)
    if (steps < zero).sum() > (steps > zero).sum():
        backward, back_twice = to_utc(local[::-1], times.offset[::-1], plan.zone)
        if _never_falls(backward):
            remarks.append(f"{sheet.name}: times fall throughout, so the file is read backwards")
            _say_twice(sheet, back_twice, remarks)
            return rows[::-1].copy(), backward
    if not _never_falls(forward):
        remarks.append(
            f"{sheet.name}: times step back {_falls(forward)} times; the order of the file is kept"
        )
    _say_twice(sheet, twice, remarks)
    return rows, forward


def _say_twice(sheet: Sheet, count: int, remarks: list[str]) -> None:
    if count:
        remarks.append(
            f"{sheet.name}: {count} times lie in the hour that comes twice; the order of the file"
            " tells which is meant"
        )


def _never_falls(utc: Stamps) -> bool:
    return _falls(utc) == 0


def _falls(utc: Stamps) -> int:
    known = utc[~np.isnat(utc)]
    return int((np.diff(known) < np.timedelta64(0, "us")).sum())


def set_identical_aside(sequence: Sequence) -> None:
    """
    Mark rows whose every cell stands in an earlier row.

    A time is needed to tell a copy of the line from a second, equal reading in one file; between
    files a part number does.
    """
    timed = timed_rows(sequence)
    seen: dict[Line, list[int]] = {}
    for at in _alike(sequence, timed).tolist():
        own = int(sequence.sheet[at])
        sheet = sequence.sheets[own]
        row = (sheet.dialect.headers, tuple(sheet.table.fields(int(sequence.row[at]))))
        stands = seen.setdefault(row, [])
        if timed[at]:
            earlier = stands[:1]
        else:
            # The second of two equal rows in one file is the second one in the other.
            nth = sum(sequence.sheet[other] == own for other in stands)
            by_file = Counter(sequence.sheet[other] for other in stands)
            earlier = [
                [other for other in stands if sequence.sheet[other] == which][nth]
                for which, count in by_file.items()
                if which != own and count > nth
            ][:1]
        if earlier:
            sequence.kind[at] = SAME
            sequence.same_as[at] = sequence.same_as.get(earlier[0], earlier[0])
        stands.append(at)


def take_untimed_back(sequence: Sequence, files: Many[int]) -> None:
    """Rows of some files set aside for a part number that is a place are rows after all."""
    own = np.isin(sequence.sheet, files) & (sequence.kind == SAME) & ~timed_rows(sequence)
    for at in np.flatnonzero(own).tolist():
        sheet = sequence.sheets[int(sequence.sheet[at])]
        sequence.kind[at] = sheet.lines.kind[sequence.row[at]]
        del sequence.same_as[at]


def timed_rows(sequence: Sequence) -> NDArray[np.bool_]:
    """Rows with a moment of their own; a day is none."""
    timed = ~np.isnat(sequence.utc)
    for sheet, places in zip(sequence.sheets, sequence.places, strict=True):
        if sheet.times is not None and sheet.times.date_only:
            timed[places] = False
    return timed


def _alike(sequence: Sequence, timed: NDArray[np.bool_]) -> Ints:
    """Positions of rows that agree in time, part number and readings with another row."""
    named = sequence.numbered & (sequence.serial != "") & (len(sequence.sheets) > 1)
    at = np.flatnonzero(np.isin(sequence.kind, (DATA, EVENT)) & (timed | named))
    if len(at) < 2:
        return at[:0]
    times = sequence.utc[at].astype(np.int64)
    if (np.diff(times) > 0).all():
        return at[:0]
    marks = np.zeros(len(sequence))
    for sheet, places in zip(sequence.sheets, sequence.places, strict=True):
        for number, stream in enumerate(sheet.streams, 1):
            marks[places[stream.rows]] += number * np.nan_to_num(stream.deviation_um, nan=0.1)
    frame = pd.DataFrame(
        {"time": times, "mark": marks[at], "serial": pd.factorize(sequence.serial[at])[0]}
    )
    return at[frame.duplicated(keep=False).to_numpy()]
