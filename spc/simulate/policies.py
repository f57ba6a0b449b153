"""Rules of thumb shops steer by, behind the same contract as the adviser of the wheel."""

from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass
from typing import Any, Protocol


class Advice(Protocol):
    """What a policy answers; the adviser's own answer holds these and more."""

    @property
    def action(self) -> str:
        """Such as "grind_on", "measure_again", "offset", "dress", "hold"."""

    @property
    def offset_um(self) -> float | None:
        """The move, on diameter; None: no move. [µm]"""

    @property
    def measure_after(self) -> int:
        """Parts until the next one to measure; 0: this one again."""


class Policy(Protocol):
    """Whoever is told of parts, readings and events, and says what to do next."""

    def part(self, minute: float | None = None) -> None:
        """A part was ground."""

    def reading(self, feature: str, value_um: float, again: bool = False) -> None:
        """A deviation of that part was read. [µm]"""

    def event(self, kind: str, *, um: float | None = None, minutes: float | None = None) -> None:
        """Something was done to the machine."""

    def advise(self) -> Advice:
        """The next act."""


@dataclass(frozen=True)
class Act:
    """What a rule of thumb answers."""

    action: str
    offset_um: float | None = None
    measure_after: int = 1


class FixedDress(ABC):
    """
    Dress after a fixed count, and correct size by a rule; the frame of all classical policies.

    Parameters
    ----------
    feature : str
        The diameter it steers by.
    dress_after : int
        Parts per dress.
    every : int
        Parts from one check to the next; the first two after the start and after a dress are
        always checked.
    target_um : float
        Where parts should be.
    recheck_um : float, optional
        A reading farther from target is taken again, and the second one counts.
    clears : bool
        Whether the control takes the offsets of a cycle back at its dress. If it does not, the
        policy does so itself: left out, this flatters whoever is compared with it.

    Notes
    -----
    Moves typed within three parts of a dress count as setting and stay.
    """

    def __init__(
        self,
        *,
        feature: str = "size",
        dress_after: int,
        every: int = 5,
        target_um: float = 0.0,
        recheck_um: float | None = None,
        clears: bool = False,
    ) -> None:
        self.feature = feature
        self.dress_after = dress_after
        self.every = every
        self.target_um = target_um
        self.recheck_um = recheck_um
        self.clears = clears
        self._since_dress = 0
        self._cycle_um = 0.0
        self._first_offs = 2
        self._off_um: float | None = None
        self._fresh = self._again = False

    def part(self, minute: float | None = None) -> None:
        """A part was ground."""
        self._since_dress += 1
        self._off_um = None
        self._fresh = False

    def reading(self, feature: str, value_um: float, again: bool = False) -> None:
        """A deviation of that part was read. [µm]"""
        if feature == self.feature:
            self._off_um = value_um - self.target_um
            self._fresh, self._again = True, again

    def event(self, kind: str, *, um: float | None = None, minutes: float | None = None) -> None:
        """Something was done to the machine."""
        # A reading from before an act says nothing of the machine after it.
        self._fresh = self._fresh and kind not in ("dress", "offset", "batch")
        if kind == "dress":
            self._since_dress = 0
            self._cycle_um = 0.0
            self._first_offs = 2
            self.forget()
        elif kind == "offset" and um is not None:
            if self._since_dress > 3:
                self._cycle_um += um
            self.forget()
        elif kind == "batch":
            self._first_offs = 2
            self.forget()

    def advise(self) -> Act:
        """Dress on the count, else correct if the rule says so."""
        if self._doubtful:
            return Act("measure_again", None, 0)
        if self._since_dress >= self.dress_after:
            back = 0.0 if self.clears else -self._cycle_um
            return Act("dress", back or None, 1)
        move = None
        if self._fresh and self._off_um is not None:
            self._fresh = False  # a reading is acted on once
            self._first_offs -= 1
            move = self.correction(self._off_um)
        # The dress comes on its count, so the check before it must not be later than that.
        wait = 1 if self._first_offs > 0 else self.every
        wait = max(1, min(wait, self.dress_after - self._since_dress))
        return Act("grind_on", None, wait) if move is None else Act("offset", move, wait)

    @property
    def _doubtful(self) -> bool:
        if self.recheck_um is None or self._off_um is None or not self._fresh or self._again:
            return False
        return abs(self._off_um) > self.recheck_um

    @abstractmethod
    def correction(self, off_um: float) -> float | None:
        """The move for a part that is `off_um` from target; None: leave it. [µm]"""

    def forget(self) -> None:  # noqa: B027 -- most rules remember nothing
        """Start afresh after the machine was touched."""


class FirstOff(FixedDress):
    """Correct by the first part after the start and after each dress, and never again."""

    def correction(self, off_um: float) -> float | None:
        """The whole distance after the first part, then nothing. [µm]"""
        return -off_um if self._first_offs == 1 else None


class BeyondShare(FixedDress):
    """Correct the whole distance when a part is farther from target than a share of tolerance."""

    def __init__(self, *, beyond_um: float, dress_after: int, **rest: Any) -> None:
        super().__init__(dress_after=dress_after, **rest)
        self.beyond_um = beyond_um

    def correction(self, off_um: float) -> float | None:
        """The whole distance beyond the share, else nothing. [µm]"""
        return -off_um if abs(off_um) > self.beyond_um else None


class EveryReading(FixedDress):
    """Correct every reading in full: what a chart is meant to stop."""

    def correction(self, off_um: float) -> float | None:
        """The whole distance. [µm]"""
        return -off_um


class ControlChart(FixedDress):
    """
    Correct by the mean of the last two readings when a chart about the target signals.

    Signals: one reading beyond three sigma, nine on one side, six that rise or fall throughout.

    Parameters
    ----------
    sigma_um : float
        Of single readings, known rightly: a favour to this policy.
    """

    def __init__(self, *, sigma_um: float, dress_after: int, **rest: Any) -> None:
        super().__init__(dress_after=dress_after, **rest)
        self.sigma_um = sigma_um
        self._seen: deque[float] = deque(maxlen=9)

    def correction(self, off_um: float) -> float | None:
        """The mean of the last two readings taken back when the chart signals. [µm]"""
        self._seen.append(off_um)
        seen = list(self._seen)
        beyond = abs(off_um) > 3 * self.sigma_um
        one_side = len(seen) == 9 and (min(seen) > 0 or max(seen) < 0)
        steps = [b - a for a, b in zip(seen[-6:], seen[-5:], strict=False)]
        climb = len(steps) == 5 and (min(steps) > 0 or max(steps) < 0)
        if not (beyond or one_side or climb):
            return None
        return -sum(seen[-2:]) / len(seen[-2:])

    def forget(self) -> None:
        """Begin a new chart."""
        self._seen.clear()


class FixedInterval:
    """A policy kept to a fixed check interval: what choosing the interval is worth."""

    def __init__(self, policy: Policy, every: int) -> None:
        self._policy = policy
        self._every = every
        self.part = policy.part
        self.reading = policy.reading
        self.event = policy.event

    def advise(self) -> Act:
        """The policy's act; the next check after the fixed interval, or as soon as forced."""
        advice = self._policy.advise()
        # 0 and 1 are forced: this part again, and the first parts after an act.
        forced = advice.measure_after <= 1
        wait = advice.measure_after if forced else self._every
        return Act(advice.action, advice.offset_um, wait)


class NoMoveAtDress:
    """A policy whose moves at a dress are left out: what feeding forward is worth."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._dressed = False
        self.reading = policy.reading

    def part(self, minute: float | None = None) -> None:
        """A part was ground."""
        self._dressed = False
        self._policy.part(minute=minute)

    def event(self, kind: str, *, um: float | None = None, minutes: float | None = None) -> None:
        """Something was done to the machine."""
        self._dressed = self._dressed or kind == "dress"
        self._policy.event(kind, um=um, minutes=minutes)

    def advise(self) -> Act:
        """The policy's act without any move between a dress and the first part after it."""
        advice = self._policy.advise()
        if advice.action == "dress" or (self._dressed and advice.action == "offset"):
            action = "dress" if advice.action == "dress" else "grind_on"
            return Act(action, None, advice.measure_after)
        return Act(advice.action, advice.offset_um, advice.measure_after)
