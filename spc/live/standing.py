"""
A run of the ledger as it stands, kept up with while others add to it or put a backup in its place.

The adviser's memory is only a memory: whatever was not stored is forgotten again.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from spc.adviser.advice import Advice
from spc.errors import SpcError
from spc.ledger.entry import Entry, Stored
from spc.ledger.refusal import LedgerReplaced
from spc.ledger.replay import Progress, holding, resume
from spc.ledger.store import Ledger, LedgerRun, Reader, Writer
from spc.live.again import TYPED, Settled, Unanswered, told_last
from spc.live.held import HeldNow, held_now
from spc.plan import Plan

#: Entries of a typed line besides its readings: answers and the events that go with them.
BESIDE = 2

Make = Callable[[Progress], Sequence[Entry]]


class RunGone(SpcError):
    """The run of a session is not in the ledger that stands in its place now."""

    exit_status = 4


class Standing:
    """
    A run that goes on, as far as the ledger tells.

    Parameters
    ----------
    ledger : Ledger
        Open.
    plan : Plan
        The plan of the run.
    run : LedgerRun
        Which run.

    Attributes
    ----------
    progress : Progress
        What the adviser was told.
    replaced : bool
        Whether another ledger stands there than at the start, and nobody was told yet.
    unsure : Unanswered or None
        The last line, while it is not known whether it was stored.
    """

    def __init__(self, ledger: Ledger, plan: Plan, run: LedgerRun) -> None:
        self.ledger, self.plan, self.run = ledger, plan, run
        self.replaced = False
        self.unsure: Unanswered | None = None
        self.refresh()

    @property
    def advice(self) -> Advice:
        """The next act as things stand."""
        return self.progress.advice

    @property
    def held(self) -> HeldNow:
        """Parts on hold after the part ground last."""
        try:
            return self.held_there()
        except LedgerReplaced:
            self.refresh()
            return self.held_there()

    def held_there(self) -> HeldNow:
        """Parts on hold, in the ledger that was read last and in no other."""
        return held_now(self.ledger, self.run, self.plan, self.progress.made)

    def serial(self, part: int) -> str:
        """A part as the operator numbers it."""
        return str(part + self.progress.ahead)

    def refresh(self) -> None:
        """
        Take in what was added to the run from elsewhere.

        Where another ledger stands now, such as a backup that was put back, it goes on there in
        the run of the same name.

        Raises
        ------
        RunGone
            When that ledger has no such run of this plan.
        """
        try:
            self._take_in()
        except LedgerReplaced:
            known = self.ledger.look_anew()
            try:
                self.run = self._same_run()
            except SpcError:
                # It is not meant, so nothing is taken from it or put into it.
                self.ledger.look_anew(known)
                raise
            self.replaced = True
            self._take_in()

    def _same_run(self) -> LedgerRun:
        with self.ledger.reading() as reader:
            run = reader.run_named(self.run.name)
            if run is not None and run.plan == reader.plan_id(self.plan):
                return run
        raise RunGone(
            f"{self.ledger.shown}: another ledger was put in the place of the one that was open, "
            f"and it has no run {self.run.name!r} of this plan; end here and begin anew"
        )

    def _take_in(self) -> None:
        with self.ledger.reading() as reader:
            self.progress = resume(reader, self.run, self.plan)

    @property
    def last_line(self) -> str:
        """The line typed last into this run, by whomever, in words; empty before any."""
        last = self.last_entries()
        return told_last(last, self.plan.zone, self.progress.ahead) if last else ""

    def last_entries(self) -> list[Stored]:
        """The entries of the line typed last, an undo among them."""
        with self.ledger.reading() as reader:
            return self.typed_last(reader, undone=True)

    def typed_last(self, reader: Reader, *, undone: bool) -> list[Stored]:
        """
        The entries of the line typed last, whatever else was stored since.

        Parameters
        ----------
        undone : bool
            Whether a line that took another back counts; else what was taken back does not, either.
        """
        kinds = (*TYPED, "withdrawn") if undone else TYPED
        most = len(self.plan.measured_features) + BESIDE
        typed = reader.typed_last(self.run.id, kinds, most=most, undone=undone)
        return [e for e in typed if e.stored == typed[-1].stored]

    def made_before(self, reader: Reader, last: Sequence[Stored], count: float | None) -> int:
        """The part ground last before the last line, sought no further back than a count."""
        if not last:
            return 0
        part = last[-1].part
        there = holding(reader.entries_between(self.run.id, (part - int(count or 1), part)))
        return max((e.part for e in there if e.line < last[0].line), default=0)

    def settle(self) -> Settled:
        """
        What became of the line of which it was not known.

        Raises
        ------
        StoreBusy
            When it is not known yet.
        """
        if self.unsure is None:
            return Settled()
        stands, text = self.unsure.stands(self.ledger), self.unsure.text.strip()
        self.unsure = None
        self.refresh()
        return Settled(
            stands,
            f"{text!r} was stored: {self.last_line}" if stands else f"{text!r} was not stored",
        )

    def last_words(self) -> str:
        """What is said when the session ends."""
        try:
            before = self.settle().words
        except SpcError as error:
            return f"{error}; the next start says which line stands last"
        said = "everything is stored; the next start goes on from here"
        return f"{before}; the next start goes on from there" if before else said

    def store(self, make: Make) -> tuple[Stored, ...]:
        """Store the entries that are made once all others are taken in, or nothing."""
        with self.adding() as writer:
            return self._append(writer, make(self.progress))

    @contextmanager
    def adding(self) -> Iterator[Writer]:
        """One transaction, with all others taken in; what is not stored is forgotten again."""
        before = self.progress.content()
        try:
            with self.ledger.writing() as writer:
                if writer.entries(self.run.id, after=self.progress.line):
                    self.progress = resume(writer, self.run, self.plan)
                yield writer
        except BaseException:
            # The adviser may have heard what was not stored.
            self._forget(before)
            raise

    def _append(self, writer: Writer, told: Sequence[Entry]) -> tuple[Stored, ...]:
        last = writer.append(self.run.id, told)
        first = last - len(told) + 1
        stored = tuple(writer.entries(self.run.id, after=first - 1))
        for entry in stored:
            self.progress.tell(entry)
        writer.keep_state(self.run.id, last, self.progress.content())
        return stored

    def _forget(self, before: dict[str, Any]) -> None:
        try:
            with self.ledger.reading() as reader:
                self.progress = resume(reader, self.run, self.plan)
        except SpcError:
            # The store does not answer; the error that led here says so, and the next line tries.
            kept = Progress.from_content(self.run, self.plan, before)
            self.progress = replace(kept, line=-1)
