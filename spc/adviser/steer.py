"""One diameter: what it is told, and the cheapest act; half widths, wear upward."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from spc.adviser.filter import Belief
from spc.adviser.model import SLOPE, Model
from spc.adviser.value import WARM_ENOUGH, Stakes, Value, solve

#: Moves made up to this part of a cycle belong to the setting and stay at a dress.
SETTING_PARTS = 3
#: A reading is taken again only where it is odd with at least this probability.
SUSPECT = 0.01


@dataclass(frozen=True)
class Act:
    """The cheapest act."""

    kind: str  # grind_on | measure_again | offset | dress
    move: float = 0.0  # half widths, with an offset or after a dress
    measure_next: bool = False  # whether a reading of the very next part is worth its price
    costs: tuple[float, float, float] | None = None  # to go: grind on, offset, dress
    with_dress: float = 0.0  # the move that would go with a dress

    def runner_up(self) -> tuple[str | None, float | None]:
        """The next best act, and what more it costs to go."""
        if self.costs is None:
            return None, None
        ways = dict(zip(("grind_on", "offset", "dress"), self.costs, strict=True))
        mine = ways.pop(self.kind, min(self.costs))
        other = min(ways, key=lambda way: ways[way])
        return (other, ways[other] - mine) if math.isfinite(ways[other]) else (None, None)


class Steer:
    """
    The belief on one diameter as it grows, and what follows from it.

    Parameters
    ----------
    stakes : Stakes
        Limits and prices.
    habit : float or None
        Parts per dress as the plan tells them.
    gauge_var : float
        Variance of one reading about the part. [half widths^2]
    every : int
        Parts from one scheduled reading to the next.
    clears : bool
        Whether the control takes back the moves of a cycle at its dress.
    parts : int, optional
        Of the batch, if that is known.
    """

    #: What a state keeps besides the belief before the readings of the last part.
    KEPT = ("readings", "open", "register", "moved", "seen", "made", "asked_why")

    def __init__(
        self,
        stakes: Stakes,
        *,
        habit: float | None,
        gauge_var: float,
        every: int,
        clears: bool,
        parts: int | None = None,
    ) -> None:
        self.parts = parts
        self.stakes, self.gauge_var, self.every, self.clears = stakes, gauge_var, every, clears
        self.belief = self.before = Belief.begin(Model(habit))
        self.readings: list[float] = []
        self.register = self.moved = 0.0  # in all, and since the setting of this cycle
        self.seen = False  # whether any part was read
        self.made = 0
        self.open = False  # whether the part ground last may still be read
        self.asked_why = False  # a jump was answered for
        self._solved: tuple[Belief, Value] | None = None

    def part(self) -> None:
        """A part was ground."""
        self._close()
        self.made += 1
        self.open, self.asked_why = True, False
        self.belief = self.before = self.belief.part()

    def reading(self, value: float) -> None:
        """One reading of that part."""
        self.readings = [*self.readings, value]
        self.seen = True
        self._read()

    def _read(self) -> None:
        self.belief = self.before
        if self.readings:
            values = np.array(self.readings) - self.register
            self.belief = self.before.read(values, self.gauge_var)

    def offset(self, move: float) -> None:
        """The register was moved."""
        self._close()
        self.register += move
        if self.belief.age > SETTING_PARTS:
            self.moved += move

    def dress(self) -> None:
        """The wheel was dressed."""
        self._close()
        self.register = self.register_after_dress
        self.moved = 0.0
        self.belief = self.before = self.belief.dress()

    def pause(self, parts_stood: float) -> None:
        """The machine stood for so many cycle times."""
        self._close()
        self.belief = self.before = self.belief.pause(parts_stood)

    def unsettle(self, sd: float) -> None:
        """Something was done that may have moved the level by so much. [half widths]"""
        self._close()
        self.belief = self.before = self.belief.unsettled(sd)

    def answered(self) -> None:
        """Whoever was asked for the cause of a jump has looked."""
        self.asked_why = True

    def jumped(self, chance: float, size: float) -> bool:
        """Whether the last part came after a jump at least so sure and so large, unanswered."""
        moved = abs(self.level(self.belief, 0.0) - self.level(self.before, 0.0))
        return not self.asked_why and self.belief.jump > chance and moved > size

    def resume(self, before: Belief, kept: dict[str, Any]) -> None:
        """Go on from a state."""
        for name in self.KEPT:
            setattr(self, name, kept[name])
        self.before = before
        self._read()

    @property
    def drift(self) -> float:
        """Wear a part. [half widths]"""
        return float(self.belief.weight @ self.belief.mean[:, SLOPE])

    def _close(self) -> None:
        """No more readings of this part."""
        self.before, self.readings, self.open = self.belief, [], False

    @property
    def due(self) -> int:
        """Parts to the next scheduled reading; the first part is one."""
        return self.every - (self.made - 1) % self.every

    @property
    def register_after_dress(self) -> float:
        """Where the control leaves the register at a dress."""
        return self.register - self.moved if self.clears else self.register

    def level(self, belief: Belief, register: float) -> float:
        """Estimated level of the coming part."""
        ahead = belief.part()
        z = belief.model.design(ahead.age, ahead.cold)
        return float(belief.weight @ np.einsum("ns,ns->n", z, belief.mean)) + register

    def value(self, belief: Belief) -> Value:
        """Every act's cost to go, whatever the register and whatever was asked before."""
        if self._solved is not None and self._solved[0] is belief:
            return self._solved[1]
        value = solve(
            belief, self.stakes, noise_var=self.gauge_var, every=self.every, due=self.due,
            rate=math.nan, left=math.inf if self.parts is None else self.parts - self.made,
        )  # fmt: skip
        if belief is self.belief:
            self._solved = belief, value
        return value

    def act(self) -> Act:
        """The cheapest act as things stand."""
        if not self.seen:
            return Act("grind_on", measure_next=True)
        value = self.value(self.belief)
        here = self.level(self.belief, self.register)
        keep = value.grind(here)
        offset, move = value.offset(here)
        dress, with_it = self._dress(value)
        suspect = self.belief.odd > SUSPECT and len(self.readings) == 1
        if suspect and self._gain_of_another(value, here, dress) > self.stakes.measure:
            return Act("measure_again")
        best = min(keep, offset, dress)
        costs = (keep, offset, dress)
        if best == dress:
            return Act("dress", with_it, costs=costs, with_dress=with_it)
        noise = self.gauge_var + float(self.belief.weight @ self.belief.part_var)
        offset_now = best == offset and move != 0
        gain = value.gain_of_reading(here + (move if offset_now else 0), dress, noise)
        read = self.due > 1 and gain > self.stakes.measure
        if offset_now:
            return Act("offset", move, read, costs, with_it)
        return Act("grind_on", 0.0, read, costs, with_it)

    def _dress(self, value: Value) -> tuple[float, float]:
        """Cost to go of a dress now, and the move to make with it."""
        if self.belief.age == 0:
            return float("inf"), 0.0
        fresh = self.level(self.belief.dress(), self.register_after_dress)
        return value.dress(fresh, self.belief.cold > WARM_ENOUGH)

    def _gain_of_another(self, value: Value, here: float, dress: float) -> float:
        """What a second reading of this part saves by telling whether the first one was odd."""
        odd = min(self.belief.odd, 1 - SUSPECT)
        unread = self.value(self.before)
        if_odd = self.level(self.before, self.register)
        if_not = (here - odd * if_odd) / (1 - odd)
        cases = ((unread, if_odd, self._dress(unread)[0]), (value, if_not, dress))
        ways = [[case[2] for case in cases], [v.grind(level) for v, level, _ in cases]]
        for move in (
            v.offset(level)[1] for v, level in ((value, here), cases[0][:2], cases[1][:2])
        ):
            ways.append([self.stakes.offset + v.grind(level + move) for v, level, _ in cases])
        table = np.array(ways) * (odd, 1 - odd)
        return float(table.sum(axis=1).min() - table.min(axis=0).sum())
