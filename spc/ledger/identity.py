"""
What makes a row itself: which readings of files the ledger holds already, and the part of each.

A row is known by its place in a file that has grown; else by its part number, time and feature,
its time and feature where nothing numbers the parts, and its value among rows that share these.
Where part numbers count, they place the row; else a known part number does, and what is new comes
after everything that is stored.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from spc.copied import copies
from spc.errors import UnreadableRun
from spc.ledger.told import Told
from spc.places import come_round, read_alike
from spc.remarks import QUESTION

#: A part measured again this many parts later is a question; the same reach as within a file.
FAR_APART = 20
#: Share of readings in question from which the whole import is refused. Own choice.
MOSTLY = 0.5
# The same number written twice agrees to so many digits of a µm. Own choice.
_DIGITS = 5
#: A file of no row that is stored, with other values for so many stored parts, is about other
#: parts of the same numbers; below, they are measured a second time. As within one call.
FEWEST = 3
#: Clocks that show minutes put two parts into one. [µs]
ONE_MINUTE = 60_000_000

Key = tuple[object, ...]


@dataclass(eq=False)
class Held:
    """A reading that is stored; `used` once a row of the files was found to be the same."""

    part: int
    serial: str
    time: int | None
    feature: str
    value: float
    source: int | None
    row: int | None
    used: bool = False

    def is_value(self, value: float) -> bool:
        """Whether it is this number, written twice."""
        return round(self.value, _DIGITS) == round(value, _DIGITS)


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
    work = _Work(told, there, families, reground=reground, ask=ask, auto=auto)
    work.match()
    work.find_copies()
    if work.counts:
        work.count(run)
    placed = work.decide()
    if len(placed.questions) > MOSTLY * len(told):
        raise UnreadableRun(
            f"{len(placed.questions)} of {len(told)} readings contradict run {run!r}: "
            f"{placed.questions[0][1]}; if parts are numbered anew, begin another run with "
            "--run NAME"
        )
    return placed


class _Work:
    """The steps of `place`."""

    def __init__(
        self,
        told: Told,
        there: Stands,
        families: Mapping[str, Collection[int]],
        *,
        reground: Callable[[], bool],
        ask: bool,
        auto: bool,
    ) -> None:
        self.told, self.there, self.families = told, there, families
        self.reground, self.ask, self.auto = reground, ask, auto
        self.counts = told.first_number is not None and there.ahead is not None
        self.same: list[Held | None] = [None] * len(told)
        self.others: dict[int, tuple[list[Held], Key | None, int]] = {}
        self.by_row: dict[Key, list[Held]] = {}
        self.by_key: dict[Key | None, list[Held]] = {}
        self.orders: dict[Key, list[int]] = {}
        self.copied: dict[int, int] = {}
        self.goals: dict[int, int] = {}
        self.overlap: Counter[str] = Counter()
        self.last_known: dict[str, int] = {}
        self.stored: Counter[tuple[int, str]] = Counter()
        self.of_serial: dict[str, int] = {}
        for held in there.readings:
            self.stored[held.part, held.feature] += 1
            if held.serial:
                self.of_serial.setdefault(held.serial, held.part)
        self._index()

    # -- which are stored ----------------------------------------------------------------------

    def match(self) -> None:
        """Find for each reading the stored one that it is, else those it may contradict."""
        told = self.told
        newest: dict[Key | None, int] = {}
        for at in range(len(told)):
            row = self._of_row(at)
            key = self._key(at)
            held = next((h for h in row if not h.used and h.is_value(told.value[at])), None)
            if held is None and key is not None:
                order = self._same_under(key, told.value[at])
                if order is not None:
                    held, newest[key] = self.by_key[key][order], order
            if held is not None:
                self._is(at, held)
            elif row or key in self.by_key:
                # What stands before the last one found is an earlier reading, not another value.
                self.others[at] = (row, key, newest.get(key, -1) + 1)

    def _index(self) -> None:
        """The stored readings by their rows, by what tells them apart, and by value with that."""
        kin = {number for family in self.families.values() for number in family}
        named = "serial" in self.told.by.values()
        timed = "time" in self.told.by.values()
        for held in self.there.readings:
            if held.source in kin:
                self.by_row.setdefault((held.row, held.feature), []).append(held)
            keys: list[Key] = []
            if self.counts:
                keys.append((held.part, held.time, held.feature))
            else:
                if named and held.serial:
                    keys.append((held.serial, held.time, held.feature))
                if timed and held.time is not None:
                    keys.append(("", held.time, held.feature))
            for key in keys:
                own = self.by_key.setdefault(key, [])
                self.orders.setdefault((*key, round(held.value, _DIGITS)), []).append(len(own))
                own.append(held)

    def _of_row(self, at: int) -> list[Held]:
        """What is stored of the same row of a file that has grown."""
        family = self.families.get(self.told.source[at], ())
        place = (self.told.row[at], self.told.feature[at])
        return [h for h in self.by_row.get(place, ()) if h.source in family] if family else []

    def _same_under(self, key: Key, value: float) -> int | None:
        """Where the first stored reading with that value stands that no row was found to be."""
        own = self.by_key.get(key, ())
        orders = self.orders.get((*key, round(value, _DIGITS)), ())
        return next((order for order in orders if not own[order].used), None)

    def _key(self, at: int) -> Key | None:
        """What tells a row from others, its place in a file aside; None: nothing does."""
        told = self.told
        if self.counts:
            return self._counted(at), told.time[at], told.feature[at]
        serial = told.own_serial(at)
        if serial:
            return serial, told.time[at], told.feature[at]
        time = told.own_time(at)
        return None if time is None else ("", time, told.feature[at])

    def _counted(self, at: int) -> int:
        return self.told.number(at) - (self.there.ahead or 0)

    def _is(self, at: int, held: Held) -> None:
        held.used = True
        told, source = self.told, self.told.source[at]
        self.same[at] = held
        self.goals.setdefault(told.part[at], held.part)
        self.overlap[source] += 1
        self.last_known[source] = max(told.part[at], self.last_known.get(source, 0))

    def find_copies(self) -> None:
        """Find new rows that repeat a stretch of stored ones, with nothing to tell them apart."""
        told = self.told
        new = [at for at in range(len(told)) if self.same[at] is None and told.bare(at)]
        if not new:
            return
        own: dict[Key, list[int]] = {}
        for at in new:
            own.setdefault((told.source[at], told.row[at]), []).append(at)
        stored: dict[Key, list[Held]] = {}
        for held in self.there.bare:
            stored.setdefault((held.source, held.row), []).append(held)
        rows = [tuple((h.feature, h.value) for h in row) for row in stored.values()]
        rows += [tuple((told.feature[at], told.value[at]) for at in row) for row in own.values()]
        numbers = {row: number for number, row in enumerate(dict.fromkeys(rows))}
        places = list(own.values())
        for copy in copies(np.array([numbers[row] for row in rows])):
            for row in range(max(copy.first, len(stored)), copy.first + copy.count):
                self.copied |= dict.fromkeys(places[row - len(stored)], copy.count)

    # -- where the others belong ---------------------------------------------------------------

    def count(self, run: str) -> None:
        """Place every part by its number."""
        told = self.told
        for at, part in enumerate(told.part):
            goal = self._counted(at)
            if goal < 1:
                raise UnreadableRun(
                    f"{told.source[at]}: part {told.serial[at]} comes before the first part of run "
                    f"{run!r}; import the earlier file first, or name another run with --run"
                )
            self.goals[part] = goal

    def decide(self) -> Placed:
        """Place what is new behind all that is stored, and ask about what contradicts it."""
        told, contradict = self.told, self._contradicting()
        done = Placed(
            [0] * len(told), list(told.repeat), [], overlap=self.overlap, _goals=self.goals
        )
        fresh: list[int] = []
        added: Counter[tuple[int, str]] = Counter()
        top, before = self.there.last_part, 0
        begun: set[str] = set()
        for at, own in enumerate(told.part):
            held, asked = self.same[at], ""
            if held is not None:
                done.part[at] = held.part
                done.known += 1
                family = self.families.get(told.source[at], ())
                done.elsewhere += held.source not in family
            elif own not in self.goals and (serial := told.own_serial(at)) in self.of_serial:
                self.goals[own] = self.of_serial[serial]
            elif own not in self.goals:
                asked = self._late(at, told.source[at] in begun)
                if not asked:
                    self.goals[own] = top + max(1, own - before)
            if held is None:
                part = done.part[at] = self.goals.get(own, 0)
                asked = asked or self._doubt(at, part, contradict)
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

    def _contradicting(self) -> dict[int, Held]:
        """Readings that give a stored one another value, rather than read a part again."""
        told = self.told
        found: dict[int, Held] = {}
        parts: dict[str, set[int]] = {}
        for at, (row, key, since) in self.others.items():
            later = self.by_key.get(key, [])[since:] if key is not None else []
            left = next((held for held in (*row, *later) if not held.used), None)
            if left is not None:
                found[at] = left
                if self.counts or told.own_serial(at):
                    parts.setdefault(told.source[at], set()).add(told.part[at])
        return {
            at: left
            for at, left in found.items()
            if self.families.get(source := told.source[at])
            or self.overlap[source]
            or len(parts.get(source, ())) >= FEWEST
        }

    @cached_property
    def come_round(self) -> bool:
        """Whether the part numbers of the run, these files at its end, are places of a pallet."""
        told, most = self.told, Counter(self.told.feature).most_common(1)
        own = [(told.serial[at], told.feature[at], told.value[at]) for at in range(len(told))]
        read = [
            (number, value)
            for number, feature, value in (*self.there.recent, *own)
            if feature == most[0][0]
        ]
        codes = np.unique([number for number, _ in read], return_inverse=True)[1]
        values = np.array([value for _, value in read])
        return self.auto and come_round(codes) and not read_alike(codes, values)

    def _late(self, at: int, begun: bool) -> str:
        """Why a new part cannot come behind all that is stored."""
        told, last = self.told, self.there.last_time
        serial, time, source = told.serial[at], told.time[at], told.source[at]
        if told.part[at] < self.last_known.get(source, 0):
            return (
                f"{QUESTION}part {serial} stands before a part that is stored already; parts "
                "cannot be put in between: name another run with --run"
            )
        early = time is not None and last is not None and time < last - ONE_MINUTE
        if early and not begun and not self.families.get(source):
            return (
                f"{QUESTION}part {serial} was measured before the last part that is stored; import "
                "files in the order of their times, or name another run with --run"
            )
        return ""

    def _doubt(self, at: int, part: int, contradict: Mapping[int, Held]) -> str:
        told = self.told
        serial, feature = told.serial[at], told.feature[at]
        if at in contradict:
            return (
                f"{QUESTION}{feature} of part {serial} is stored as "
                f"{contradict[at].value:+.2f} µm, here {told.value[at]:+.2f} µm"
            )
        if at in self.copied:
            return (
                f"{QUESTION}row {told.row[at]} is one of {self.copied[at]} with the same readings, "
                "in the same order, as stored before; the same parts again? Give part numbers or "
                "times if they are others"
            )
        again = self.stored[part, feature] and (self.counts or told.own_serial(at))
        if again and self.come_round:
            return (
                f"{QUESTION}part numbers such as {serial} come again and again; are they places, "
                "such as of a pallet? Set numbering = 'rows' under [reading] in the plan then, "
                "else 'serial', and import again"
            )
        if again and self.there.last_part - part > FAR_APART and not self.reground():
            return f"{QUESTION}part {serial} was measured long before; measured again or mistyped?"
        if again and self.ask:
            return f"{QUESTION}part {serial} was already measured; the plan asks before repeats"
        return ""
