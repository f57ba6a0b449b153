"""Events of a run: rows in the measurement file, or a file of their own."""

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
import pandas as pd

from spc.errors import BadQuantity, UnreadableRun
from spc.intake import words
from spc.intake.cells import UM
from spc.intake.columns import Layout, Lexicon
from spc.intake.decoding import Given, Text, read_text
from spc.intake.dialect import SEPARATORS
from spc.intake.last_line import settle_last_line
from spc.intake.lines import whole_number
from spc.intake.quarantine import shortened
from spc.intake.readings import text_column
from spc.intake.table import LONG, UNCLOSED, UNFINISHED, Table, tabulate
from spc.intake.times import NOTHING, Stamps, read_times, to_utc
from spc.intake.tokens import read_record
from spc.plan import Machine, Plan
from spc.remarks import QUESTION
from spc.run import EVENT_COLUMNS
from spc.units import read_quantity

Get = Callable[[str], str]
# Events this many parts behind the last measured one are mistyped. Own choice.
_FURTHEST = 10_000
# No control moves by less than this share of its smallest step. Own choice.
_NO_MOVE = 0.1
# What exports write where there is no amount.
_NO_AMOUNT = frozenset(("nan", "none", "null", "na", "nil", "-", "--", "---"))


@dataclass(frozen=True)
class Event:
    """One event, before or after it found its part."""

    after_part: int
    time: np.datetime64
    kind: str
    amount_um: float
    minutes: float
    note: str
    source: str
    row: int


@dataclass(frozen=True)
class Places:
    """
    Where the parts of the measurements are.

    Attributes
    ----------
    of_serial : callable
        The part with a part number; None when it is not known.
    before : callable
        The last part at or before a time.
    last : int
        The last part measured.
    first_number : int
        Part number of the first one, where part numbers count the parts; else 1.
    """

    of_serial: Callable[[str], int | None]
    before: Callable[[np.datetime64], int]
    last: int
    first_number: int = 1


def event_of(
    get: Get, units: dict[str, str | None], machine: Machine, *, place: str, remarks: list[str]
) -> tuple[str, float, float, str]:
    """
    Kind, amount, minutes and note of one row.

    Parameters
    ----------
    get : callable
        The text of a role's cell in this row, "" where there is none.
    units : dict
        Units in the headers, by role.
    machine : Machine
        How the control wants moves typed.
    place : str
        File and row, for errors.
    remarks : list of str
        Grows by what could not be read.

    Raises
    ------
    UnreadableRun
        For an offset without an amount, or with two that contradict each other.
    """
    written = get("event")
    kind = words.event_kind(written)
    note = get("note")
    if kind is None:
        kind, note = "note", f"{written}: {note}" if note else written
        remarks.append(
            f"{QUESTION}{place}: event {shortened(written, 40)!r} is not known and kept as a note"
            + _meant(written)
        )
    try:
        amount = _amount(get, units, machine, place)
    except BadQuantity as error:
        amount, kept = float("nan"), "kept without it"
        if kind == "offset":
            # How far it moved is unknown, so that nothing can be computed from it.
            said = shortened(f"{written} {get('amount_um') or get('typed')}", 60)
            kind, note, kept = "note", f"{said}: {note}" if note else said, "kept as a note"
        remarks.append(
            f"{QUESTION}{place}: the amount of {shortened(written, 40)!r} cannot be read: {error};"
            f" the event is {kept}"
        )
    if kind == "offset" and np.isnan(amount):
        raise UnreadableRun(
            f"{place}: an offset without an amount; write it under amount_um (on diameter, + makes"
            " parts bigger) or under typed (as typed on the control)"
        )
    if kind == "offset" and 0 < abs(amount) < _NO_MOVE * machine.offset_step_um:
        seen = get("amount_um") or get("typed")
        remarks.append(
            f"{QUESTION}{place}: the offset {shortened(seen, 30)!r} is taken as {amount:g} µm, far"
            f" below the smallest move of the machine, {machine.offset_step_um:g} µm; is it in mm?"
        )
    if kind == "offset" and abs(amount) > machine.max_offset_um:
        remarks.append(
            f"{QUESTION}{place}: an offset of {amount:+g} µm is more than the largest move of the"
            f" plan, {machine.max_offset_um:g} µm; is it right?"
        )
    return kind, amount, _minutes(get("minutes"), place, remarks), note


def _meant(written: str) -> str:
    """The known word of an event that a mistyped one is nearest to."""
    near = get_close_matches(words.key(written), words.EVENTS, n=1, cutoff=0.75)
    return f"; was {words.EVENTS[near[0]]!r} meant?" if near else ""


def _amount(get: Get, units: dict[str, str | None], machine: Machine, place: str) -> float:
    plain, typed = (
        "" if words.key(text) in _NO_AMOUNT else text for text in (get("amount_um"), get("typed"))
    )
    amounts = []
    if plain:
        amounts.append(_um(plain, units.get("amount_um") or "um"))
    if typed:
        um = _um(typed, units.get("typed") or machine.offset_unit)
        um *= 2 if machine.offset_entry == "radius" else 1
        amounts.append(um if machine.offset_sign == "+bigger" else -um)
    if len(amounts) == 2 and abs(amounts[0] - amounts[1]) > 0.05:
        raise UnreadableRun(
            f"{place}: amount_um says {amounts[0]:g} µm, but typed {typed!r} means"
            f" {amounts[1]:g} µm on this control; correct one of them"
        )
    return amounts[0] + 0.0 if amounts else float("nan")


def _um(text: str, unit: str) -> float:
    quantity = read_quantity(text)
    return float(quantity.value * UM[quantity.unit or unit])


def _minutes(text: str, place: str, remarks: list[str]) -> float:
    if not text:
        return float("nan")
    try:
        minutes = float(read_quantity(text.casefold().removesuffix("min").strip()).value)
    except BadQuantity:
        remarks.append(f"{place}: minutes {shortened(text, 30)!r} cannot be read and are left out")
        return float("nan")
    if minutes < 0:
        remarks.append(f"{place}: minutes {shortened(text, 30)!r} are negative and are left out")
        return float("nan")
    return minutes


def read_events_file(
    given: Given,
    plan: Plan,
    places: Places,
    remarks: list[str],
) -> list[Event]:
    """
    The events in a file of their own.

    Parameters
    ----------
    given : str or path
        The file.
    plan : Plan
        Of the job.
    places : Places
        Where the parts are.
    remarks : list of str
        Grows by what the page must say.

    Raises
    ------
    UnreadableRun
        When the file has no event column, or an event has no place.
    """
    text = read_text(given, code_page=plan.reading.code_page)
    lexicon = Lexicon(plan)
    layout, separator, end, lines = _event_header(text, lexicon)
    table = tabulate(
        text.data,
        offset=min(len("\n".join(lines[:end]).encode()) + 1, len(text.data)),
        line=end + 1,
        separator=separator,
        width=len(layout.columns),
        finished=text.finished,
    )
    remarks += [f"{text.name}: {r}" for r in settle_last_line(table, layout, separator, "")[0]]
    times = _event_times(text, table, layout, plan)
    first = _first_counted(text, table, layout, places, remarks)
    return [
        event
        for row in range(len(table))
        if (event := _event(text, table, layout, plan, times, row, places, first, remarks))
    ]


def _first_counted(
    text: Text, table: Table, layout: Layout, places: Places, remarks: list[str]
) -> int:
    """
    What ``after_part`` calls the first part: its part number as written, or 1.

    Both are written by shops. Numbers that reach the first part number are such numbers; those
    that all stay below it can only count the parts of the file.
    """
    column, first = layout.of("after_part"), places.first_number
    if column is None:
        return 1
    highest = max((whole_number(table.text(r, column.index)) for r in range(len(table))), default=0)
    if highest < first:
        return 1
    if first > 1 and highest <= places.last:
        remarks.append(
            f"{QUESTION}{text.name}: {column.header!r} is taken for part numbers as written, of"
            f" which {first} is the first; give them under part if they count the parts instead"
        )
    return first


def _event_header(text: Text, lexicon: Lexicon) -> tuple[Layout, str, int, list[str]]:
    lines = text.data.decode("utf-8", "replace").split("\n")
    for at in range(min(len(lines), 200)):
        for separator in SEPARATORS:
            fields, taken = read_record(lines.__getitem__, at, len(lines), separator)
            columns = tuple(lexicon.column(i, f) for i, f in enumerate(fields or []))
            layout = Layout(columns, long=False)
            placed = any(layout.of(r) for r in ("after_part", "part", "time", "date"))
            if layout.of("event") and placed:
                return layout, separator, at + taken, lines
    raise UnreadableRun(
        f"{text.name}: no event column; a file of events needs the columns event and one of"
        " after_part, part or time"
    )


def _event_times(text: Text, table: Table, layout: Layout, plan: Plan) -> Stamps:
    date, clock = layout.of("date"), layout.of("clock") or layout.of("time")
    column = date or layout.of("time")
    if column is None:
        return np.full(len(table), NOTHING)
    times = read_times(
        text_column(table, column.index),
        text_column(table, clock.index) if column is date and clock is not None else None,
        day_first=plan.reading.day_first,
        date_system=plan.reading.date_system,
        utc="utc" in column.header.casefold(),
        place=f"{text.name}, column {column.header!r}",
    )
    if times.clock_only:
        return np.full(len(table), NOTHING)
    return to_utc(times.local, times.offset, plan.zone)[0]


def _event(
    text: Text,
    table: Table,
    layout: Layout,
    plan: Plan,
    times: Stamps,
    row: int,
    places: Places,
    first: int,
    remarks: list[str],
) -> Event | None:
    place = f"{text.name}, row {table.line[row]}"
    if table.state[row] in (LONG, UNCLOSED, UNFINISHED):
        what = {LONG: "has too many fields", UNCLOSED: "has a quote that is not closed"}
        raise UnreadableRun(
            f"{place}: the line {what.get(int(table.state[row]), 'has no line end')}:"
            f" {shortened(table.record(row))!r}; mend it, since no event may be lost"
        )

    def get(role: str) -> str:
        column = layout.of(role)
        return table.text(row, column.index) if column is not None else ""

    if words.key(get("event")) in words.NO_EVENT:
        return None
    units = {c.role: c.unit for c in layout.columns}
    kind, amount, minutes, note = event_of(get, units, plan.machine, place=place, remarks=remarks)
    after = _after(get, times[row], place, places, first)
    return Event(after, times[row], kind, amount, minutes, note, text.name, int(table.line[row]))


def _after(get: Get, time: np.datetime64, place: str, places: Places, first: int) -> int:
    if get("after_part"):
        try:
            after = read_quantity(get("after_part")).value
        except BadQuantity as error:
            raise UnreadableRun(f"{place}: after_part: {error}") from None
        if after != int(after) or after < 0:
            raise UnreadableRun(
                f"{place}: after_part is {get('after_part')!r}; write the whole number of the part"
                " before the event, 0 for none"
            )
        if after - first + 1 > places.last + _FURTHEST:
            raise UnreadableRun(
                f"{place}: after_part is {int(after)}, but the last part measured is"
                f" {places.last + first - 1}; write the part number as in the measurements"
            )
        return max(0, int(after) - first + 1)
    if get("part"):
        part = places.of_serial(get("part"))
        if part is None:
            raise UnreadableRun(
                f"{place}: part {get('part')!r} is not in the measurements; give after_part instead"
            )
        return part
    if np.isnat(time):
        raise UnreadableRun(
            f"{place}: nothing says when the event was; give after_part, part or time"
        )
    return places.before(time)


def counted_once(told: list[list[Event]], remarks: list[str]) -> list[Event]:
    """
    The events of several files, those that two of them tell counted once.

    Parameters
    ----------
    told : list of list of Event
        The events of each file.
    remarks : list of str
        Grows by how many were told twice.
    """
    kept: list[Event] = []
    for events in told:
        before, again = list(kept), []
        for event in events:
            same = next((at for at, e in enumerate(before) if _same(e, event)), None)
            if same is None:
                kept.append(event)
            else:
                # Each match is used up: two equal moves in one file were entered twice.
                again.append((event, before.pop(same)))
        if again:
            event, first = again[0]
            remarks.append(
                f"{event.source}: {len(again)} of {len(events)} events stand in {first.source} too"
                f" and count once; the first is {event.kind!r} in row {event.row}"
            )
    return kept


def _same(one: Event, other: Event) -> bool:
    if one.kind != other.kind:
        return False
    timed = not (np.isnat(one.time) or np.isnat(other.time))
    # A part measured in the minute of the event may stand on either side of it.
    if one.time != other.time if timed else one.after_part != other.after_part:
        return False
    if one.kind == "note" and one.note != other.note:
        return False
    numbers = zip((one.amount_um, one.minutes), (other.amount_um, other.minutes), strict=True)
    return all(a == b or (np.isnan(a) and np.isnan(b)) for a, b in numbers)


def events_frame(events: list[Event]) -> pd.DataFrame:
    """Events as the table of the contract, in the order of the parts."""
    by_time = all(not np.isnat(event.time) for event in events)
    ordered = sorted(events, key=lambda e: (e.after_part, e.time) if by_time else (e.after_part,))
    frame = pd.DataFrame({name: [getattr(e, name) for e in ordered] for name in EVENT_COLUMNS})
    stamps = np.array([e.time for e in ordered], dtype="datetime64[us]")
    frame["time"] = pd.DatetimeIndex(stamps).tz_localize("UTC")
    whole, number, text = np.int64, np.float64, "str"
    return frame.astype(
        {"after_part": whole, "row": whole, "amount_um": number, "minutes": number}
        | {"kind": text, "note": text, "source": text}
    )
