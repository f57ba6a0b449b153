r"""
One value: what grinding on, an offset, a dress and one more reading are worth.

With ``m`` the estimated level of the coming part, ``a`` its age, money above the long-run `rate` a
part::

    V_a(m)    = min( keep_a(m),  C_offset + min_u keep_a(m + u),  C_dress + V_0 )
    keep_a(m) = loss_a(m) - rate + E V_{a+1}(m + growth + what the next reading says)

and `rate` is the one with ``V_0 = 0``: the cost a part of a whole dress cycle (average cost by
renewal at a dress; Howard 1960, from memory). The belief enters in three places: `loss` and
`growth` are averages over all filters of the bank *before* anything is minimised (an average of
values would let every filter choose for itself and put off the dress); a wheel that dulls is
recognised by its readings after a while and dressed once that is worth it, see
`_unrecognised`; the doubt about the level is part of the scatter of a part; and what readings will
take off that doubt moves the estimate.

Levels lie on a grid, time in blocks of parts that grow with the distance ahead. Between blocks the
level moves along the mean path: a kernel of cubic Lagrange weights at the three points of a
Gauss-Hermite rule, which keeps mean and variance of the move.

Three rows are solved side by side: a fresh wheel, the wheel as it is, and a fresh wheel on a
machine that is still cold, since a dress ends no warm-up. Lengths are half widths.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.adviser.filter import Belief
from spc.adviser.model import (
    GROWTH,
    SETTLING,
    SETTLING_PARTS,
    SIGMA_START,
    SLOPE,
    WARM_PARTS,
    WARMTH,
    dressed,
)

Floats = NDArray[np.float64]

#: Levels thought of: from the middle to so many half widths either way. Own choice.
REACH, LEVELS = 1.6, 41
GRID: Floats = np.linspace(-REACH, REACH, LEVELS)
PITCH = float(GRID[1] - GRID[0])
#: A block is at most this share of the way ahead, the last one ends so far ahead. [parts]
BLOCK_SHARE, FARTHEST = 0.15, 4000
#: Wear within one block, at most; blocks in all, at most. [half widths]
BLOCK_WEAR, MOST_BLOCKS = 0.24, 90
#: Pieces in which a block with many readings is gone through.
PIECES = 4
#: Levels a kernel reaches to each side.
_SIDE = 10
#: Spreads for which the loss is kept. [half widths]
SPREADS: Floats = np.geomspace(0.02, 6.0, 48)
#: A spread below this is none. [half widths]
LEAST_SPREAD = 1e-9
_SPREAD_STEP = float(np.log(SPREADS[1] / SPREADS[0]))
#: Filters of the bank below this share of the likeliest are left out of the average.
NEGLIGIBLE = 1e-3
#: Log likelihood that tells a dull wheel from a sharp one so surely that it is dressed. Judgement:
#: without it wheels of unknown life are dressed far too early (tuning scenes).
RECOGNISED = 3.0
#: A machine with less than this share of its warm-up to come is warm.
WARM_ENOUGH = 0.02
#: Newton steps to the rate, at most; solved when a fresh cycle is worth less than this share of a
#: dress.
MOST_STEPS, SOLVED = 12, 1e-3
_NODES = (-np.sqrt(3.0), 0.0, np.sqrt(3.0))
_SHARES = (1 / 6, 2 / 3, 1 / 6)
#: Seven points and weights for the expectation over a standard normal.
_HERMITE = np.polynomial.hermite_e.hermegauss(7)
FRESH, THIS, COLD = range(3)


@dataclass(frozen=True)
class Stakes:
    """
    Limits in half widths about the target, and prices.

    `low` and `high` are what a part outside costs on each side; `off_target` what one costs that
    sits one half width off, growing with the square.
    """

    lower: float = -1.0
    upper: float = 1.0
    low: float = 15.0
    high: float = 5.0
    off_target: float = 0.45
    offset: float = 0.6
    dress: float = 2.5
    measure: float = 0.4
    step: float = 0.1  # of the control [half widths]
    returns: bool = True  # whether the moves of a cycle are taken back by hand at its dress

    def loss(self, level: ArrayLike, sd: ArrayLike) -> Floats:
        """
        Expected loss of a part about a level; with no spread, the loss of a part of that size.

        Examples
        --------
        >>> Stakes(low=15, high=5, off_target=0.5).loss([0.5, 1.0], [0, 1 / 8]).round(3).tolist()
        [0.125, 3.008]
        """
        from scipy.special import ndtr

        m, s = np.asarray(level, dtype=float), np.maximum(sd, LEAST_SPREAD)
        out = self.low * ndtr((self.lower - m) / s) + self.high * ndtr((m - self.upper) / s)
        return np.asarray(out + self.off_target * (m**2 + s**2))

    @cached_property
    def table(self) -> Floats:
        """Expected loss of a part at each of `GRID` with each of `SPREADS`."""
        return self.loss(GRID[None, :], SPREADS[:, None])


@dataclass(frozen=True, eq=False)
class Value:
    """
    Cost to go above the rate, before the coming part.

    Attributes
    ----------
    rate : float
        Cost a part of a whole cycle.
    keep : ndarray, shape (3, levels)
        Of grinding on at each level of `GRID`: fresh wheel, this one, fresh wheel on a machine as
        cold as this one.
    doubt : float
        Variance of the estimated level. [half widths^2]
    end : float
        What a fresh wheel is worth to a batch that ends before it is dull; 0 or less.
    """

    stakes: Stakes
    rate: float
    keep: Floats
    doubt: float
    end: float

    def grind(self, level: float, row: int = THIS) -> float:
        """Cost to go of grinding on."""
        return _between(self.keep[row], level)

    def offset(self, level: float, row: int = THIS) -> tuple[float, float]:
        """Cost to go of the best offset that the control can make, and its amount."""
        aim = GRID[int(np.argmin(self.keep[row]))]
        steps = np.round((aim - level) / self.stakes.step)
        amounts = self.stakes.step * (steps + np.arange(-2, 3))
        costs = [self.grind(level + um, row) for um in amounts]
        best = int(np.argmin(costs))
        return self.stakes.offset + costs[best], float(amounts[best])

    def dress(self, level: float, cold: bool) -> tuple[float, float]:
        """Cost to go of a dress that leaves the level there, and the offset to make with it."""
        row = COLD if cold else FRESH
        stay, (move, amount) = self.grind(level, row), self.offset(level, row)
        # A batch that ends is in the cold row already.
        end = 0.0 if cold else self.end
        return self.stakes.dress + end + min(stay, move), amount if move < stay else 0.0

    def gain_of_reading(self, level: float, dress: float, noise_var: float) -> float:
        """
        What a reading of the coming part saves by the act that may follow it.

        Parameters
        ----------
        level : float
            Estimated level of the coming part.
        dress : float
            Cost to go of a dress.
        noise_var : float
            Variance of the reading about the level. [half widths^2]
        """
        sd = self.doubt / np.sqrt(self.doubt + noise_var)
        keep = self.keep[THIS]
        saved = np.maximum(keep - min(keep.min() + self.stakes.offset, dress), 0)
        ahead = np.interp(level + sd * _HERMITE[0], GRID, saved)
        weights = _HERMITE[1] / _HERMITE[1].sum()
        return float(weights @ ahead - np.interp(level, GRID, saved))


def solve(
    belief: Belief,
    stakes: Stakes,
    *,
    noise_var: float,
    every: int,
    due: int,
    rate: float,
    left: float = np.inf,
) -> Value:
    """
    The value of every act as things stand.

    Parameters
    ----------
    belief : Belief
        Of the level, the wear, the life and the spread.
    stakes : Stakes
        Limits and prices.
    noise_var : float
        Variance that the gauge brings to a reading. [half widths^2]
    every, due : int
        Parts from one reading to the next, and to the next one.
    rate : float
        The rate before; NaN for none.
    left : float
        Parts of the batch still to come: nothing is dressed or moved for others.
    """
    rows = _rows(belief)
    blocks = _blocks(rows)
    if not np.isfinite(rate):
        rate = float(stakes.table.min(axis=1)[SPREADS > SIGMA_START][0])
    # The first part of a fresh wheel is read.
    first, now = _readings(blocks, every, 1), _readings(blocks, every, due)
    outlooks = [
        _outlook(belief, rows[FRESH], blocks, first, noise_var, every, stakes),
        _outlook(belief, rows[THIS], blocks, now, noise_var, every, stakes),
    ]
    if belief.cold < WARM_ENOUGH:
        outlooks.append(outlooks[FRESH])
    else:
        outlooks.append(_outlook(belief, rows[COLD], blocks, first, noise_var, every, stakes))
    cost = np.stack([o.spreads @ stakes.table for o in outlooks], axis=1)
    kernels = np.stack([_kernels(o.shift, o.news) for o in outlooks], axis=1)
    stays = np.stack([o.stays for o in outlooks], axis=1)
    # Advice is asked for when a part was read; to act in between, a reading must be paid for.
    read = np.stack([first, now, first], axis=1) > 0
    unasked = np.concatenate([np.zeros((1, 3), dtype=bool), ~read[:-1]])
    start = np.cumsum(blocks) - blocks
    ground = np.ones((len(blocks), 3))
    ground[:, THIS:] = np.clip((left - start) / blocks, 0, 1)[:, None]
    cold = belief.cold * np.exp(-start / WARM_PARTS)
    chill = 0.0
    for _ in range(MOST_STEPS):
        leave = stakes.dress + stakes.measure * unasked
        leave[:, THIS:] += (chill * cold / max(belief.cold, NEGLIGIBLE))[:, None]
        end = _end_of_batch(
            cost[:, FRESH], blocks, rate, stakes.dress, left - np.append(start, 0.0)
        )
        leave[:, THIS:] += end[:-1, None]
        keep, length = _backward(stakes, cost, kernels, stays, blocks, rate, leave, unasked, ground)
        worth = float(keep[FRESH].min()) + stakes.returns * stakes.offset
        before, chill = chill, float(keep[COLD].min() - keep[FRESH].min() - end[-1])
        rate += worth / length
        if abs(worth) + abs(chill - before) < SOLVED * stakes.dress:
            break
    return Value(stakes, rate, keep, outlooks[THIS].doubt, float(end[-1]))


def _end_of_batch(fresh: Floats, blocks: Floats, rate: float, dress: float, left: Floats) -> Floats:
    """
    Cost to go of a fresh wheel when so many parts are left, shape of `left`; 0 without an end.

    It is the sum of loss less rate until the batch ends. A whole cycle saves the dress that it
    costs, and so does every longer batch, cut into more of them.
    """
    saved = np.append(0.0, np.cumsum(fresh.min(axis=1) - rate * blocks))
    ends = np.append(0.0, np.cumsum(blocks))
    known = np.isfinite(left)
    worth = np.interp(np.where(known, np.maximum(left, 0), 0), ends, np.minimum.accumulate(saved))
    return np.where(known, np.maximum(worth, -dress), 0.0)


# -- the rows ----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Row:
    """A wheel to look ahead from: means and covariances, age and cold before its first part."""

    weight: Floats
    mean: Floats
    cov: Floats
    age: int
    cold: float


@dataclass(frozen=True, eq=False)
class _Outlook:
    """What the blocks of a row bring, averaged over the bank."""

    spreads: Floats  # (blocks, spreads): parts of the block that scatter so
    stays: Floats  # (blocks,): chance that no dull wheel is recognised until the next block
    shift: Floats  # (blocks,): of the mean level to the next block
    news: Floats  # (blocks,): variance of what readings say until then
    doubt: float


def _rows(belief: Belief) -> list[_Row]:
    mean, cov = dressed(belief.mean, belief.cov, belief.scatter_var)
    weight = belief.weight
    return [
        _Row(weight, mean, cov, 0, 0.0),
        _Row(weight, belief.mean, belief.cov, belief.age, belief.cold),
        _Row(weight, mean, cov, 0, belief.cold),
    ]


def _blocks(rows: list[_Row]) -> Floats:
    """Lengths of the blocks. [parts]"""
    slope = max(abs(float(row.weight @ row.mean[:, SLOPE])) for row in rows)
    most = max(BLOCK_WEAR / max(slope, 1e-9), 1.0)
    lengths: list[int] = []
    ahead = 0
    while ahead < FARTHEST and len(lengths) < MOST_BLOCKS:
        lengths.append(max(1, int(min(BLOCK_SHARE * ahead, most))))
        ahead += lengths[-1]
    return np.array(lengths, dtype=np.float64)


def _readings(lengths: Floats, every: int, due: int) -> Floats:
    """Scheduled readings in each block, the next one at the `due`-th part from now."""
    end = np.cumsum(lengths)
    return np.diff(np.floor((end - due) / every) + 1, prepend=0.0)


def _outlook(
    belief: Belief,
    row: _Row,
    lengths: Floats,
    readings: Floats,
    noise_var: float,
    every: int,
    stakes: Stakes,
) -> _Outlook:
    model = belief.model
    kept = np.flatnonzero(row.weight > NEGLIGIBLE * row.weight.max())
    weight = row.weight[kept] / row.weight[kept].sum()
    mean = row.mean[kept]
    ahead = np.cumsum(lengths) - (lengths - 1) / 2  # the middle of each block, from 1
    age = row.age + ahead
    settled = -np.expm1(-age / SETTLING_PARTS)
    cold = row.cold * np.exp(-ahead / WARM_PARTS)
    past = np.maximum(age - model.life[kept, None], 0) / model.life[kept, None]
    grown = mean[:, GROWTH, None] * past**2
    middle = weight @ mean
    base = belief.variance[kept]
    sd = np.sqrt(base)[:, None] * (1 + model.dulling[kept, None] * past)
    # A wheel recognised to be dull is dressed once that is worth it: when its parts cost more than
    # on a sharp wheel by a dress spread over a life (the marginal rule of age replacement).
    loss = np.interp(sd, SPREADS, stakes.table.min(axis=1))
    due = loss - np.interp(np.sqrt(base), SPREADS, stakes.table.min(axis=1))[:, None] > (
        stakes.dress / model.life[kept, None]
    )
    unknown = _unrecognised(model.life[kept], model.dulling[kept], age, row.age, every)
    unseen = weight[:, None] * np.where(due, unknown, 1.0)
    alive = unseen.sum(axis=0)
    unseen /= alive
    path = middle[SLOPE] * age + middle[SETTLING] * settled - middle[WARMTH] * cold
    path += (unseen * grown).sum(axis=0)

    # The next level and the slope as a mixture over the bank: within each filter and between them.
    z = model.design(row.age + 1, cold[0])[kept]
    pz = np.einsum("nst,nt->ns", row.cov[kept], z)
    pair = np.stack([np.einsum("ns,ns->n", z, mean), mean[:, SLOPE]])
    between = np.cov(pair, aweights=weight, ddof=0)
    level_var = float(weight @ np.einsum("ns,ns->n", z, pz) + between[0, 0])
    both = float(weight @ pz[:, SLOPE] + between[0, 1])
    slope_var = float(weight @ row.cov[kept, SLOPE, SLOPE] + between[1, 1])
    wander = float(weight @ belief.wander_var[kept])
    noise = float(weight @ base) + noise_var
    # What the coming block adds to the doubt: settling, warm-up, and growth past the life, which
    # is learnt as it shows (a regression on past^2).
    learnt = (
        np.maximum(past**5 - past[:, :1] ** 5, 0) * model.life[kept, None] / (5 * every * noise)
    )
    growth_var = 1 / (1 / row.cov[kept, GROWTH, GROWTH, None] + learnt)
    more_past, more = _steps(past**2), _steps(grown)
    unsure = float(weight @ row.cov[kept, SETTLING, SETTLING]) * _steps(settled) ** 2
    unsure += float(weight @ row.cov[kept, WARMTH, WARMTH]) * _steps(cold) ** 2
    unsure += (unseen * (growth_var * more_past**2 + more**2)).sum(axis=0)
    unsure -= (unseen * more).sum(axis=0) ** 2
    doubt, news = _doubts(
        level_var + wander, both, slope_var,
        np.maximum(unsure, 0), wander, lengths, readings, noise,
    )  # fmt: skip
    sd = np.sqrt(sd**2 + doubt)
    return _Outlook(
        spreads=_histogram(sd, unseen) * lengths[:, None],
        stays=np.append(alive[1:] / alive[:-1], 1.0),
        shift=_steps(path),
        news=news,
        doubt=level_var + wander,
    )


def _steps(values: Floats) -> Floats:
    """Change from each block to the next along the last axis, 0 after the last."""
    return np.diff(values, axis=-1, append=values[..., -1:])


def _unrecognised(life: Floats, dulling: Floats, age: Floats, now: int, every: int) -> Floats:
    r"""
    Chance that a filter, if it is the true one, has not been recognised by an age, (filters, ages).

    A reading of a part that scatters ``1 + x`` times as wide as on a sharp wheel brings ``x^2`` of
    log likelihood (Kullback and Leibler's divergence of two normals, to second order); with
    ``x = dulling past`` that adds up to ``dulling^2 life past^3 / (3 every)`` over the readings.
    """
    past, since = ((np.maximum(a - life[:, None], 0) / life[:, None]) ** 3 for a in (age, now))
    seen = (dulling**2 * life)[:, None] * (past - since) / (3 * every)
    return np.asarray(np.exp(-np.minimum(seen / RECOGNISED, 30.0)))


def _doubts(
    level: float, both: float, slope: float, unsure: Floats, wander: float, lengths: Floats,
    readings: Floats, noise: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """
    Variance of the level in every block, and what readings take off it before the next.

    A Kalman filter of level and slope alone, a block at a time; `noise` is the variance of one
    reading about the level.
    """
    doubt, news = [], []
    rows = zip(lengths.tolist(), readings.tolist(), unsure.tolist(), strict=True)
    for length, count, more in rows:
        # Readings within a long block keep the doubt small: it is gone through in pieces.
        pieces = max(min(int(count), PIECES), 1)
        part, total_doubt, taken_off = length / pieces, 0.0, 0.0
        for _ in range(pieces):
            total_doubt += level
            if count:
                total = level + noise * pieces / count
                taken = level / total
                slope -= both * both / total
                both -= both * taken
                taken_off += level * taken
                level -= level * taken
            level += part * (2 * both + part * slope + wander) + more / pieces**2
            both += part * slope
        doubt.append(total_doubt / pieces)
        news.append(taken_off)
    return np.array(doubt), np.array(news)


def _histogram(sd: Floats, weight: Floats) -> Floats:
    """
    Shares of the bank at each of `SPREADS`, shape (blocks, spreads), between two by a line.

    Both arguments have the shape (filters, blocks).
    """
    blocks = sd.shape[1]
    place = np.clip(np.log(sd / SPREADS[0]) / _SPREAD_STEP, 0, len(SPREADS) - 1.001)
    left = place.astype(np.int64)
    part = place - left
    where = left + len(SPREADS) * np.arange(blocks)
    size = blocks * len(SPREADS)
    shares = np.bincount(where.ravel(), (weight * (1 - part)).ravel(), size)
    shares += np.bincount((where + 1).ravel(), (weight * part).ravel(), size)
    return np.asarray(shares.reshape(blocks, len(SPREADS)))


def _kernels(shift: Floats, news: Floats) -> Floats:
    """Weights of the levels around for the expectation after each block, (blocks, 2 side + 1)."""
    blocks = np.arange(len(shift))
    kernels = np.zeros((len(shift), 2 * _SIDE + 1))
    for node, share in zip(_NODES, _SHARES, strict=True):
        place = np.clip((shift + node * np.sqrt(news)) / PITCH, 1.0 - _SIDE, _SIDE - 2.001)
        left = np.floor(place)
        t = place - left
        at = left.astype(np.int64) + _SIDE
        for step, weights in (
            (-1, -t * (t - 1) * (t - 2) / 6),
            (0, (t + 1) * (t - 1) * (t - 2) / 2),
            (1, -(t + 1) * t * (t - 2) / 2),
            (2, (t + 1) * t * (t - 1) / 6),
        ):
            kernels[blocks, at + step] += share * weights
    return kernels


# -- backward induction ------------------------------------------------------------------------


def _backward(
    stakes: Stakes,
    cost: Floats,
    kernels: Floats,
    stays: Floats,
    lengths: Floats,
    rate: float,
    dress: Floats,
    unasked: NDArray[np.bool_],
    ground: Floats,
) -> tuple[Floats, float]:
    """
    Cost to go of grinding on before the first block, and the expected length of a fresh cycle.

    Parameters
    ----------
    cost : ndarray, shape (blocks, 3, levels)
        Loss of the parts of a block at each level.
    kernels : ndarray, shape (blocks, 3, 2 side + 1)
        See `_kernels`.
    stays : ndarray, shape (blocks, 3)
        Chance that the next block is come to without a wheel recognised to be dull and dressed.
    dress : ndarray, shape (blocks, 3)
        Cost to go of a dress before each block.
    unasked : ndarray of bool, shape (blocks, 3)
        Where an offset costs a reading besides.
    ground : ndarray, shape (blocks, 3)
        Share of a block that the batch still has.
    """
    blocks = len(lengths)
    add = np.empty((blocks, 4, LEVELS))
    add[:, :3] = (cost - (rate * lengths)[:, None, None]) * ground[..., None]
    add[:, :3] += ((1 - stays) * dress * (ground == 1))[..., None]
    add[:, 3] = lengths[:, None]
    weights = np.concatenate([kernels, kernels[:, FRESH : FRESH + 1]], axis=1)
    weights *= np.concatenate([stays, stays[:, FRESH : FRESH + 1]], axis=1)[..., None]
    weights[:, :3] *= (ground == 1)[..., None]
    weights = weights[..., None]
    padded = np.empty((4, LEVELS + 2 * _SIDE))
    inside = padded[:, _SIDE:-_SIDE]
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * _SIDE + 1, axis=1)
    inside[:3] = dress[-1][:, None]
    inside[3] = 0.0
    offset = stakes.offset + stakes.measure * unasked
    for j in range(blocks - 1, -1, -1):
        padded[:, :_SIDE] = padded[:, _SIDE : _SIDE + 1]
        padded[:, -_SIDE:] = padded[:, -_SIDE - 1 : -_SIDE]
        keep = np.matmul(window, weights[j])[..., 0]
        keep += add[j]
        if j == 0:
            break
        values = keep[:3]
        leave = np.minimum(values.min(axis=1) + offset[j], dress[j])
        best = int(values[FRESH].argmin())
        moved = keep[3, best] if values[FRESH, best] + offset[j, FRESH] < dress[j, FRESH] else 0.0
        np.minimum(values, leave[:, None], out=inside[:3])
        inside[3] = np.where(values[FRESH] <= leave[FRESH], keep[3], moved)
    return keep[:3], float(keep[3, int(keep[FRESH].argmin())])


def _between(values: Floats, level: float) -> float:
    """Value at a level between grid points by a parabola; beyond the grid that of its end."""
    place = min(max((level + REACH) / PITCH, 0.0), LEVELS - 1.0)
    k = min(max(round(place), 1), LEVELS - 2)
    t = place - k
    left, middle, right = values[k - 1], values[k], values[k + 1]
    return float(middle + t * (right - left) / 2 + t * t * (right - 2 * middle + left) / 2)
