"""Rows become parts: numbering, repeats, and the part numbers that raise a question."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.lines import DATA, REFUSED, whole_number
from spc.intake.quarantine import shortened
from spc.intake.readings import BLANK, Stream
from spc.intake.sequence import Sequence
from spc.intake.table import UNFINISHED
from spc.plan import Plan

Ints = NDArray[np.int64]

#: A part number seen again after more rows than this is a question.
FAR_APART = 20
# Numbers that run further apart than this are dates or typing errors, not a count of parts ground.
# Own choice.
_WIDEST_GAP = 1000
_FREE_SPAN = 100_000


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
    """

    part: Ints
    serial: NDArray[np.object_]
    by_serial: bool
    first: int

    def of_serial(self, serial: str) -> int | None:
        """The part with that number; None when it is not known."""
        if self.by_serial and whole_number(serial) >= 0:
            return max(0, whole_number(serial) - self.first + 1)
        hits = np.flatnonzero((self.serial == serial) & (self.part > 0))
        return int(self.part[hits[0]]) if len(hits) else None


def number_parts(sequence: Sequence, plan: Plan) -> tuple[Parts, str]:
    """
    Count the parts, and say how.

    Part numbers that are whole and rise count themselves, so that parts between them were ground
    and not measured; otherwise rows count 1, 2, 3 ...
    """
    n = len(sequence)
    wanted = plan.reading.numbering
    data = sequence.kind == DATA
    written = data & sequence.numbered & (sequence.serial != "")
    counting = None
    if written.any() and (sequence.numbered | ~data).all() and wanted != "rows":
        counting = _rising(sequence.number[written])
    if counting is not None:
        numbers, distinct = counting
        first = int(numbers[0])
        part = np.zeros(n, dtype=np.int64)
        part[written] = numbers - first + 1
        gaps = int(part.max(initial=0)) - distinct
        words = f"part numbers count the parts, {sequence.serial[written][0]} being the first"
        words += f"; {gaps} between them were ground and not measured" if gaps else ""
        return Parts(part, sequence.serial, True, first), words
    if wanted == "serial":
        raise UnreadableRun(
            "numbering = 'serial' is set in the plan, but the part column does not hold whole"
            " numbers that rise; set numbering = 'rows' or 'auto' under [reading]"
        )
    part, serial = _by_rows(sequence, written)
    why = "as the plan says" if wanted == "rows" else _why_rows(sequence, written)
    return Parts(part, serial, False, 1), f"rows count the parts 1, 2, 3 ... ({why})"


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
    """Number the rows; a part number seen before keeps its number."""
    n = len(sequence)
    codes = np.full(n, -1, dtype=np.int64)
    if written.any():
        codes[written] = pd.factorize(sequence.serial[written])[0]
    offset = int(codes.max(initial=-1)) + 1
    bare = (sequence.kind == DATA) & ~sequence.numbered
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
    lost = np.flatnonzero(sequence.kind == REFUSED)
    unfinished = [
        sequence.sheets[int(sequence.sheet[at])].table.state[sequence.row[at]] == UNFINISHED
        for at in lost.tolist()
    ]
    return lost[~np.array(unfinished, dtype=bool)]


def _groups_without_numbers(sequence: Sequence, bare: NDArray[np.bool_]) -> Ints:
    """Rows of a long file belong to one part until a feature comes again."""
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
        group[own] = own[np.maximum.accumulate(np.where(step, np.arange(len(own)), 0))]
    return group


def _by_first_row(streams: list[Stream], sequence: Sequence, number: int) -> list[Stream]:
    places = sequence.places[number]
    return sorted(streams, key=lambda s: int(places[s.rows].min()) if len(s.rows) else 0)


def mark_repeats(
    sequence: Sequence, parts: Parts, plan: Plan, *, reground: bool
) -> dict[tuple[int, int, int], int]:
    """
    Tell repeats from questions.

    Parameters
    ----------
    sequence : Sequence
        Rows that raise a question are marked as refused in it, with the reason in their sheet.
    parts : Parts
        Of the rows.
    plan : Plan
        Says whether repeats are kept or asked about.
    reground : bool
        Whether the run has a regrind event, after which old numbers come again.

    Returns
    -------
    dict
        First repeat of (sheet, stream, position) where it is not 0.
    """
    rows = _rows_of_parts_seen_twice(sequence, parts)
    ordinal = np.cumsum(sequence.kind == DATA)
    last: dict[tuple[int, str], int] = {}
    used: dict[tuple[int, str], int] = {}
    base: dict[tuple[int, int, int], int] = {}
    cells = _cells_of(sequence, rows)
    for at in rows.tolist():
        part, own = int(parts.part[at]), cells[at]
        names = list(dict.fromkeys(name for _, name in own))
        again = [name for name in names if (part, name) in last]
        far = [n for n in again if ordinal[at] - ordinal[last[part, n]] > FAR_APART]
        if again and ((far and not reground) or plan.reading.repeats == "ask"):
            earlier = last[part, (far or again)[0]]
            _ask(sequence, at, earlier, parts, bool(far))
            continue
        for number, name in own:
            if (part, name) in used:
                base[int(sequence.sheet[at]), number, at] = used[part, name]
        for name in names:
            width = max(_places(sequence, at, name), 1)
            used[part, name] = used.get((part, name), 0) + width
            last[part, name] = at
    return base


def _places(sequence: Sequence, at: int, name: str) -> int:
    sheet = sequence.sheets[int(sequence.sheet[at])]
    return 1 if sheet.layout.long else sum(c.feature == name for c in sheet.layout.readings)


def _rows_of_parts_seen_twice(sequence: Sequence, parts: Parts) -> Ints:
    data = np.flatnonzero((sequence.kind == DATA) & (parts.part > 0))
    numbers = parts.part[data]
    if (np.diff(numbers) > 0).all():
        return data[:0]
    return data[pd.Series(numbers).duplicated(keep=False).to_numpy()]


def _cells_of(sequence: Sequence, rows: Ints) -> dict[int, list[tuple[int, str]]]:
    """Streams with a reading, taken or refused, in each of the rows."""
    cells: dict[int, list[tuple[int, str]]] = {int(at): [] for at in rows}
    wanted = np.zeros(len(sequence), bool)
    wanted[rows] = True
    for number, sheet in enumerate(sequence.sheets):
        for order, stream in enumerate(sheet.streams):
            places = sequence.places[number][stream.rows]
            hits = places[(stream.state != BLANK) & wanted[places]]
            for at in hits.tolist():
                cells[at].append((order, stream.target.feature.name))
    return cells


def _ask(sequence: Sequence, at: int, earlier: int, parts: Parts, far: bool) -> None:
    sheet = sequence.sheets[int(sequence.sheet[at])]
    sequence.kind[at] = REFUSED
    where = f"row {sequence.line(earlier)}"
    if sequence.sheet[at] != sequence.sheet[earlier]:
        where += f" of {sequence.sheets[int(sequence.sheet[earlier])].name}"
    sheet.lines.reasons[int(sequence.row[at])] = (
        f"question: part {parts.serial[at]} was already measured in {where};"
        + (" measured again, ground again (add a regrind event) or mistyped?" if far else
           " the plan asks before repeats are taken")
    )  # fmt: skip
