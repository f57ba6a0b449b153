"""
From the entries of a run to its adviser: where an unbroken run would stand.

A run of up to `WINDOW` entries, and what follows a kept state, is taken in whole, so that the same
entries give the same advice however they come. Of a longer stretch the end is enough: an adviser
that begins there says nearly always the same (tests/ledger/test_replay.py).
"""

import json
from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from spc.adviser.advice import Advice
from spc.adviser.adviser import STATE_FORMAT, Advisor
from spc.adviser.explain import LOOK
from spc.advising import PastRun, advisor_for, entry_in_doubt, register_in
from spc.errors import BadRecord
from spc.ledger.entry import Stored, whole
from spc.ledger.repeats import disagree
from spc.ledger.store import LedgerRun, Reader, Writer
from spc.ledger.tables import COLUMNS
from spc.plan import Plan
from spc.remarks import MEANING, meaning_in_doubt

#: Of what is kept: this file's part and the adviser's. The program's version says neither that the
#: adviser is the same nor that it changed, so a state is bound to this and to the hash of its rows:
#: an adviser that came to other numbers would go on from a past it never had.
FORMAT = f"5.{STATE_FORMAT}"
#: Microseconds in a minute.
MINUTE_US = 60e6
#: What an adviser is told of, and still holds.
_HOLDING = """
FROM entries e WHERE e.run = {run} AND e.kind IN ({kinds}) AND e.part BETWEEN {first} AND {last}
AND NOT EXISTS (SELECT 1 FROM entries c WHERE c.corrects = e.line)
"""
_GROUND = "'reading', 'part', 'event'"
#: No database counts further.
_MOST = 2**62
#: An adviser is told of so many entries and parts at most. Own choice: it learns from its last 15
#: dress cycles, some thousand parts, and takes in so many within about 2 s.
WINDOW, WINDOW_PARTS = 4_000, 20_000


@dataclass
class Progress:
    """
    A run as far as it was told: the adviser, and what numbering needs to go on.

    Attributes
    ----------
    advisor : Advisor
        Told of everything so far.
    made : int
        Parts ground, measured or not.
    line : int
        Last line of the ledger that was told.
    read : dict of int
        Readings of the part ground last, by feature.
    last_read : dict of int
        Part of the last reading, by feature.
    ahead : int
        By how much part numbers as written run ahead of the count from 1.
    acts_answered : list of str
        Actions that were answered since the part ground last was begun.
    plan : Plan or None
        Its gauges say when two readings disagree; None: nobody asks.
    values : dict of list of float
        Readings of the part ground last, by feature. They are in the ledger, so no state keeps
        them. [µm]
    doubts : list of (list of int, str)
        Files whose columns may mean something else than they say, and what is asked; until a file
        that has grown from them says otherwise, nothing is moved.
    """

    advisor: Advisor
    made: int = 0
    line: int = 0
    read: dict[str, int] = field(default_factory=dict)
    last_read: dict[str, int] = field(default_factory=dict)
    ahead: int = 0
    acts_answered: list[str] = field(default_factory=list)
    plan: Plan | None = None
    values: dict[str, list[float]] = field(default_factory=dict)
    doubts: list[tuple[list[int], str]] = field(default_factory=list)

    @property
    def advice(self) -> Advice:
        """The next act: the adviser's, after what is asked about the readings it rests on."""
        advice = self.advisor.advise()
        if self.doubts:
            return entry_in_doubt(advice, self.doubts[-1][1])
        if self.plan is None or advice.action in ("measure_again", "hold"):
            return advice
        for name, values in self.values.items():
            if disagree(values, self.plan.feature(name)):
                return _third_reading(advice, name, values)
        return advice

    def tell(self, entry: Stored) -> None:
        """Take one entry in; corrected ones and those of other kinds change nothing."""
        if entry.kind in ("reading", "part", "event"):
            self._grind_to(entry)
            written = whole(entry.serial) if entry.part else None
            if written is not None:
                self.ahead = written - entry.part
        if entry.kind == "reading":
            self._read(entry)
        elif entry.kind == "event":
            moved = entry.what == "offset"
            register = register_in(entry.note, self.advisor.plan) if moved else None
            self.advisor.event(entry.what, entry.value, entry.minutes, register)
        elif entry.kind == "answer":
            self.acts_answered.append(entry.what)
        elif entry.kind == "import":
            self._doubt(json.loads(entry.text))
        self.line = max(self.line, entry.line)

    def _grind_to(self, entry: Stored) -> None:
        # Only a part that was measured has a clock of its own.
        timed = entry.kind == "reading" and entry.time is not None
        while self.made < entry.part:
            self.made += 1
            now = entry.time / MINUTE_US if timed and self.made == entry.part else None  # type: ignore[operator]
            self.advisor.part(minute=now)
            self.read, self.acts_answered, self.values = {}, [], {}

    def _read(self, entry: Stored) -> None:
        assert entry.value is not None
        self.advisor.reading(entry.what, entry.value, again=bool(entry.repeat))
        if entry.part == self.made:
            self.values.setdefault(entry.what, []).append(entry.value)
        self.read[entry.what] = max(self.read.get(entry.what, 0), (entry.repeat or 0) + 1)
        self.last_read[entry.what] = entry.part

    def _doubt(self, receipt: dict[str, Any]) -> None:
        """Ask what an import asked about the meaning of columns, and no more what it settles."""
        files = [number for number, *_ in receipt.get("files", ())]
        settled = {*files, *receipt.get("grown", ())}
        self.doubts = [(asked, words) for asked, words in self.doubts if not settled >= {*asked}]
        words = meaning_in_doubt(receipt["remarks"])
        if words:
            self.doubts.append((files, words))

    def content(self) -> dict[str, Any]:
        """Everything as plain values, ready for JSON."""
        plain = {name: copy(getattr(self, name)) for name in _PLAIN}
        return {"format": FORMAT, "advisor": self.advisor.state(), **plain}

    @classmethod
    def fresh(cls, run: LedgerRun, plan: Plan, made: int = 0) -> "Progress":
        """Before the first part, or before the first that is told of, with `made` parts ground."""
        past = [PastRun(learned) for learned in run.learned]
        return cls(advisor_for(plan, past, before=made), made, plan=plan)

    @classmethod
    def from_content(cls, run: LedgerRun, plan: Plan, content: dict[str, Any]) -> "Progress":
        """Where `content` was taken."""
        past = [PastRun(learned) for learned in run.learned]
        advisor = advisor_for(plan, past, state=content["advisor"])
        return cls(advisor, plan=plan, **{name: content[name] for name in _PLAIN})


def _third_reading(advice: Advice, name: str, values: list[float]) -> Advice:
    """In place of an act that two readings of one part, far apart, cannot carry."""
    told = ", ".join(f"{value:+.1f}" for value in values)
    return replace(
        advice,
        action="measure_again",
        subject=name,
        offset_um=None,
        amount=None,
        amount_unit=None,
        measure_after=0,
        evidence=f"the readings of {name} on this part do not agree: {told} µm; a third decides",
        check_first=LOOK["measure_again"],
        runner_up=None,
        cost_difference=None,
    )


_PLAIN = ("made", "line", "read", "last_read", "ahead", "acts_answered", "doubts")


def holding(entries: Iterable[Stored]) -> list[Stored]:
    """The entries that hold now, in the order of the parts."""
    told = list(entries)
    corrected = {entry.corrects for entry in told if entry.corrects is not None}
    kept = [e for e in told if e.line not in corrected and e.kind != "withdrawn"]
    return sorted(kept, key=lambda entry: entry.place)


def resume(reader: Reader, run: LedgerRun, plan: Plan) -> Progress:
    """
    The run as it stands: from the newest state that is still true, else from its last entries.

    A state is true while the chain at its line is what it was, nothing before it was corrected
    since, no part before its last one was added, and it counts the parts that the entries count.
    """
    kept = _kept(reader, run, plan)
    if kept is None:
        return _from_the_end(reader, run, plan)
    progress, since = kept
    new = holding(since)
    if not _goes_on(new, progress.made):
        return _from_the_end(reader, run, plan)
    progress.values = _values(reader, run, progress)
    for entry in new:
        progress.tell(entry)
    progress.line = since[-1].line if since else progress.line
    return progress


def keep_up(writer: Writer, run: LedgerRun, plan: Plan) -> None:
    """Keep a state after what was added, so that the next start takes in nothing."""
    kept = writer.state(run.id)
    if kept is None or kept[0] != _last_line(writer, run) or not _is_ours(kept[1]):
        progress = resume(writer, run, plan)
        writer.keep_state(run.id, progress.line, progress.content())


def _from_the_end(reader: Reader, run: LedgerRun, plan: Plan) -> Progress:
    """
    From the first entry of a short run; of a long one from the first dress within its last entries.

    Where no dress stands in the first half of those, it begins among them, with a wheel of unknown
    age as at the start of a file.
    """
    last = _made(reader, run)
    before = max(_made(reader, run, skip=WINDOW), last - WINDOW_PARTS, 0)
    before = min(before, max(last - 1, 0))
    told = _told(reader, run, before, last)
    if before:
        for at, entry in enumerate(told[: len(told) // 2]):
            if entry.kind == "event" and entry.what in ("dress", "wheel"):
                before = entry.part
                # Readings of the part before the dress were of the wheel before it.
                told = [e for e in told[at:] if e.part > before or e.kind == "event"]
                break
    progress = Progress.fresh(run, plan, before)
    if before:
        progress.ahead = _ahead(reader, run, before)
        progress.last_read = _last_read(reader, run, plan, before, last)
        told = [*_imports_in_doubt(reader, run), *told]
    for entry in told:
        progress.tell(entry)
    progress.line = _last_line(reader, run)
    return progress


def _made(reader: Reader, run: LedgerRun, line: int = _MOST, *, skip: int = 0) -> int:
    """Parts ground up to a line, or up to so many entries before it; 0 where there are none."""
    holding = _HOLDING.format(run=int(run.id), kinds=_GROUND, first=0, last=_MOST)
    found = reader.connection.exec_driver_sql(
        f"SELECT e.part {holding} AND +e.line <= {line} ORDER BY e.part DESC LIMIT 1 OFFSET {skip}"
    ).scalar_one_or_none()
    return int(found or 0)


def _told(reader: Reader, run: LedgerRun, before: int, last: int) -> list[Stored]:
    """What holds after one part, up to another, in the order of the parts."""
    kinds = f"{_GROUND}, 'answer', 'import'"
    first = before + 1 if before else 0
    holding = _HOLDING.format(run=int(run.id), kinds=kinds, first=first, last=last)
    columns = ", ".join(f"e.{column}" for column in COLUMNS[:-1])
    rows = reader.connection.exec_driver_sql(f"SELECT {columns} {holding}")
    return sorted(map(Stored.of, rows), key=lambda entry: entry.place)


def _imports_in_doubt(reader: Reader, run: LedgerRun) -> list[Stored]:
    """What was said of imports, where one of them asked what a column means."""
    own = f"WHERE run = {int(run.id)} AND kind = 'import'"
    ask = reader.connection.exec_driver_sql
    asked = ask(f"SELECT line FROM entries {own} AND text LIKE '%%{MEANING}%%' LIMIT 1")
    if asked.first() is None:
        return []
    rows = ask(f"SELECT {', '.join(COLUMNS[:-1])} FROM entries {own} ORDER BY line")
    return [Stored.of(row) for row in rows]


def _ahead(reader: Reader, run: LedgerRun, part: int) -> int:
    """By how much part numbers as written ran ahead at a part."""
    kinds = "'reading', 'part'"
    holding = _HOLDING.format(run=int(run.id), kinds=kinds, first=0, last=part)
    found = reader.connection.exec_driver_sql(
        f"SELECT e.serial, e.part {holding} ORDER BY e.part DESC, e.line DESC LIMIT 1"
    ).one_or_none()
    written = None if found is None else whole(found[0])
    return 0 if found is None or written is None else written - int(found[1])


def _last_read(
    reader: Reader, run: LedgerRun, plan: Plan, before: int, last: int
) -> dict[str, int]:
    """Part of the last reading up to a part, by feature, as far back as any sample asks."""
    reach = max((feature.sample or 1 for feature in plan.measured_features), default=1)
    holding = _HOLDING.format(
        run=int(run.id), kinds="'reading'", first=max(last - reach, 0), last=before
    )
    rows = reader.connection.exec_driver_sql(
        f"SELECT e.what, max(e.part) {holding} GROUP BY e.what"
    )
    return {feature: int(part) for feature, part in rows}


def _last_line(reader: Reader, run: LedgerRun) -> int:
    # The sign keeps SQLite from walking the whole index of a run.
    return int(
        reader.connection.exec_driver_sql(
            f"SELECT line FROM entries WHERE +run = {int(run.id)} ORDER BY line DESC LIMIT 1"
        ).scalar_one_or_none()
        or 0
    )


def _kept(reader: Reader, run: LedgerRun, plan: Plan) -> tuple[Progress, list[Stored]] | None:
    """At the newest state with nothing corrected before it since, and the few entries after it."""
    before: int | None = None
    while (kept := reader.state(run.id, before=before)) is not None:
        line, content = kept
        corrected = _since(reader, run, line)
        if corrected:
            before = min(corrected)
            continue
        since = reader.entries(run.id, after=line, most=WINDOW + 1)
        if len(since) > WINDOW or not _is_ours(content):
            break
        if content["made"] != _made(reader, run, line):
            break
        try:
            return replace(Progress.from_content(run, plan, content), line=line), since
        except (BadRecord, KeyError, TypeError, ValueError):
            # An adviser that was changed without another format: the entries are the truth.
            break
    return None


def _values(reader: Reader, run: LedgerRun, kept: Progress) -> dict[str, list[float]]:
    """Readings of the part ground last, by feature, as far as a kept state was told. [µm]"""
    values: dict[str, list[float]] = {}
    part = kept.made
    for entry in holding(reader.entries_between(run.id, (part, part))) if part else ():
        if entry.kind == "reading" and entry.value is not None and entry.line <= kept.line:
            values.setdefault(entry.what, []).append(entry.value)
    return values


def _since(reader: Reader, run: LedgerRun, line: int) -> list[int]:
    """Lines up to this one that were corrected after it."""
    return [corrected for corrected in reader.corrected(run.id, after=line) if corrected <= line]


def _is_ours(content: dict[str, Any]) -> bool:
    return bool(content.get("format") == FORMAT)


def _goes_on(new: Iterable[Stored], made: int) -> bool:
    """Whether no entry belongs to a part before those already made, nor to one far on."""
    parts = [made, *(e.part for e in new if e.kind in ("reading", "part", "event"))]
    rises = all(one <= next_one for one, next_one in pairwise(parts))
    return rises and parts[-1] - made <= WINDOW_PARTS
