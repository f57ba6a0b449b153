r"""
One value: what grinding on, an offset, a dress and one more reading are worth.

With ``m`` the estimated level of the coming part on one register, ``a`` its age, money above the
long-run `rate` a part::

    V_a(m)    = min( keep_a(m),  C_offset + min_u keep_a(m + u),  C_dress + V_0 )
    keep_a(m) = loss_a(m) - rate + E V_{a+1}(m + growth + what the next reading says)

and `rate` is the one with ``V_0 = 0``: the cost a part of a whole dress cycle (average cost by
renewal at a dress; Howard 1960, from memory). `loss` is that of all sizes the register moves, each
where it stands beside their mean, so that the worst one decides, and of those it does not move at
their best. What lies ahead is averaged over the bank, see `spc.adviser.outlook`.

Three rows are solved side by side for every register: a fresh wheel, the wheel as it is, and a
fresh wheel on a machine that is still cold, since a dress ends no warm-up.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.adviser.filter import Belief
from spc.adviser.induction import Ahead, backward, between, kernels
from spc.adviser.loss import GRID, SPREADS, Sizes, Stakes
from spc.adviser.model import WARM_PARTS
from spc.adviser.outlook import NEGLIGIBLE, blocks, outlook, readings, rows

Floats = NDArray[np.float64]

#: A machine with less than this share of its warm-up to come is warm.
WARM_ENOUGH = 0.02
#: Newton steps to the rate, at most; solved when a fresh cycle is worth less than this share of a
#: dress.
MOST_STEPS, SOLVED = 12, 5e-3
#: Rates tried to begin with, as multiples of a first guess.
TRIED_RATES = (0.6, 1.0, 1.6, 2.4, 3.5, 6.0)
#: Seven points and weights for the expectation over a standard normal.
_HERMITE = np.polynomial.hermite_e.hermegauss(7)
FRESH, THIS, COLD = range(3)


@dataclass(frozen=True, eq=False)
class Value:
    """
    Cost to go above the rate, before the coming part.

    Levels are those of each register, shape (registers,), in units of each.

    Attributes
    ----------
    rate : float
        Cost a part of a whole cycle.
    keep : ndarray, shape (3, registers, levels)
        Of grinding on at each level of `GRID`: fresh wheel, this one, fresh wheel on a machine as
        cold as this one.
    doubt : ndarray, shape (registers,)
        Variance of the estimated level. [units of the register^2]
    end : float
        What a fresh wheel is worth to a batch that ends before it is dull; 0 or less.
    """

    stakes: tuple[Stakes, ...]  # of one size on each register, for the step
    rate: float
    keep: Floats
    doubt: Floats
    end: float

    def grind(self, levels: Floats, row: int = THIS) -> float:
        """Cost to go of grinding on."""
        return self.best(row) + float(self.excess(levels, row).sum())

    def best(self, row: int = THIS) -> float:
        """Cost to go of grinding on with every register at its best."""
        return float(self.keep[row].min(axis=1).mean())

    def excess(self, levels: Floats, row: int = THIS) -> Floats:
        """What the place of each register costs to go beyond its best, shape (registers,)."""
        return np.array(
            [between(keep, m) - keep.min() for keep, m in zip(self.keep[row], levels, strict=True)]
        )

    def offset(
        self, levels: Floats, row: int = THIS, without: Sequence[int] = ()
    ) -> tuple[float, int, float]:
        """
        Cost to go of the best offset that the control can make, its register, its amount.

        The registers in `without` stay where they are.
        """
        saves, amounts = self._moves(levels, row)
        saves[list(without)] = -np.inf
        r = int(np.argmax(saves))
        return self.grind(levels, row) - float(saves[r]), r, float(amounts[r])

    def dress(self, levels: Floats, cold: bool) -> tuple[float, int, float]:
        """
        Cost to go of a dress that leaves the levels there, and the first offset to make with it.

        Every register is moved that is worth it.
        """
        row = COLD if cold else FRESH
        saves, amounts = self._moves(levels, row)
        # A batch that ends is in the cold row already.
        end = 0.0 if cold else self.end
        cost = self.stakes[0].dress + end + self.grind(levels, row)
        cost -= float(np.maximum(saves, 0).sum())
        r = int(np.argmax(saves))
        return (cost, r, float(amounts[r])) if saves[r] > 0 else (cost, 0, 0.0)

    def _moves(self, levels: Floats, row: int) -> tuple[Floats, Floats]:
        """What the best offset of each register saves, its price paid, and its amount."""
        saves, amounts = np.empty(len(levels)), np.empty(len(levels))
        for r, (stakes, keep) in enumerate(zip(self.stakes, self.keep[row], strict=True)):
            aim = GRID[int(np.argmin(keep))]
            steps = np.round((aim - levels[r]) / stakes.step)
            tries = stakes.step * (steps + np.arange(-2, 3))
            costs = [between(keep, levels[r] + um) for um in tries]
            best = int(np.argmin(costs))
            saves[r] = between(keep, levels[r]) - costs[best] - stakes.offset
            amounts[r] = tries[best]
        return saves, amounts

    def gain_of_reading(self, levels: Floats, dress: float, noise_var: Floats) -> float:
        """
        What a reading of the coming part saves by the act that may follow it.

        Parameters
        ----------
        levels : ndarray, shape (registers,)
            Estimated levels of the coming part.
        dress : float
            Cost to go of a dress.
        noise_var : ndarray, shape (registers,)
            Variance of the readings about the level. [units of the register^2]
        """
        weights = _HERMITE[1] / _HERMITE[1].sum()
        gain = 0.0
        for r, keep in enumerate(self.keep[THIS]):
            sd = self.doubt[r] / np.sqrt(self.doubt[r] + noise_var[r])
            saved = np.maximum(keep - min(keep.min() + self.stakes[0].offset, dress), 0)
            ahead = np.interp(levels[r] + sd * _HERMITE[0], GRID, saved)
            gain += float(weights @ ahead - np.interp(levels[r], GRID, saved))
        return gain


def solve(
    belief: Belief,
    dressed: Belief,
    sizes: Sizes,
    *,
    every: int,
    due: int,
    after: Floats | None = None,
    unsure: float = 0.0,
    left: float = np.inf,
) -> Value:
    """
    The value of every act as things stand.

    Parameters
    ----------
    belief, dressed : Belief
        Of the levels, the wear, the life and the spread, as things are and after a dress now.
    sizes : Sizes
        Limits, prices and registers.
    every, due : int
        Parts from one reading to the next, and to the next one.
    after : ndarray, shape (registers,), optional
        Levels that a dress leaves; those that are best unless told.
    unsure : float
        Cost of not knowing what a dress does.
    left : float
        Parts of the batch still to come: nothing is dressed or moved for others.
    """
    stakes, registers = sizes.price, len(sizes.units)
    wheels = rows(belief, dressed)
    lengths = blocks(wheels, min(sizes.units))
    # The first part of a fresh wheel is read.
    first, now = readings(lengths, every, 1), readings(lengths, every, due)
    looks = [
        outlook(belief, wheels[FRESH], lengths, first, sizes, every),
        outlook(belief, wheels[THIS], lengths, now, sizes, every),
    ]
    cold = belief.cold >= WARM_ENOUGH
    if cold:
        looks.append(outlook(belief, wheels[COLD], lengths, first, sizes, every))
    # Lanes: the registers of the fresh wheel, of this one, and of the cold one if there is any.
    read = np.stack([first, now, first][: len(looks)], axis=1) > 0
    unasked = np.concatenate([np.zeros((1, len(looks)), dtype=bool), ~read[:-1]])
    start = np.cumsum(lengths) - lengths
    ground = np.ones((len(lengths), len(looks)))
    ground[:, THIS:] = np.clip((left - start) / lengths, 0, 1)[:, None]
    ahead = Ahead(
        cost=np.concatenate([look.cost for look in looks]).transpose(1, 0, 2),
        kernels=np.stack(
            [kernels(*each) for look in looks for each in zip(look.shift, look.news, strict=True)],
            axis=1,
        ),
        stays=np.repeat(np.stack([look.stays for look in looks], axis=1), registers, axis=1),
        unasked=np.repeat(unasked, registers, axis=1),
        ground=np.repeat(ground, registers, axis=1),
        lengths=lengths,
        fresh=registers,
    )
    returns = stakes.returns * stakes.offset * registers
    rate = _rate_about(_first_guess(belief, sizes), ahead, stakes, returns)
    cooling = belief.cold * np.exp(-start / WARM_PARTS)
    chill = extra = 0.0
    steps = tuple(sizes.stakes[sizes.on(r)[0]] for r in range(registers))
    fresh_cost = looks[FRESH].cost.min(axis=2).mean(axis=0)
    for _ in range(MOST_STEPS):
        leave = stakes.dress + stakes.measure * unasked
        leave[:, THIS:] += (chill * cooling / max(belief.cold, NEGLIGIBLE))[:, None]
        end = _end_of_batch(fresh_cost, lengths, rate, stakes.dress, left - np.append(start, 0.0))
        leave[:, THIS:] += end[:-1, None]
        # This wheel's dress costs what it costs now: else it were for ever put off by a part.
        leave[:, THIS] += extra
        rates = np.full(len(looks) * registers, rate)
        lanes, length = backward(ahead, stakes, rates, np.repeat(leave, registers, axis=1))
        keep = lanes.reshape(len(looks), registers, -1)
        best = keep.min(axis=2).mean(axis=1)
        worth = best[FRESH] + returns
        before = chill, extra
        chill = float(best[-1] - best[FRESH] - end[-1]) if cold else 0.0
        whole = keep if cold else np.concatenate([keep, keep[FRESH][None]])
        value = Value(steps, rate, whole, looks[THIS].doubt, float(end[-1]))
        if after is not None:
            extra = value.dress(after, cold)[0] + unsure
            extra -= stakes.dress + (chill if cold else 0.0) + float(end[-1])
        moved = abs(chill - before[0]) + abs(extra - before[1])
        if abs(worth) + moved < SOLVED * stakes.dress:
            break
        rate += float(worth / length.mean())
    return value


def _rate_about(guess: float, ahead: Ahead, stakes: Stakes, returns: float) -> float:
    """
    The rate as one pass over several of them finds it.

    What a fresh cycle is worth is concave in the rate, so that every Newton step ends above the
    solution: the least is the nearest.
    """
    count, registers = len(TRIED_RATES), ahead.fresh

    def fresh(of: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([of[:, :registers]] * count, axis=1)

    lanes = Ahead(
        fresh(ahead.cost), fresh(ahead.kernels), fresh(ahead.stays), fresh(ahead.unasked),
        fresh(ahead.ground), ahead.lengths, registers * count,
    )  # fmt: skip
    rates: Floats = np.array([guess * each for each in TRIED_RATES for _ in range(registers)])
    leave: Floats = stakes.dress + stakes.measure * lanes.unasked.astype(np.float64)
    keep, length = backward(lanes, stakes, rates, leave)
    worth = keep.min(axis=1).reshape(count, registers).mean(axis=1) + returns
    found = rates[::registers] + worth / length.reshape(count, registers).mean(axis=1)
    return float(found.min())


def _first_guess(belief: Belief, sizes: Sizes) -> float:
    """A rate to begin with: a sharp wheel at the best level, and a dress once a life."""
    sharp = np.sqrt(belief.weight @ belief.variance)
    life = float(np.exp(belief.weight @ np.log(belief.model.life)))
    rate = sizes.price.dress / life
    for size, stakes in enumerate(sizes.stakes):
        if sizes.counts(size):
            sd = sharp[size] / sizes.units[sizes.registers[size]]
            rate += float(np.interp(sd, SPREADS, stakes.least))
    return rate


def _end_of_batch(
    fresh: Floats, lengths: Floats, rate: float, dress: float, left: Floats
) -> Floats:
    """
    Cost to go of a fresh wheel when so many parts are left, shape of `left`; 0 without an end.

    It is the sum of loss less rate until the batch ends; `fresh` is the loss of the parts of each
    block at the best level. A whole cycle saves the dress that it costs, and so does every longer
    batch, cut into more of them.
    """
    saved = np.append(0.0, np.cumsum(fresh - rate * lengths))
    ends = np.append(0.0, np.cumsum(lengths))
    known = np.isfinite(left)
    worth = np.interp(np.where(known, np.maximum(left, 0), 0), ends, np.minimum.accumulate(saved))
    return np.where(known, np.maximum(worth, -dress), 0.0)
