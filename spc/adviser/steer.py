"""The sizes that are steered: what is told of them, and the cheapest act; wear upward."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.adviser.filter import Belief
from spc.adviser.loss import Sizes
from spc.adviser.model import ALIKE, SLOPE, Model
from spc.adviser.prior import Prior
from spc.adviser.value import WARM_ENOUGH, Value, solve

Floats = NDArray[np.float64]

#: Moves made up to this part of a cycle belong to the setting and stay at a dress.
SETTING_PARTS = 3
#: An act that saves less than this share of the price of an offset is as good as none: the value
#: is no surer than that, and the quieter of two equal acts is told. Judgement.
EQUAL = 0.1
#: No move is told with a dress unless it is so probable what a dress does. Judgement.
SURE_EFFECT = 0.9
#: A reading is taken again only where it is odd with at least this probability.
SUSPECT = 0.01


@dataclass(frozen=True)
class Act:
    """The cheapest act; moves are in half widths of the tightest tolerance."""

    kind: str  # grind_on | measure_again | offset | dress
    register: int = 0
    move: float = 0.0  # with an offset or after a dress
    size: int = 0  # the one to measure again
    measure_next: bool = False  # whether a reading of the very next part is worth its price
    costs: tuple[float, float, float] | None = None  # to go: grind on, offset, dress
    with_dress: tuple[int, float] = (0, 0.0)  # register and move that would go with a dress

    def runner_up(self) -> tuple[str | None, float | None]:
        """The next best act, and what more it costs to go."""
        if self.costs is None:
            return None, None
        ways = dict(zip(("grind_on", "offset", "dress"), self.costs, strict=True))
        mine = ways.pop(self.kind, min(self.costs))
        other = min(ways, key=lambda way: ways[way])
        more = ways[other] - mine
        # One that is as good is no alternative worth naming.
        return (other, more) if math.isfinite(more) and more > 0 else (None, None)


class Steer:
    """
    The belief on the sizes as it grows, and what follows from it.

    Parameters
    ----------
    sizes : Sizes
        Limits, prices, registers and gauges.
    prior : Prior
        What is believed before the first part.
    every : int
        Parts from one scheduled reading to the next.
    resets, clears : bool or None
        What the plan says of a dress: whether it takes the wear out of the size, and whether the
        control takes back the moves of a cycle at it. None: learnt.
    forms : tuple of float
        Guarded upper limits of form and finish. [µm]
    parts : int, optional
        Of the batch, if that is known.
    """

    #: What a state keeps besides the belief before the readings of the last part.
    KEPT = ("readings", "forms", "open", "register", "moved", "read", "made", "asked_why")

    def __init__(
        self,
        sizes: Sizes,
        *,
        prior: Prior,
        every: int,
        resets: bool | None = True,
        clears: bool | None = True,
        forms: tuple[float, ...] = (),
        parts: int | None = None,
    ) -> None:
        self.parts = parts
        self.sizes, self.every = sizes, every
        model = Model(prior, sizes.registers)
        self.before = Belief.begin(model, resets=resets, clears=clears, forms=forms)
        self.readings: list[tuple[int, float]] = []
        self.forms: list[tuple[int, float]] = []  # readings of form and finish of this part
        # Of each register: where it stands, and what it was moved since the setting of this cycle.
        self.register = [0.0] * len(sizes.units)
        self.moved = [0.0] * len(sizes.units)
        self.read = [False] * len(sizes.stakes)  # which sizes were ever read
        self.made = 0
        self.open = False  # whether the part ground last may still be read
        self.asked_why = False  # a jump was answered for
        self._belief: Belief | None = self.before
        self._solved: tuple[Belief, Value] | None = None
        self._dressed: tuple[Belief, Belief] | None = None

    # -- what it is told -----------------------------------------------------------------------

    def part(self) -> None:
        """A part was ground."""
        self._close()
        self.made += 1
        self.open, self.asked_why = True, False
        self._now(self.before.part())

    def reading(self, size: int, value: float) -> None:
        """One reading of that part. [half widths]"""
        self.readings = [*self.readings, (size, value)]
        self.read[size] = True
        self._belief = None

    def reading_of_form(self, form: int, um: float) -> None:
        """One reading of form or finish of that part; the first of each counts."""
        if all(form != known for known, _ in self.forms):
            self.forms = [*self.forms, (form, um)]
            self._belief = None

    def offset(self, register: int, move: float) -> None:
        """A register was moved."""
        self._close()
        self._solved = self._dressed = None  # they hang on what a dress would take back
        self.register[register] += move
        if self.belief.age > SETTING_PARTS:
            self.moved[register] += move

    def dress(self) -> None:
        """The wheel was dressed."""
        self._close()
        self._now(self.belief.dress(self._moved_by_size))
        self.moved = [0.0] * len(self.register)

    def pause(self, parts_stood: float) -> None:
        """The machine stood for so many cycle times."""
        self._close()
        self._now(self.belief.pause(parts_stood))

    def unsettle(self, sd: float) -> None:
        """Something was done that may have moved the levels by so much. [half widths]"""
        self._close()
        self._now(self.belief.unsettled(sd))

    def answered(self) -> None:
        """Whoever was asked for the cause of a jump has looked."""
        self.asked_why = True

    def resume(self, before: Belief, kept: dict[str, Any]) -> None:
        """Go on from a state."""
        for name in self.KEPT:
            setattr(self, name, kept[name])
        self.readings = [(int(size), float(value)) for size, value in self.readings]
        self.forms = [(int(form), float(value)) for form, value in self.forms]
        self.before, self._belief = before, None

    def _now(self, belief: Belief) -> None:
        self.before = self._belief = belief

    def _close(self) -> None:
        """No more readings of this part."""
        self.before, self.readings, self.forms, self.open = self.belief, [], [], False

    # -- what it believes ----------------------------------------------------------------------

    @property
    def belief(self) -> Belief:
        """After all that was told."""
        if self._belief is None:
            self._belief = self.before
            if self.readings:
                # In one order, whichever was typed first.
                told = sorted(self.readings, key=lambda reading: reading[0])
                size = np.array([size for size, _ in told])
                moved = np.array([self.register[self.sizes.registers[s]] for s in size])
                values = np.array([value for _, value in told]) - moved
                self._belief = self.before.read(size, values, self.sizes.gauge_var[size])
            for form, um in sorted(self.forms):
                self._belief = self._belief.read_form(form, um)
        return self._belief

    @property
    def _moved_by_size(self) -> Floats:
        """Moves that the control may take back; it then counts as a move of the levels."""
        return np.array(self.moved)[list(self.sizes.registers)]

    def dressed(self, belief: Belief) -> Belief:
        """After a dress that does what dresses most likely do."""
        if self._dressed is None or self._dressed[0] is not belief:
            self._dressed = belief, belief.dress(self._moved_by_size, likeliest=True)
        return self._dressed[1]

    def drift(self, size: int) -> float:
        """Wear a part. [half widths]"""
        belief, model = self.belief, self.belief.model
        mean = belief.weight @ belief.mean
        lean = mean[model.lean][size] if model.sizes > 1 else 0.0
        return float(mean[SLOPE] + lean)

    def apart(self, size: int) -> int | None:
        """
        A size that one offset cannot serve together with this one; None: there is none.

        Each would call for a move that costs the other more than an offset.
        """
        sizes, belief = self.counted, self.belief
        mine = [other for other in sizes.on(sizes.registers[size]) if other != size]
        if not mine:
            return None
        levels = self.levels(belief)
        other = max(mine, key=lambda each: abs(levels[each] - levels[size]))
        now = self._losses(belief, levels)
        price = sizes.price.offset
        suffers = []
        for moved, left in ((size, other), (other, size)):
            shift = np.zeros(len(levels))
            shift[sizes.on(sizes.registers[size])] = -levels[moved]
            then = self._losses(belief, levels + shift)
            suffers.append(now[moved] - then[moved] > 0 and then[left] - now[left] > price)
        return other if all(suffers) else None

    def rests_on_one(self, size: int) -> bool:
        """Whether one reading of the part ground last has moved a level by most of what it is."""
        if sum(read == size for read, _ in self.readings) != 1:
            return False
        now, before = (self.levels(belief)[size] for belief in (self.belief, self.before))
        return bool(abs(now - before) > 0.5 * abs(now))

    def jumped(self, chance: float, size: float) -> bool:
        """Whether the last part jumped, so sure and so far, and nobody has looked why."""
        if self.asked_why or self.belief.strange <= chance:
            return False
        return any(abs(value - self.foretold(of)[0]) > size for of, value in self.readings)

    @property
    def due(self) -> int:
        """Parts to the next scheduled reading; the first part is one."""
        return self.every - (self.made - 1) % self.every

    def levels(self, belief: Belief) -> Floats:
        """Estimated levels of the coming part, shape (sizes,). [half widths]"""
        return belief.coming[0] + np.array(self.register)[list(self.sizes.registers)]

    @property
    def failing(self) -> int | None:
        """The form or finish that costs more than any size where it stands; None: none does."""
        age = np.array([self.belief.age + 1.0])
        out = [float(form.out(age)[0]) for form in self.belief.forms]
        losses = self._losses(self.belief, self.levels(self.belief))
        if not out or max(out) * self.sizes.price.form <= losses.max():
            return None
        return int(np.argmax(out))

    @property
    def worst(self) -> int:
        """The size whose next part costs the most where it stands."""
        return int(np.argmax(self._losses(self.belief, self.levels(self.belief))))

    def _losses(self, belief: Belief, levels: Floats) -> Floats:
        """What the next part costs by each size that was ever read, shape (sizes,)."""
        sds = np.sqrt(self.doubts(belief) ** 2 + belief.weight @ belief.part_var)
        costs = []
        for size, stakes in enumerate(self.sizes.stakes):
            unit = self.sizes.units[self.sizes.registers[size]]
            level, sd = levels[size] / unit, sds[size] / unit
            costs.append(self.read[size] * float(stakes.loss(level, sd)))
        return np.array(costs)

    def foretold(self, size: int) -> tuple[float, float]:
        """Mean and variance of a reading of the part ground last, before any. [half widths]"""
        belief = self.before
        z = belief.model.design(belief.age, belief.cold)[:, size]
        each = np.einsum("ns,ns->n", z, belief.mean)
        var = np.einsum("ns,nst,nt->n", z, belief.cov, z) + belief.part_var[:, size]
        var += self.sizes.gauge_var[size]
        mean = float(belief.weight @ each)
        at = self.register[self.sizes.registers[size]]
        return mean + at, float(belief.weight @ (var + (each - mean) ** 2))

    def doubts(self, belief: Belief) -> Floats:
        """Standard deviations of the levels of the coming part, shape (sizes,). [half widths]"""
        return belief.coming[1]

    def _of_registers(self, levels: Floats) -> Floats:
        """Mean level of the sizes of each register, in its unit."""
        sizes = self.counted
        return np.array([levels[sizes.on(r)].mean() / unit for r, unit in enumerate(sizes.units)])

    @property
    def counted(self) -> Sizes:
        """The sizes, those never read left out of all costs."""
        return self.sizes.only(self.read)

    def value(self, belief: Belief) -> Value:
        """Every act's cost to go, whatever was asked before."""
        if self._solved is not None and self._solved[0] is belief:
            return self._solved[1]
        dressed = self.dressed(belief)
        fresh = self.levels(dressed)
        value = solve(
            belief, dressed, self.counted, every=self.every, due=self.due,
            after=self._of_registers(fresh), unsure=self._of_not_knowing(belief, dressed, fresh),
            left=math.inf if self.parts is None else self.parts - self.made,
        )  # fmt: skip
        if belief is self.belief:
            self._solved = belief, value
        return value

    # -- what follows --------------------------------------------------------------------------

    def act(self, waiting: Sequence[int] = ()) -> Act:
        """The cheapest act as things stand; the registers that wait for a reading are not moved."""
        if not any(self.read):
            return Act("grind_on", measure_next=True)
        belief, value = self.belief, self.value(self.belief)
        here = self._of_registers(self.levels(belief))
        keep = value.grind(here)
        offset, register, move = value.offset(here, without=waiting)
        dress, with_register, with_move = self._dress(value)
        suspect = self._suspect()
        if (
            suspect is not None
            and self._gain_of_another(value, here, dress, suspect) > self.sizes.price.measure
        ):
            return Act("measure_again", size=suspect)
        # Of acts as good as each other the quieter one is told.
        equal = EQUAL * self.sizes.price.offset
        ways = (keep, offset + equal, dress + equal)
        best = min(ways)
        costs = (keep, offset, dress)
        unit = self.sizes.units
        after = (with_register, with_move * unit[with_register])
        if belief.unread and best != keep:
            # Parts were ground since the last reading: the next one says more than any act.
            return Act("grind_on", measure_next=True, costs=costs)
        if best == ways[2]:
            return Act("dress", with_register, after[1], costs=costs, with_dress=after)
        unknown = belief.pending and max(belief.effects) < SURE_EFFECT
        moves = best == ways[1] and move != 0 and not unknown
        there = here.copy()
        there[register] += move if moves else 0.0
        gain = value.gain_of_reading(there, dress, self._noise_var())
        # The first part of a fresh wheel is read, as the value presumes.
        fresh = belief.dresses > 0 and belief.age == 0
        read = self.due > 1 and (unknown or fresh or gain > self.sizes.price.measure)
        kind, by = ("offset", move * unit[register]) if moves else ("grind_on", 0.0)
        return Act(kind, register, by, measure_next=read, costs=costs, with_dress=after)

    def _dress(self, value: Value) -> tuple[float, int, float]:
        """Cost to go of a dress now, and the register and the move to make with it."""
        if self.belief.age == 0:
            return float("inf"), 0, 0.0
        dressed = self.dressed(self.belief)
        fresh = self.levels(dressed)
        cold = self.belief.cold > WARM_ENOUGH
        cost, register, move = value.dress(self._of_registers(fresh), cold)
        known = max(self.belief.effects)
        cost += self._of_not_knowing(self.belief, dressed, fresh)
        return cost, register, move * (known > SURE_EFFECT)

    def _of_not_knowing(self, belief: Belief, dressed: Belief, fresh: Floats) -> float:
        """
        Cost of a first part and of an offset where a dress does something else than it likely does.

        It is paid once: the first part after it tells what it does. Nobody who is not sure sets up
        for the dearer side, so the part costs no more than one beyond the cheaper limit.
        """
        outcomes = belief.outcomes(self._moved_by_size)
        usual = max(outcomes, key=lambda outcome: outcome[0])[1]
        likely = self._losses(dressed, fresh).sum()
        most = min(self.sizes.price.low, self.sizes.price.high)
        cost = 0.0
        for p, shift in outcomes:
            worse = float(self._losses(dressed, fresh + shift - usual).sum() - likely)
            cost += p * (min(worse, most) + self.sizes.price.offset) * (worse > 0)
        return cost

    def _noise_var(self) -> Floats:
        """Variance of one reading of every size about the level of each register."""
        part = self.belief.weight @ self.belief.part_var
        made = []
        for r, unit in enumerate(self.sizes.units):
            mine = self.counted.on(r)
            share = 1 / len(mine)
            var = part[mine].mean() * (share + ALIKE * (1 - share))
            made.append((var + share * self.sizes.gauge_var[mine].mean()) / unit**2)
        return np.array(made)

    def _suspect(self) -> int | None:
        """The size whose one reading is the likeliest to be odd, if it may well be."""
        belief = self.belief
        if not belief.odd:
            return None
        size = int(np.argmax(belief.odd))
        once = sum(read == size for read, _ in self.readings) == 1
        return size if once and belief.odd[size] > SUSPECT else None

    def _gain_of_another(self, value: Value, here: Floats, dress: float, suspect: int) -> float:
        """What a second reading of this part saves by telling whether the first one was odd."""
        odd = min(self.belief.odd[suspect], 1 - SUSPECT)
        others = [reading for reading in self.readings if reading[0] != suspect]
        without = self._without(others)
        unread = self.value(without)
        if_odd = self._of_registers(self.levels(without))
        if_not = (here - odd * if_odd) / (1 - odd)
        cases = ((unread, if_odd, self._dress(unread)[0]), (value, if_not, dress))
        ways = [[case[2] for case in cases], [v.grind(level) for v, level, _ in cases]]
        for _, register, move in (
            v.offset(level) for v, level in ((value, here), cases[0][:2], cases[1][:2])
        ):
            step = np.zeros(len(here))
            step[register] = move
            ways.append([self.sizes.price.offset + v.grind(level + step) for v, level, _ in cases])
        table = np.array(ways) * (odd, 1 - odd)
        return float(table.sum(axis=1).min() - table.min(axis=0).sum())

    def _without(self, readings: list[tuple[int, float]]) -> Belief:
        """The belief had only these readings of this part been told."""
        mine, belief, solved = self.readings, self._belief, self._solved
        self.readings, self._belief = readings, None
        without = self.belief
        self.readings, self._belief, self._solved = mine, belief, solved
        return without
