"""From the entries of a run to its adviser: exactly where an unbroken run would stand."""

from collections.abc import Callable, Iterable
from copy import copy
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from spc.advising import PastRun, advisor_for
from spc.errors import BadRecord
from spc.ledger.entry import Stored, whole
from spc.ledger.repeats import disagree
from spc.ledger.store import Ledger, LedgerRun, Reader
from spc.plan import Plan
from spc.wheel.advice import STATE_FORMAT, Advice, Advisor
from spc.wheel.wording import LOOK

#: Of what is kept: this file's part and the adviser's. The program's version says neither that the
#: adviser is the same nor that it changed, so a state is bound to this and to the hash of its rows:
#: an adviser that came to other numbers would go on from a past it never had.
FORMAT = f"3.{STATE_FORMAT}"
#: Microseconds in a minute.
MINUTE_US = 60e6
#: Lines between two states that are kept on the way through a long stretch: a second or two.
STEP = 20_000
_NOW_AND_THEN = 500

Heard = Callable[[int, int], None]


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

    @property
    def advice(self) -> Advice:
        """The next act: the adviser's, after a third reading where two of one part disagree."""
        advice = self.advisor.advise()
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
            self.advisor.event(entry.what, um=entry.value, minutes=entry.minutes)
        elif entry.kind == "answer":
            self.acts_answered.append(entry.what)
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

    def content(self) -> dict[str, Any]:
        """Everything as plain values, ready for JSON."""
        plain = {name: copy(getattr(self, name)) for name in _PLAIN}
        return {"format": FORMAT, "advisor": self.advisor.state(), **plain}

    @classmethod
    def fresh(cls, run: LedgerRun, plan: Plan) -> "Progress":
        """Before the first part."""
        return cls(advisor_for(plan, [PastRun(learned) for learned in run.learned]), plan=plan)

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


_PLAIN = ("made", "line", "read", "last_read", "ahead", "acts_answered")


def holding(entries: Iterable[Stored]) -> list[Stored]:
    """The entries that hold now, in the order of the parts."""
    told = list(entries)
    corrected = {entry.corrects for entry in told if entry.corrects is not None}
    kept = [e for e in told if e.line not in corrected and e.kind != "withdrawn"]
    return sorted(kept, key=lambda entry: entry.place)


def resume(
    reader: Reader, run: LedgerRun, plan: Plan, *, heard: Heard = lambda _done, _all: None
) -> Progress:
    """
    The run as it stands, from the newest state that is still true, else from the first line.

    A state is true while the chain at its line is what it was, nothing before it was corrected
    since, and no part before its last one was added.

    Parameters
    ----------
    heard : callable
        Told now and then how many lines of how many were taken in.
    """
    progress = _begin(reader, run, plan)
    progress.values = _values(reader, run, progress)
    since = reader.entries(run.id, after=progress.line)
    new = holding(since)
    if progress.line and not _rises(new, progress.made):
        progress, since = Progress.fresh(run, plan), reader.entries(run.id)
        new = holding(since)
    for done, entry in enumerate(new):
        progress.tell(entry)
        if done % _NOW_AND_THEN == 0 and len(new) > STEP:
            heard(done, len(new))
    progress.line = since[-1].line if since else progress.line
    return progress


def follow(
    ledger: Ledger, run: LedgerRun, plan: Plan, *, heard: Heard = lambda _done, _all: None
) -> None:
    """
    Take in a long stretch that no state follows yet, and keep states on the way.

    Broken off, it goes on where it was; `resume` then has only a few lines to take in. A short
    stretch, and one whose parts do not rise from line to line, is left to `resume`.
    """
    with ledger.reading() as reader:
        found = reader.state(run.id)
        # Most starts are near the last state, which `resume` takes up.
        stands = found is not None and _is_ours(found[1]) and not _since(reader, run, found[0])
        if reader.head().line - (found[0] if found and stands else 0) <= STEP:
            return
        progress = _begin(reader, run, plan)
        total, done = reader.count_after(run.id, progress.line), 0
        gone = set(reader.corrected(run.id, after=0))
    while total - done > 0 and total > STEP:
        with ledger.reading() as reader:
            told = reader.entries(run.id, after=progress.line, most=STEP)
        new = [e for e in told if e.line not in gone and e.kind != "withdrawn"]
        if not told or not _rises(new, progress.made):
            return
        for at, entry in enumerate(new):
            progress.tell(entry)
            if at % _NOW_AND_THEN == 0:
                heard(done + at, total)
        progress.line, done = told[-1].line, done + len(told)
        with ledger.writing() as writer:
            kept = writer.state(run.id)
            if kept is not None and kept != found and kept[0] >= progress.line:
                # Another program is further on.
                return
            writer.keep_state(run.id, progress.line, progress.content())
            found = writer.state(run.id)


def unheard(reader: Reader, run: LedgerRun, plan: Plan) -> int:
    """How many lines of a run `resume` would have to take in."""
    return reader.count_after(run.id, _begin(reader, run, plan).line)


def _begin(reader: Reader, run: LedgerRun, plan: Plan) -> Progress:
    """At the newest state with nothing corrected before it since, else before the first part."""
    before: int | None = None
    while (kept := reader.state(run.id, before=before)) is not None:
        line, content = kept
        if not _is_ours(content):
            break
        corrected = _since(reader, run, line)
        if corrected:
            before = min(corrected)
            continue
        try:
            return replace(Progress.from_content(run, plan, content), line=line)
        except (BadRecord, KeyError, TypeError, ValueError):
            # An adviser that was changed without another format: the entries are the truth.
            break
    return Progress.fresh(run, plan)


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


def _rises(new: Iterable[Stored], made: int) -> bool:
    """Whether no entry belongs to a part before those already made."""
    parts = [made, *(e.part for e in new if e.kind in ("reading", "part", "event"))]
    return all(one <= next_one for one, next_one in pairwise(parts))
