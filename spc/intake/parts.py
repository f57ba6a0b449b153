"""Rows become parts, numbered in grinding order."""

from collections.abc import Iterator
from collections.abc import Sequence as Many
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake import words
from spc.intake.copies import leave_copies_out
from spc.intake.csv_file import Sheet
from spc.intake.lines import DATA, REFUSED, whole_number
from spc.intake.quarantine import shortened
from spc.intake.readings import BLANK, Stream
from spc.intake.sequence import Sequence, take_untimed_back
from spc.intake.table import UNFINISHED
from spc.places import FEWEST_VISITS, begin_again, come_round, read_alike, visits
from spc.plan import Plan
from spc.remarks import QUESTION

Ints = NDArray[np.int64]

# Numbers that run further apart than this are dates or typing errors, not a count of parts ground.
# Own choice.
_WIDEST_GAP = 1000
_FREE_SPAN = 100_000

PARTS, PLACES, UNSURE = "parts", "places", "unsure"


@dataclass(frozen=True, eq=False)
class Parts:
    """
    The part of every row.

    Attributes
    ----------
    part : ndarray of int64, shape (n,)
        Number in grinding order; 0 for a row that is no part.
    serial : ndarray of object, shape (n,)
        As written, or the number where none is.
    by_serial : bool
        Whether part numbers themselves count the parts.
    first : int
        The first part number, when they count.
    named : ndarray of bool, shape (n,)
        Rows whose part number tells their part from all others.
    """

    part: Ints
    serial: NDArray[np.object_]
    by_serial: bool
    first: int
    named: NDArray[np.bool_]

    def of_serial(self, serial: str) -> int | None:
        """The part with that number; None when it is not known, or the number of a place."""
        if self.by_serial and whole_number(serial) >= 0:
            return max(0, whole_number(serial) - self.first + 1)
        hits = np.unique(self.part[(self.serial == serial) & (self.part > 0)])
        return int(hits[0]) if len(hits) == 1 else None


def number_parts(sequence: Sequence, plan: Plan) -> tuple[Parts, str]:
    """
    Count the parts, and say how.

    Part numbers that are whole and rise count themselves, so that parts between them were ground
    and not measured; otherwise rows count 1, 2, 3 ... and a part number seen before is that part
    again. Places, and all numbers where the plan says so, tell nothing apart: every row is a part.
    """
    n = len(sequence)
    wanted = plan.reading.numbering
    data = sequence.kind == DATA
    if wanted == "rows":
        places, why = data, "as the plan says"
    else:
        places, why = _places(sequence, doubts=wanted == "auto")
    sequence.number[places] = -1
    leave_copies_out(sequence, sequence.numbered & (sequence.serial != "") & ~places)
    data = sequence.kind == DATA
    written = data & sequence.numbered & (sequence.serial != "") & ~places
    counting = None
    if written.any() and ((sequence.numbered & ~places) | ~data).all():
        counting = _rising(sequence.number[written])
    if counting is not None:
        numbers, distinct = counting
        first = int(numbers[0])
        part = np.zeros(n, dtype=np.int64)
        part[written] = numbers - first + 1
        gaps = int(part.max(initial=0)) - distinct
        words = f"part numbers count the parts, {sequence.serial[written][0]} being the first"
        words += f"; {gaps} between them were ground and not measured" if gaps else ""
        return Parts(part, sequence.serial, True, first, written), words
    if wanted == "serial":
        raise UnreadableRun(
            "numbering = 'serial' is set in the plan, but the part column does not hold whole"
            " numbers that rise; set numbering = 'rows' or 'auto' under [reading]"
        )
    part, serial = _by_rows(sequence, written)
    why = why or _why_rows(sequence, written)
    return Parts(part, serial, False, 1, written), f"rows count the parts 1, 2, 3 ... ({why})"


def _places(sequence: Sequence, *, doubts: bool) -> tuple[NDArray[np.bool_], str]:
    """
    Rows whose part number is a place that other parts stood on, too, and what is said of them.

    Where it cannot be told whether numbers that come again are places, that is asked.
    """
    places, said = np.zeros(len(sequence), dtype=bool), ""
    if not doubts:
        return places, said
    judged = list(_judged(sequence))
    known = {n for files, kind in judged if kind == PLACES for n in _own(sequence, files)[1]}
    for files, kind in judged:
        sheet = sequence.sheets[files[0]]
        rows, numbers = _own(sequence, files)
        name = repr(sheet.lines.part_column.header) if sheet.lines.part_column else ""
        of = f"{sheet.name} and {len(files) - 1} more files" if len(files) > 1 else sheet.name
        again = f"the numbers of column {name} come again"
        if kind == PLACES or (known and known.issuperset(numbers.tolist()) and len(numbers)):
            take_untimed_back(sequence, files)
            rows, numbers = _own(sequence, files)
            places[rows] = True
            said = f"column {name} holds {len(known)} places again and again and numbers no parts"
            if 1 < len(files) < len(rows):
                sequence.remarks.append(
                    f"{QUESTION}{of}: {again} in every file: places, such as of a pallet, or"
                    " runs that count anew? They are taken for places; import each run by itself,"
                    " with --run NAME, if they are runs"
                )
            twice = 0 if sheet.layout.long else int((np.diff(numbers) == 0).sum())
            if twice:
                sequence.remarks.append(
                    f"{QUESTION}{of}: {twice} rows stand on the place of the row before:"
                    " the next part, or the same part again? Every row counts as a part"
                )
        elif kind == UNSURE:
            sequence.remarks.append(
                f"{QUESTION}{of}: {again}: parts measured again, or places, such as of a"
                " pallet? They are taken for parts measured again; set numbering = 'rows' under"
                " [reading] in the plan if every row is a part, 'serial' if not"
            )
    return places, said


def _judged(sequence: Sequence) -> Iterator[tuple[list[int], str]]:
    """
    Files, and whether their part numbers are parts, places, or may be either.

    Files too short to show a round are judged together where their part columns have one header.
    """
    of_header: dict[str, list[int]] = {}
    for which, sheet in enumerate(sequence.sheets):
        if sheet.lines.part_column is not None:
            of_header.setdefault(sheet.lines.part_column.header, []).append(which)
    for files in of_header.values():
        alone = [_kind_of(sequence, [which]) for which in files]
        told = [
            kind == PLACES or (kind == PARTS and not _short(sequence, which))
            for which, kind in zip(files, alone, strict=True)
        ]
        together = PARTS if any(told) else _kind_of(sequence, files)
        if together == PARTS:
            yield from (([which], kind) for which, kind in zip(files, alone, strict=True))
        else:
            yield files, together


def _short(sequence: Sequence, which: int) -> bool:
    """Whether one file cannot show a round, be there one or not."""
    rows, _ = _most_read(sequence, [which])
    return len(rows) < FEWEST_VISITS or len(visits(sequence.number[rows])) < FEWEST_VISITS


def _own(sequence: Sequence, files: Many[int]) -> tuple[Ints, Ints]:
    """Rows of some files that have a part number, and these as whole numbers or -1."""
    rows = np.sort(np.concatenate([sequence.places[which] for which in files]))
    rows = rows[(sequence.kind[rows] == DATA) & (sequence.serial[rows] != "")]
    return rows, sequence.number[rows]


def _kind_of(sequence: Sequence, files: Many[int]) -> str:
    """Whether the part numbers of files, read as one, are parts, places, or may be either."""
    rows, values = _most_read(sequence, files)
    numbers = sequence.number[rows]
    whole = bool((numbers >= 0).all())
    codes = numbers if whole else pd.factorize(sequence.serial[rows])[0].astype(np.int64)
    if not len(codes) or not (come_round(codes) or (whole and begin_again(codes))):
        return PARTS
    if any(_regrinds(sequence.sheets[which]) for which in files):
        return PARTS
    alike = read_alike(codes, values)
    if not come_round(codes):
        return PARTS if alike else UNSURE
    return PLACES if whole and not alike else UNSURE


def _most_read(sequence: Sequence, files: Many[int]) -> tuple[Ints, NDArray[np.float64]]:
    """
    Rows with a part number and a reading of the feature that is read most often in some files.

    Parts come round once for every feature where a file, or one file each, holds one after the
    other. Of several columns of a feature the one read most often in its file counts.
    """
    nothing = np.zeros(0, dtype=np.int64), np.zeros(0)
    found: dict[str, list[tuple[Ints, NDArray[np.float64]]]] = {}
    for which in files:
        longest: dict[str, tuple[Ints, NDArray[np.float64]]] = {}
        for stream in sequence.sheets[which].streams:
            at = sequence.places[which][stream.rows]
            named = (sequence.kind[at] == DATA) & (sequence.serial[at] != "")
            own = np.flatnonzero(named & (stream.state != BLANK))
            name = stream.target.feature.name
            if len(own) > len(longest.get(name, nothing)[0]):
                own = own[np.argsort(at[own])]
                longest[name] = at[own], stream.deviation_um[own]
        for name, one in longest.items():
            found.setdefault(name, []).append(one)
    most = max(found.values(), key=lambda own: sum(len(rows) for rows, _ in own), default=[nothing])
    return np.concatenate([rows for rows, _ in most]), np.concatenate([um for _, um in most])


def _regrinds(sheet: Sheet) -> bool:
    """Whether parts were ground again, so that their numbers come again."""
    column = sheet.layout.of("event")
    return column is not None and any(
        words.event_kind(sheet.table.text(row, column.index)) == "regrind"
        for row in np.flatnonzero(sheet.lines.has_event).tolist()
    )


def _why_rows(sequence: Sequence, written: NDArray[np.bool_]) -> str:
    if not written.any():
        return "there is no part number"
    whole = sequence.number[written] >= 0
    if not whole.all():
        odd = str(sequence.serial[written][~whole][0])
        return f"part numbers such as {shortened(odd, 30)!r} are not whole"
    return "part numbers do not rise throughout"


def _rising(numbers: Ints) -> tuple[Ints, int] | None:
    """The numbers and how many differ, when they can count the parts."""
    if (numbers < 0).any():
        return None
    distinct = numbers
    if not (np.diff(numbers) > 0).all():
        distinct = numbers[np.sort(np.unique(numbers, return_index=True)[1])]
        if not (np.diff(distinct) > 0).all():
            return None
    span = int(distinct[-1]) - int(distinct[0])
    if span > max(_FREE_SPAN, _WIDEST_GAP * len(distinct)):
        return None
    return numbers, len(distinct)


def _by_rows(sequence: Sequence, written: NDArray[np.bool_]) -> tuple[Ints, NDArray[np.object_]]:
    """Number the rows; a part number (where it is `written` as one) seen before keeps its part."""
    n = len(sequence)
    codes = np.full(n, -1, dtype=np.int64)
    if written.any():
        codes[written] = pd.factorize(sequence.serial[written])[0]
    offset = int(codes.max(initial=-1)) + 1
    bare = (sequence.kind == DATA) & ~written & ((sequence.serial != "") | ~sequence.numbered)
    group = _groups_without_numbers(sequence, bare)
    codes[bare] = offset + group[bare]
    offset = int(codes.max(initial=offset)) + 1
    # A line that could not be taken was a part all the same.
    lost = _lost_rows(sequence)
    codes[lost] = offset + np.arange(len(lost))
    known = np.flatnonzero(codes >= 0)
    part = np.zeros(n, dtype=np.int64)
    if len(known):
        numbers, _ = pd.factorize(codes[known])
        part[known] = numbers + 1
    serial = sequence.serial.copy()
    unnamed = (serial == "") & (part > 0)
    serial[unnamed] = part[unnamed].astype(str).astype(object)
    return part, serial


def _lost_rows(sequence: Sequence) -> Ints:
    """Refused rows that were parts; a line not written to its end and a copied one are none."""
    lost = []
    for at in np.flatnonzero(sequence.kind == REFUSED).tolist():
        sheet, row = sequence.sheets[int(sequence.sheet[at])], int(sequence.row[at])
        asked = sheet.lines.reasons.get(row, "").startswith(QUESTION)
        if not asked and sheet.table.state[row] != UNFINISHED:
            lost.append(at)
    return np.array(lost, dtype=np.int64)


def _groups_without_numbers(sequence: Sequence, bare: NDArray[np.bool_]) -> Ints:
    """Rows of a long file belong to one part until a feature comes again, or another place."""
    group = np.arange(len(sequence), dtype=np.int64)
    for number, sheet in enumerate(sequence.sheets):
        if not sheet.layout.long:
            continue
        rank = np.full(len(sequence), -1, dtype=np.int64)
        for order, stream in enumerate(_by_first_row(sheet.streams, sequence, number)):
            rank[sequence.places[number][stream.rows]] = order
        own = np.flatnonzero(bare & (sequence.sheet == number))
        step = np.ones(len(own), dtype=bool)
        # A feature that stands at or before the one above it belongs to the next part.
        step[1:] = rank[own][1:] <= rank[own][:-1]
        step[1:] |= sequence.serial[own][1:] != sequence.serial[own][:-1]
        group[own] = own[np.maximum.accumulate(np.where(step, np.arange(len(own)), 0))]
    return group


def _by_first_row(streams: list[Stream], sequence: Sequence, number: int) -> list[Stream]:
    places = sequence.places[number]
    return sorted(streams, key=lambda s: int(places[s.rows].min()) if len(s.rows) else 0)
