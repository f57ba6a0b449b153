"""
Where rows of files belong in a run: each is stored once, on its own part, in its own order.

Which rows are stored already is told by `matching`. Where part numbers count, they place what is
new; else a known part number does, and what else is new comes after everything that is stored.
What cannot be placed so is asked about, never guessed.
"""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from spc.errors import UnreadableRun
from spc.ledger.matching import Held, Matched, Matching
from spc.ledger.told import Told
from spc.places import come_round, read_alike
from spc.remarks import QUESTION

#: A part measured again this many parts later is a question.
FAR_APART = 20
#: Share of readings in question from which the whole import is refused, and of the parts of a file
#: measured again from which it may be about others. Own choice.
MOSTLY = 0.5
#: Parts of a file that are stored already, with other readings, from which it may be about others
#: of the same numbers; fewer are measured again. As within one call.
FEWEST = 3
#: Clocks that show minutes put two parts into one. [µs]
ONE_MINUTE = 60_000_000


@dataclass(frozen=True, eq=False)
class Stands:
    """
    What a run of the ledger holds where files reach.

    Attributes
    ----------
    last_part : int
        Number of the last part known of; 0 before the first.
    last_time : int or None
        Time of the newest reading. [µs since 1970 UTC]
    ahead : int or None
        By how much part numbers run ahead of the count; None where they do not count the parts.
    readings : sequence of Held
        Those that rows of the files could be the same as, in the order stored.
    bare : sequence of Held
        All that nothing but their values tells apart, in the order stored; where files have such.
    recent : sequence of (str, str, float)
        Part number or place, feature and deviation of the last readings. [µm]
    """

    last_part: int = 0
    last_time: int | None = None
    ahead: int | None = None
    readings: Sequence[Held] = ()
    bare: Sequence[Held] = ()
    recent: Sequence[tuple[str, str, float]] = ()


@dataclass(eq=False)
class Placed:
    """
    Where the readings of files belong in a run of the ledger.

    Attributes
    ----------
    part, repeat : list of int
        Of each reading, as the ledger numbers them.
    fresh : list of int
        Positions of those that are to be stored.
    questions : list of (int, str)
        Positions of those that are not, and what is asked.
    known, elsewhere : int
        Readings that are stored already, and how many of them came from another file.
    overlap : Counter
        How many of them each file holds.
    """

    part: list[int]
    repeat: list[int]
    fresh: Sequence[int]
    questions: list[tuple[int, str]] = field(default_factory=list)
    known: int = 0
    elsewhere: int = 0
    overlap: Counter[str] = field(default_factory=Counter)
    _goals: dict[int, int] = field(default_factory=dict)
    _ordered: list[int] = field(default_factory=list)

    def reaches(self, part: int) -> bool:
        """Whether a part of the files at or before this one has a place."""
        self._ordered = self._ordered or sorted(self._goals)
        return bool(self._ordered) and self._ordered[0] <= part

    def after(self, part: int, last: int) -> int:
        """
        The part of the ledger that an event after `part` of the files stands after.

        Parameters
        ----------
        part : int
            As the files count; 0 before the first.
        last : int
            The last part that was stored before these files.
        """
        if self.reaches(part):
            before = self._ordered[bisect_right(self._ordered, part) - 1]
            return self._goals[before] + part - before
        if not self._ordered:
            return last + part
        first = self._ordered[0]
        # Before the first row of these files means after the last one stored before them.
        return max(0, min(self._goals[first] - first + part, last))


def place(
    told: Told,
    there: Stands,
    families: Mapping[str, Collection[int]],
    *,
    run: str,
    reground: Callable[[], bool] = lambda: False,
    ask: bool = False,
    auto: bool = False,
) -> Placed:
    """
    Tell the readings of files that are new from those stored, and find the part of each.

    Parameters
    ----------
    told : Told
        The readings.
    there : Stands
        What is stored.
    families : mapping
        For each file, the numbers of the stored ones it has grown from.
    run : str
        Name of the run, for errors.
    reground : callable
        Whether parts were ground again, so that old numbers come again; asked when one does.
    ask : bool
        The plan asks before a part's second reading is taken.
    auto : bool
        The plan does not say what part numbers are; they may be places.

    Raises
    ------
    UnreadableRun
        When parts come before the first of the run, or most readings are in question.
    """
    if not there.last_part:
        return Placed(told.part, told.repeat, range(len(told)))
    matching = Matching(told, there.readings, families, there.ahead)
    matched = matching.match(there.bare)
    contradict = matching.contradicting()
    if matched.torn:
        raise UnreadableRun(
            f"{matched.torn}: rows that were stored as readings of one part are parts of their own "
            "now, or the reverse, as more of its part numbers are seen; import the whole file "
            "into another run with --run NAME"
        )
    work = _Placing(told, there, families, matched, contradict, matching.counts)
    work.reground, work.ask, work.auto = reground, ask, auto
    if matching.counts:
        for at, part in enumerate(told.part):
            work.goals[part] = matching.counted(at)
            if work.goals[part] < 1:
                raise UnreadableRun(
                    f"{told.source[at]}: part {told.serial[at]} comes before the first part of run "
                    f"{run!r}; import the earlier file first, or name another run with --run"
                )
    placed = work.decide()
    if len(placed.questions) > MOSTLY * len(told):
        asked = placed.questions[0][1].removeprefix(QUESTION)
        cure = "" if "--run" in asked else "; for other parts begin another run with --run NAME"
        raise UnreadableRun(
            f"{len(placed.questions)} of {len(told)} readings cannot go into run {run!r}: "
            f"{asked}{cure}"
        )
    return placed


class _Placing:
    """Where each reading belongs, in the order of the files."""

    reground: Callable[[], bool]
    ask: bool
    auto: bool

    def __init__(
        self,
        told: Told,
        there: Stands,
        families: Mapping[str, Collection[int]],
        matched: Matched,
        contradict: Mapping[int, Held],
        counts: bool,
    ) -> None:
        self.told, self.there, self.families = told, there, families
        self.matched, self.contradict, self.counts = matched, contradict, counts
        self.goals = dict(matched.goals)
        self.known = sorted(matched.goals)
        self.stored: Counter[tuple[int, str]] = Counter()
        self.of_serial: dict[str, int] = {}
        for held in there.readings:
            self.stored[held.part, held.feature] += 1
            if held.serial:
                self.of_serial.setdefault(held.serial, held.part)

    def decide(self) -> Placed:
        """Place what is new, and ask about what contradicts what is stored."""
        told, matched = self.told, self.matched
        done = Placed(
            [0] * len(told), list(told.repeat), [], overlap=matched.overlap, _goals=self.goals
        )
        fresh: list[int] = []
        added: Counter[tuple[int, str]] = Counter()
        top, before = self.there.last_part, 0
        begun: set[str] = set()
        for at, own in enumerate(told.part):
            held, asked = matched.same[at], ""
            if held is not None:
                done.part[at] = held.part
                done.known += 1
                done.elsewhere += held.source not in self.families.get(told.source[at], ())
            elif own not in self.goals:
                asked = self._begin(at, top, before, told.source[at] in begun)
            if held is None:
                part = done.part[at] = self.goals.get(own, 0)
                asked = asked or self._doubt(at, part, top)
                if asked:
                    done.questions.append((at, asked))
                else:
                    place = (part, told.feature[at])
                    if self.stored[place]:
                        done.repeat[at] = self.stored[place] + added[place]
                    added[place] += 1
                    fresh.append(at)
            top, before = max(top, self.goals.get(own, 0)), own
            if not asked:
                begun.add(told.source[at])
        done.fresh = fresh
        return done

    def _begin(self, at: int, top: int, before: int, begun: bool) -> str:
        """Find the place of a part that no reading is stored of; why there is none."""
        told, own = self.told, self.told.part[at]
        known = self.of_serial.get(told.own_serial(at))
        if known is not None:
            self.goals[own] = known
            return ""
        if own < self.matched.last_known.get(told.source[at], 0):
            return self._between(at)
        last, time = self.there.last_time, told.time[at]
        early = time is not None and last is not None and time < last - ONE_MINUTE
        if early and not begun and not self.families.get(told.source[at]):
            return (
                f"{QUESTION}{told.called(at)} was measured before the last part that is stored; "
                "import files in the order of their times, or name another run with --run"
            )
        # Rows between two parts were parts that could not be read; numbers that do not count the
        # parts of this run say nothing of that.
        self.goals[own] = top + (max(1, own - before) if told.first_number is None else 1)
        return ""

    def _between(self, at: int) -> str:
        """Take the place that was left for a part whose row could not be read before."""
        own, nth = self.told.part[at], bisect_left(self.known, self.told.part[at])
        if 0 < nth < len(self.known):
            earlier, later = self.known[nth - 1], self.known[nth]
            goal = self.matched.goals[earlier] + own - earlier
            if self.matched.goals[later] - goal == later - own:
                self.goals[own] = goal
                return ""
        return (
            f"{QUESTION}{self.told.called(at)} stands before a part that is stored already; parts "
            "cannot be put in between: name another run with --run"
        )

    # -- what is asked -------------------------------------------------------------------------

    def _doubt(self, at: int, part: int, top: int) -> str:
        told, feature = self.told, self.told.feature[at]
        called = told.called(at)
        if at in self.contradict:
            return (
                f"{QUESTION}{feature} of {called} is stored as "
                f"{self.contradict[at].value:+.2f} µm, here {told.value[at]:+.2f} µm"
            )
        if at in self.matched.copied:
            return (
                f"{QUESTION}row {told.row[at]} is one of {self.matched.copied[at]} with the same "
                "readings, in the same order, as stored before; the same parts again? Give part "
                "numbers or times if they are others"
            )
        again = self.stored[part, feature] and (self.counts or told.own_serial(at))
        if again and self.come_round:
            return (
                f"{QUESTION}part numbers such as {told.serial[at]} come again and again; are they "
                "places, such as of a pallet? Set numbering = 'rows' under [reading] in the plan "
                "then, else 'serial', and import again"
            )
        if again and told.source[at] in self.anew and not self.reground():
            return (
                f"{QUESTION}{called} is stored with other readings, and so are most parts of "
                f"{told.source[at]}: measured again, or others of the same numbers? Begin another "
                "run with --run NAME for others; if these were ground again, say so by an event "
                "regrind"
            )
        if again and top - part > FAR_APART and not self.reground():
            return f"{QUESTION}{called} was measured long before; measured again or mistyped?"
        if again and self.ask:
            return f"{QUESTION}{called} was already measured; the plan asks before repeats"
        return ""

    @cached_property
    def anew(self) -> set[str]:
        """Files of no stored row, most of whose parts are stored with other readings."""
        parts: dict[str, set[int]] = {}
        again: dict[str, set[int]] = {}
        for at, own in enumerate(self.told.part):
            source, serial = self.told.source[at], self.told.own_serial(at)
            parts.setdefault(source, set()).add(own)
            goal = self.goals.get(own) if self.counts else self.of_serial.get(serial)
            if goal is not None and self.stored[goal, self.told.feature[at]]:
                again.setdefault(source, set()).add(own)
        return {
            source
            for source, own in again.items()
            if not self.matched.overlap[source]
            and len(own) >= FEWEST
            and len(own) > MOSTLY * len(parts[source])
        }

    @cached_property
    def come_round(self) -> bool:
        """Whether the part numbers of the run, these files at its end, are places of a pallet."""
        told = self.told
        most = Counter(told.feature).most_common(1)[0][0]
        own = [(told.serial[at], told.feature[at], told.value[at]) for at in range(len(told))]
        read = [(n, value) for n, feature, value in (*self.there.recent, *own) if feature == most]
        codes = np.unique([number for number, _ in read], return_inverse=True)[1]
        values = np.array([value for _, value in read])
        return self.auto and come_round(codes) and not read_alike(codes, values)
