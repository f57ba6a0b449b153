"""
From a run that was read from files to entries: every row once, whatever is imported again.

What makes a row itself is told by `identity`, which files have grown from which by `sources`.
"""

import json
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from functools import cache
from operator import itemgetter
from typing import Any

from sqlalchemy import or_, select, text

from spc.ledger.entry import Entry, Stored, number, storable, whole
from spc.ledger.identity import Placed, Stands, place
from spc.ledger.matching import Held
from spc.ledger.sources import FileMark, Files
from spc.ledger.store import LedgerRun, Reader, Writer
from spc.ledger.tables import entries
from spc.ledger.told import Told, micros
from spc.plan import Plan
from spc.remarks import QUESTION
from spc.run import Run

#: Readings at the end of a run that show whether its part numbers count. Own choice.
_LOOKED_AT = 50
#: Readings at the end of a run that show whether its numbers come round. Own choice: five rounds
#: of forty places.
_ROUNDS_SEEN = 200
#: Part numbers that are asked for one by one; with more, the whole run is looked at. Own choice.
_ONE_BY_ONE = 500

Row = tuple[Any, ...]
_PART = itemgetter(1)
Key = tuple[object, ...]


@dataclass(frozen=True)
class Imported:
    """
    What became of the rows: stored, known already, or contradicted by what is stored.

    `questions` are what the reader asks about the files, and what the ledger asks about their rows.
    """

    readings: int = 0
    events: int = 0
    rejects: int = 0
    known: int = 0
    questions: tuple[str, ...] = ()


def store_run(
    writer: Writer,
    into: LedgerRun,
    read: Run,
    marks: Mapping[str, FileMark] | None = None,
    *,
    who: str = "import",
    plan: Plan | None = None,
) -> Imported:
    """
    Add a run read from files to a run of the ledger.

    Parameters
    ----------
    writer : Writer
        Inside one transaction: all of it is stored, or nothing.
    into : LedgerRun
        The run it belongs to.
    read : Run
        As read from the files.
    marks : mapping of FileMark, optional
        The files by the name of their source.
    who : str
        Role of whoever imports.
    plan : Plan, optional
        What it says of part numbers, repeats and the zone of times.

    Raises
    ------
    UnreadableRun
        When most rows contradict what is stored, or part numbers begin before the run's first.
    """
    told = Told(read)
    files = Files(writer, into, read, marks or {})
    there = _stands(writer, into, told, files)
    placed = place(
        told,
        there,
        files.families,
        run=into.name,
        reground=cache(lambda: _reground(writer, into, read)),
        ask=plan is not None and plan.reading.repeats == "ask",
        auto=plan is None or plan.reading.numbering == "auto",
    )
    numbers = files.add(writer)
    events = _events(read, placed, there, numbers, who, lambda time: _part_at(writer, into, time))
    heard = _heard(writer, into, events)
    unseen = {numbers[name] for name in _unseen(told, placed, files)}
    events = _unheard(events, heard, unseen, plan.zone if plan else UTC)
    asked = [_question(told, at, placed.part[at], note) for at, note in placed.questions]
    rejects = [*_rejects(read, numbers, who), *asked]
    refused = _entries(writer, into, "reject") if rejects else []
    rejects = _unasked(rejects, refused, files.of_kin)
    receipt = Entry("import", who=who, text=_receipt(read, placed.elsewhere, files))
    rows = [receipt.row_values(), *_merged(list(_fresh(told, placed, numbers, who)), events)]
    rows += [entry.row_values() for entry in rejects]
    writer.append_rows(into.id, rows)
    return Imported(
        len(placed.fresh),
        len(events),
        len(rejects),
        placed.known,
        (
            *(remark for remark in read.remarks if remark.startswith(QUESTION)),
            *(question.note for question in asked),
        ),
    )


# --- what the ledger says -----------------------------------------------------------------------


def _stands(reader: Reader, run: LedgerRun, told: Told, files: Files) -> Stands:
    """What is stored that rows of the files could be the same as."""
    last_part = reader.last_part(run.id)
    if not last_part or not len(told):
        return Stands(last_part)
    ahead = _counted_ahead(reader, run)
    found: dict[int, Held] = {}
    if told.first_number is not None and ahead is not None:
        reach = [told.number(at) - ahead for at in (0, -1)]
        found |= _held(reader, run, text(f"part BETWEEN {min(reach)} AND {max(reach)}"))
    else:
        serials = {serial for at in range(len(told)) if (serial := told.own_serial(at))}
        times = [time for at in range(len(told)) if (time := told.own_time(at)) is not None]
        if serials:
            few = len(serials) <= _ONE_BY_ONE
            found |= _held(reader, run, entries.c.serial.in_(serials) if few else text("true"))
        if times:
            found |= _held(reader, run, text(f"time BETWEEN {min(times)} AND {max(times)}"))
    if files.kin:
        found |= _held(reader, run, entries.c.source.in_(files.kin))
    bare: dict[int, Held] = {}
    if any(told.bare(at) for at in range(len(told))):
        bare = _held(reader, run, entries.c.source.in_(files.by_place(reader)))
    return Stands(
        last_part, _newest_time(reader, run), ahead, _by_line(found), _by_line(bare),
        _recent(reader, run),
    )  # fmt: skip


def _by_line(found: Mapping[int, Held]) -> list[Held]:
    return [found[line] for line in sorted(found)]


def _held(reader: Reader, run: LedgerRun, where: Any) -> dict[int, Held]:
    c = entries.c
    query = select(c.line, c.part, c.serial, c.time, c.what, c.value, c.source, c.row)
    query = query.where(c.run == run.id, c.kind == "reading", where)
    return {line: Held(*rest) for line, *rest in reader.connection.execute(query)}


def _counted_ahead(reader: Reader, run: LedgerRun) -> int | None:
    """By how much part numbers run ahead of the count; None where they do not count the parts."""
    own = f"SELECT serial, part FROM entries WHERE {{run}} = {run.id} AND kind = 'reading' ORDER BY"
    found: set[int | None] = set()
    for query in (
        own.format(run="run") + " part LIMIT 1",
        # The sign keeps SQLite from sorting a run's whole index for its last few lines.
        own.format(run="+run") + f" line DESC LIMIT {_LOOKED_AT}",
    ):
        for serial, part in reader.connection.exec_driver_sql(query):
            written = whole(serial)
            found.add(None if written is None else written - part)
    return found.pop() if len(found) == 1 else None


def _recent(reader: Reader, run: LedgerRun) -> list[tuple[str, str, float]]:
    """Part number or place, feature and deviation of the last readings, in the order stored."""
    rows = reader.connection.exec_driver_sql(
        f"SELECT serial, text, what, value FROM entries WHERE +run = {run.id} "
        f"AND kind = 'reading' ORDER BY line DESC LIMIT {_ROUNDS_SEEN}"
    )
    return [(serial or place, what, value) for serial, place, what, value in rows][::-1]


def has_part_numbers(reader: Reader, run: LedgerRun) -> bool:
    """Whether part numbers tell the last parts of a run that came from files apart."""
    rows = reader.connection.exec_driver_sql(
        f"SELECT serial FROM entries WHERE +run = {run.id} AND kind = 'reading' "
        f"AND source IS NOT NULL ORDER BY line DESC LIMIT {_LOOKED_AT}"
    )
    return any(serial for (serial,) in rows)


def _newest_time(reader: Reader, run: LedgerRun) -> int | None:
    own = (entries.c.run == run.id, entries.c.kind == "reading", entries.c.time.is_not(None))
    newest = select(entries.c.time).where(*own).order_by(entries.c.time.desc()).limit(1)
    return reader.connection.execute(newest).scalar_one_or_none()


def _part_at(reader: Reader, run: LedgerRun, time: int) -> int:
    """The last part that was measured at or before a time; 0 for none."""
    own = (entries.c.run == run.id, entries.c.kind == "reading", entries.c.time <= time)
    latest = select(entries.c.part).where(*own)
    latest = latest.order_by(entries.c.time.desc(), entries.c.part.desc()).limit(1)
    return reader.connection.execute(latest).scalar_one_or_none() or 0


def _reground(reader: Reader, run: LedgerRun, read: Run) -> bool:
    """Whether parts were ground again, by these files or before."""
    if "regrind" in read.events["kind"].tolist():
        return True
    own = (entries.c.run == run.id, entries.c.kind == "event", entries.c.what == "regrind")
    return (
        reader.connection.execute(select(entries.c.line).where(*own).limit(1)).first() is not None
    )


def _heard(reader: Reader, run: LedgerRun, told: Sequence[Entry]) -> list[Stored]:
    """The events that are stored where those told of stand."""
    if not told:
        return []
    parts = [event.part for event in told]
    times = [event.time for event in told if event.time is not None]
    near = [entries.c.part.between(min(parts), max(parts))]
    if times:
        near.append(entries.c.time.between(min(times), max(times)))
    return _entries(reader, run, "event", or_(*near))


def _entries(reader: Reader, run: LedgerRun, kind: str, *where: Any) -> list[Stored]:
    """Entries of a kind, taken back or not: what was taken back does not come again."""
    query = select(*entries.columns[:-1]).where(entries.c.run == run.id, entries.c.kind == kind)
    query = query.where(*where)
    rows = reader.connection.execute(query.order_by(entries.c.line))
    return [Stored.of(tuple(row)) for row in rows]


# --- readings -----------------------------------------------------------------------------------


def _fresh(told: Told, placed: Placed, numbers: Mapping[str, int], who: str) -> Iterator[Row]:
    """The readings to be stored, in the order of the files."""
    for at in placed.fresh:
        # A number that only counts rows is not one that was written.
        serial = told.own_serial(at)
        yield (
            "reading", placed.part[at], serial, told.time[at], told.feature[at], told.value[at],
            told.size[at], told.decimals[at], placed.repeat[at], None, told.place(at), "",
            numbers[told.source[at]], told.row[at], None, told.who[at] or who, told.gauge[at],
            told.celsius[at],
        )  # fmt: skip


def _question(told: Told, at: int, part: int, note: str) -> Entry:
    seen = f"{told.source[at]}, row {told.row[at]}: {told.value[at]:+.2f} µm"
    serial, time, feature = told.serial[at], told.time[at], told.feature[at]
    return Entry("reject", part, serial, time, feature, text=seen, note=note)


# --- events -------------------------------------------------------------------------------------


def _events(
    read: Run,
    placed: Placed,
    there: Stands,
    numbers: Mapping[str, int],
    who: str,
    part_at: Callable[[int], int],
) -> list[Entry]:
    times = micros(read.events["time"])
    told = []
    for event, time in zip(read.events.itertuples(), times, strict=True):
        after = int(event.after_part)
        part = placed.after(after, there.last_part)
        if there.last_part and time is not None and not placed.reaches(after):
            # Before the first row of these files, the clock knows better among what is stored.
            part = min(part, part_at(time))
        told.append(
            Entry(
                "event",
                part,
                time=time,
                what=str(event.kind),
                value=number(event.amount_um),
                minutes=number(event.minutes),
                note=storable(str(event.note)),
                source=numbers[str(event.source)],
                row=int(event.row),
                who=who,
            )
        )
    return told


def _unseen(told: Told, placed: Placed, files: Files) -> set[str]:
    """Files of which no reading is stored yet: what they tell is news, however alike."""
    return {
        name for name in {*told.source} if not placed.overlap[name] and not files.families[name]
    }


def _unheard(
    told: list[Entry], heard: Sequence[Stored], unseen: set[int], zone: tzinfo
) -> list[Entry]:
    """The events that are not stored yet, each stored one being used up by one that is the same."""
    stored: dict[Key, list[int]] = {}
    for nth, entry in enumerate(heard):
        for timed in (True, False):
            stored.setdefault(_event_key(entry, timed), []).append(nth)
    used: set[int] = set()
    new = []
    for event in told:
        timed = _is_moment(event.time, zone)
        there = [n for n in stored.get(_event_key(event, timed), ()) if n not in used]
        if there and (timed or event.source not in unseen):
            used.add(there[0])
        else:
            new.append(event)
    return new


def _event_key(entry: Entry, timed: bool) -> Key:
    # A part measured in the minute of the event may stand on either side of it.
    when = ("at", entry.time) if timed else ("after", entry.part)
    return *when, entry.what, entry.value, entry.minutes, entry.note


def _is_moment(time: int | None, zone: tzinfo) -> bool:
    """Whether a time tells an event apart; midnight is how a day without a clock is read."""
    if time is None:
        return False
    local = datetime.fromtimestamp(time / 1e6, zone)
    return bool(local.hour or local.minute or local.second)


def _merged(readings: list[Row], events: list[Entry]) -> Iterator[Row]:
    """Readings and events in the order in which an adviser is told of them."""
    readings = sorted(readings, key=_PART)
    parts = [row[1] for row in readings]
    begin = 0
    for event in sorted(events, key=lambda e: e.part):
        end = bisect_right(parts, event.part)
        yield from readings[begin:end]
        yield event.row_values()
        begin = max(begin, end)
    yield from readings[begin:]


# --- rejects and the receipt --------------------------------------------------------------------


def _rejects(read: Run, numbers: Mapping[str, int], who: str) -> list[Entry]:
    return [
        Entry(
            "reject",
            what=storable(str(reject.column)),
            text=storable(str(reject.text)),
            note=storable(str(reject.reason)),
            source=numbers[str(reject.source)],
            row=int(reject.row),
            who=who,
        )
        for reject in read.rejects.itertuples()
    ]


def _unasked(
    told: Sequence[Entry], stored: Sequence[Stored], of_kin: Mapping[int, int]
) -> list[Entry]:
    """The rejects that do not stand there yet, of the same row of a file as it grew."""
    left = Counter(_reject_key(entry, of_kin) for entry in stored)
    new = []
    for reject in told:
        key = _reject_key(reject, of_kin)
        if left[key]:
            left[key] -= 1
        else:
            new.append(reject)
    return new


def _reject_key(entry: Entry, of_kin: Mapping[int, int]) -> Key:
    if entry.source is None:
        # What contradicts the ledger is the same question whichever file asks it.
        return entry.part, entry.serial, entry.time, entry.what, entry.note
    source = of_kin.get(entry.source, entry.source)
    return source, entry.row, entry.serial, entry.what, entry.text, entry.note


def _receipt(read: Run, elsewhere: int, files: Files) -> str:
    """What the reader said of the files, for the report."""
    told = {
        "account": {**read.account, "elsewhere": elsewhere},
        "remarks": list(read.remarks),
        "sources": [[s.name, s.sha256, s.lines, s.rows_by] for s in read.sources],
        "files": [list(row) for row in files.rows],
        "grown": sorted(files.kin),
    }
    return json.dumps(told, ensure_ascii=False)
