"""Events that stand in the rows of measurement files, behind the part of their row."""

import numpy as np
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.csv_file import Sheet
from spc.intake.events import Event, event_of
from spc.intake.lines import EVENT, SAME, SKIPPED, SUMMARY
from spc.intake.parts import Parts
from spc.intake.sequence import Sequence
from spc.intake.table import LONG, UNCLOSED, UNFINISHED
from spc.plan import Plan
from spc.remarks import QUESTION

Ints = NDArray[np.int64]


def events_in_rows(
    sequence: Sequence, parts: Parts, plan: Plan, remarks: list[str]
) -> list[list[Event]]:
    """The events of all files, and apart from them those of each that repeats rows of another."""
    told: list[Event] = []
    found = [told]
    part = parts.part.copy()
    for at, earlier in sequence.same_as.items():
        part[at] = part[earlier]
    for number, sheet in enumerate(sequence.sheets):
        layout, own = sheet.layout, np.sort(sequence.places[number])
        units = {c.role: c.unit for c in layout.columns}
        rows = np.flatnonzero(sheet.lines.has_event)
        repeats = bool((sequence.kind[own] == SAME).any())
        events: list[Event] = [] if repeats else told
        if repeats:
            found.append(events)
        before = _parts_before(part, own, repeats)
        for at in np.sort(sequence.places[number][rows]).tolist():
            row = int(sequence.row[at])
            broken = sheet.table.state[row] in (LONG, UNCLOSED, UNFINISHED)
            copied = sheet.lines.reasons.get(row, "").startswith(QUESTION)
            if broken or copied or sequence.kind[at] in (SAME, SKIPPED, SUMMARY):
                continue

            def get(role: str, row: int = row, sheet: Sheet = sheet) -> str:
                column = sheet.layout.of(role)
                return sheet.table.text(row, column.index) if column is not None else ""

            place = f"{sheet.name}, row {sheet.table.line[row]}"
            kind, amount, minutes, note = event_of(
                get, units, plan.machine, place=place, remarks=remarks
            )
            after = int(parts.part[at]) or _own_part(sequence, parts, at) or before[at]
            events.append(
                Event(after, sequence.utc[at], kind, amount, minutes, note, sheet.name,
                      int(sheet.table.line[row]))
            )  # fmt: skip
    return found


def _parts_before(part: Ints, own: Ints, repeats: bool) -> dict[int, int]:
    """The part that an event in each row of one file stands after."""
    last = int(part[: own[0]].max(initial=0)) if len(own) else 0
    first = int(part[own][part[own] > 0][:1].sum())
    # A file that repeats rows of another begins before the end of that one.
    begin = min(last, max(0, first - 1)) if repeats else last
    return dict(zip(own.tolist(), np.maximum(np.maximum.accumulate(part[own]), begin), strict=True))


def _own_part(sequence: Sequence, parts: Parts, at: int) -> int | None:
    serial = str(sequence.serial[at])
    return parts.of_serial(serial) if serial and sequence.kind[at] == EVENT else None


def part_at(sequence: Sequence, parts: Parts, time: np.datetime64) -> int:
    """The last part measured at or before a time; 0 for none."""
    known = (parts.part > 0) & ~np.isnat(sequence.utc)
    if not known.any():
        raise UnreadableRun(
            "the events have times, but the measurements have none; give after_part instead"
        )
    earlier = known & (sequence.utc <= time)
    return int(parts.part[earlier].max(initial=0))
