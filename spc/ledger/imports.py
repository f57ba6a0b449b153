"""
From a run that was read from files to entries: every row once, whatever is imported again.

A file is known by its hash. A row is known by its part number, time and feature; rows without a
part number by their time; rows with neither by their place in a file that has grown.
"""

import json
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select

from spc.errors import UnreadableRun
from spc.ledger.entry import Entry, Stored, number, storable, whole
from spc.ledger.store import LedgerRun, Writer
from spc.ledger.tables import sources
from spc.ledger.told import Key, Told, micros
from spc.run import Run, Source

#: A part measured again this many parts later is a question; the same reach as within a file.
FAR_APART = 20
#: Share of contradicted rows from which the whole import is refused. Own choice.
MOSTLY = 0.5
#: Readings this far apart are not the same number written twice. [µm]
SAME_UM = 1e-6

Row = tuple[Any, ...]


@dataclass(frozen=True)
class FileMark:
    """A file as it is now: its name, size and hash, and how much of an earlier one it begins with.

    `grown_from` is the hash of the version already in the ledger, when this one only adds to it.
    """

    name: str
    sha256: str
    size: int
    grown_from: str | None = None


@dataclass(frozen=True)
class Imported:
    """What became of the rows: stored, known already, or contradicted by what is stored."""

    readings: int = 0
    events: int = 0
    rejects: int = 0
    known: int = 0
    questions: tuple[str, ...] = ()


@dataclass
class _Known:
    """What the ledger holds where the file reaches."""

    values: dict[Key, tuple[float, int, str]] = field(default_factory=dict)
    counts: dict[tuple[str, int], int] = field(default_factory=dict)
    events: set[Key] = field(default_factory=set)
    rejects: set[Key] = field(default_factory=set)
    last_part: int = 0
    ahead: int | None = None


def known_sources(writer: Writer, run: LedgerRun) -> list[tuple[int, str, str, int, int]]:
    """Files of a run: number, name, hash, bytes, base; the newest last."""
    query = select(
        sources.c.id, sources.c.name, sources.c.sha256, sources.c.bytes, sources.c.base
    ).where(sources.c.run == run.id)
    rows = writer.connection.execute(query.order_by(sources.c.id))
    return [(number, name, sha256, size, base) for number, name, sha256, size, base in rows]


def store_run(
    writer: Writer,
    into: LedgerRun,
    read: Run,
    marks: Mapping[str, FileMark] | None = None,
    *,
    who: str = "import",
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

    Raises
    ------
    UnreadableRun
        When most rows contradict what is stored, or part numbers begin before the run's first.
    """
    told = Told(read)
    known = _known(writer, into, read, told)
    base = _base(told, known, writer, into, read, marks or {})
    placed = told.shifted(base)
    fresh, questions, same, elsewhere = _sorted_out(placed, known, told)
    if questions and len(questions) > MOSTLY * len(placed):
        raise UnreadableRun(
            f"{len(questions)} of {len(placed)} readings contradict run {into.name!r}: "
            f"{questions[0].note}; if parts are numbered anew, begin another run with --run NAME"
        )
    numbers = _add_sources(writer, into, read, marks or {}, base)
    names = {number: name for name, number in numbers.items()}
    events = [e for e in _events(read, base, numbers, who) if _event_key(e) not in known.events]
    rejects = [
        reject
        for reject in (*_rejects(read, numbers, who), *questions)
        if _reject_key(reject, names) not in known.rejects
    ]
    receipt = Entry("import", who=who, text=_receipt(read, elsewhere))
    rows = [receipt.row_values(), *_merged(fresh, events, numbers, who)]
    rows += [entry.row_values() for entry in rejects]
    writer.append_rows(into.id, rows)
    return Imported(
        len(fresh), len(events), len(rejects), same, tuple(question.note for question in questions)
    )


# --- what the ledger says -----------------------------------------------------------------------


def _known(writer: Writer, into: LedgerRun, read: Run, told: Told) -> _Known:
    known = _Known(last_part=writer.last_part(into.id))
    if not known.last_part:
        return known
    known.ahead = writer.serial_ahead(into.id)
    names = {number: name for number, name, *_ in known_sources(writer, into)}
    seen: Counter[Key] = Counter()
    for entry in _near(writer, into, told, known):
        if entry.kind == "reading" and entry.value is not None:
            key = _stored_key(entry, told, names)
            seen[key] += 1
            known.values[(*key, seen[key])] = (
                entry.value,
                entry.part,
                names.get(entry.source or 0, ""),
            )
            place = (entry.what, entry.part)
            known.counts[place] = known.counts.get(place, 0) + 1
        elif entry.kind == "event":
            known.events.add(_event_key(entry))
        elif entry.kind == "reject":
            known.rejects.add(_reject_key(entry, names))
    return known


def _near(writer: Writer, into: LedgerRun, told: Told, known: _Known) -> list[Stored]:
    """The entries that rows of the file could be the same as."""
    if told.numbered and told.part and known.ahead is not None:
        shift = _ahead_of(told) - known.ahead
        return writer.entries_between(
            into.id, parts=(min(told.part) + shift - 1, max(told.part) + shift)
        )
    if told.timed and told.part:
        times = [t for t in told.time if t is not None]
        return writer.entries_between(into.id, times=(min(times), max(times)))
    return writer.entries(into.id)


def _stored_key(entry: Stored, told: Told, names: Mapping[int, str]) -> Key:
    if told.numbered:
        which = () if entry.time is not None else (entry.repeat,)
        return entry.part, entry.what, entry.time, *which
    if told.timed:
        return entry.time, entry.what, entry.repeat
    return names.get(entry.source or 0, ""), entry.row, entry.what, entry.repeat


def _ahead_of(told: Told) -> int:
    written = whole(told.serial[0])
    return 0 if written is None else written - told.part[0]


def _base(
    told: Told,
    known: _Known,
    writer: Writer,
    into: LedgerRun,
    read: Run,
    marks: Mapping[str, FileMark],
) -> int:
    """What to add to the parts of the file to number them as the run does."""
    if not known.last_part:
        return 0
    if told.numbered and told.part and known.ahead is not None:
        shift = _ahead_of(told) - known.ahead
        if min(told.part) + shift < 1:
            raise UnreadableRun(
                f"{told.source[0]}: part {told.serial[0]} comes before the first part of run "
                f"{into.name!r}; import the earlier file first, or name another run with --run"
            )
        return shift
    grown = {mark.grown_from for mark in marks.values() if mark.grown_from}
    for _, _, sha256, _, base in known_sources(writer, into):
        if sha256 in grown:
            return int(base)
    for at in range(len(told) - 1, -1, -1) if told.timed else ():
        found = known.values.get((*told.key(at, 0), 1))
        if found is not None:
            return found[1] - told.part[at]
    return known.last_part


# --- sorting out --------------------------------------------------------------------------------


def _sorted_out(
    placed: Sequence[int], known: _Known, told: Told
) -> tuple[list[Row], list[Entry], int, int]:
    """Rows that are new, questions, how many are known, and how many of those by another file."""
    fresh: list[Row] = []
    questions: list[Entry] = []
    same = elsewhere = 0
    seen: Counter[Key] = Counter()
    for at, part in enumerate(placed):
        repeat = told.repeat[at]
        if known.values or known.counts:
            key = told.key(at, part)
            seen[key] += 1
            found = known.values.get((*key, seen[key]))
            if found is not None and abs(found[0] - told.value[at]) <= SAME_UM:
                same += 1
                elsewhere += found[2] != told.source[at]
                continue
            before = known.counts.get((told.feature[at], part), 0)
            if found is not None or (before and known.last_part - part > FAR_APART):
                questions.append(_question(told, at, part, found))
                continue
            repeat += before
        fresh.append(
            (
                "reading", part, told.serial[at], told.time[at], told.feature[at], told.value[at],
                told.size[at], told.decimals[at], repeat, None, "", "", told.source[at],
                told.row[at], None, told.who[at], told.gauge[at], told.celsius[at],
            )
        )  # fmt: skip
    return fresh, questions, same, elsewhere


def _question(told: Told, at: int, part: int, found: tuple[float, int, str] | None) -> Entry:
    serial, feature, value = told.serial[at], told.feature[at], told.value[at]
    seen = f"{value:+.2f} µm"
    if found is not None:
        note = f"question: {feature} of part {serial} is stored as {found[0]:+.2f} µm, here {seen}"
    else:
        note = f"question: part {serial} was measured long before; measured again or mistyped?"
    place = f"{told.source[at]}, row {told.row[at]}: {seen}"
    return Entry("reject", part, serial, told.time[at], feature, text=place, note=note)


def _event_key(entry: Entry) -> Key:
    return entry.part, entry.what, entry.time, entry.value, entry.minutes, entry.note


def _reject_key(entry: Entry, names: Mapping[int, str]) -> Key:
    source = names.get(entry.source or 0, "")
    return source, entry.row, entry.serial, entry.what, entry.text, entry.note


def _events(read: Run, base: int, numbers: Mapping[str, int], who: str) -> Iterator[Entry]:
    times = micros(read.events["time"])
    for event, time in zip(read.events.itertuples(), times, strict=True):
        # Before the first part of a later file means after the last part of the one before.
        yield Entry(
            "event",
            int(event.after_part) + base,
            time=time,
            what=str(event.kind),
            value=number(event.amount_um),
            minutes=number(event.minutes),
            note=storable(str(event.note)),
            source=numbers.get(str(event.source)),
            row=int(event.row),
            who=who,
        )


def _rejects(read: Run, numbers: Mapping[str, int], who: str) -> list[Entry]:
    return [
        Entry(
            "reject",
            what=storable(str(reject.column)),
            text=storable(str(reject.text)),
            note=storable(str(reject.reason)),
            source=numbers.get(str(reject.source)),
            row=int(reject.row),
            who=who,
        )
        for reject in read.rejects.itertuples()
    ]


def _add_sources(
    writer: Writer, into: LedgerRun, read: Run, marks: Mapping[str, FileMark], base: int
) -> dict[str, int]:
    known = {(name, sha256): number for number, name, sha256, *_ in known_sources(writer, into)}
    numbers = {}
    for source in read.sources:
        there = known.get((source.name, source.sha256))
        mark = marks.get(source.name)
        numbers[source.name] = there or writer.add_source(
            into.id, source, size=mark.size if mark else 0, base=base
        )
    named = {str(e) for e in read.events["source"].tolist()} - set(numbers)
    for name in sorted(named):
        numbers[name] = known.get((name, "")) or writer.add_source(
            into.id, Source(name, "", 0), size=0, base=base
        )
    return numbers


def _merged(
    readings: list[Row], events: list[Entry], numbers: Mapping[str, int], who: str
) -> Iterator[Row]:
    """Readings and events in the order in which an adviser is told of them."""
    source_at, who_at = 12, 15
    parts = [row[1] for row in readings]
    begin = 0
    for event in sorted(events, key=lambda e: e.part):
        end = bisect_right(parts, event.part)
        yield from (_numbered(r, numbers, who, source_at, who_at) for r in readings[begin:end])
        yield event.row_values()
        begin = max(begin, end)
    yield from (_numbered(r, numbers, who, source_at, who_at) for r in readings[begin:])


def _numbered(row: Row, numbers: Mapping[str, int], who: str, source_at: int, who_at: int) -> Row:
    return (
        *row[:source_at],
        numbers[row[source_at]],
        *row[source_at + 1 : who_at],
        row[who_at] or who,
        *row[who_at + 1 :],
    )


def _receipt(read: Run, elsewhere: int) -> str:
    """What the reader said of the files, for the report."""
    account = dict(read.account)
    account["elsewhere"] = elsewhere
    told = {
        "account": account,
        "remarks": list(read.remarks),
        "sources": [[source.name, source.sha256, source.lines] for source in read.sources],
    }
    return json.dumps(told, ensure_ascii=False)
