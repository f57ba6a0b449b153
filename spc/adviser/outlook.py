"""
What lies ahead, averaged over the bank: losses, moves of the level, and what readings will say.

`loss` and growth are averages over all filters *before* anything is minimised (an average of values
would let every filter choose for itself and put off the dress). A wheel that dulls is recognised by
its readings after a while and dressed once that is worth it; the doubt about the level is part of
the scatter of a part; and what readings will take off that doubt moves the estimate. Time goes in
blocks of parts that grow with the distance ahead. Lengths are half widths.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.adviser.filter import Belief
from spc.adviser.form import Form
from spc.adviser.loss import SPREADS, Sizes, shares_of_spreads, shifted
from spc.adviser.model import (
    ALIKE,
    GROWTH,
    SETTLING,
    SETTLING_PARTS,
    SLOPE,
    WARM_PARTS,
    WARMTH,
)

Floats = NDArray[np.float64]

#: A block is at most this share of the way ahead, the last one ends so far ahead. [parts]
BLOCK_SHARE, FARTHEST = 0.2, 4000
#: Wear within one block, at most; blocks in all, at most. [half widths]
BLOCK_WEAR, MOST_BLOCKS = 0.4, 50
#: Pieces in which a block with many readings is gone through.
PIECES = 4
#: Filters of the bank below this share of the likeliest are left out of the average.
NEGLIGIBLE = 1e-3
#: Log likelihood that tells a dull wheel from a sharp one so surely that it is dressed. Judgement:
#: without it wheels of unknown life are dressed far too early (tuning scenes).
RECOGNISED = 3.0


@dataclass(frozen=True, eq=False)
class Row:
    """A wheel to look ahead from: means and covariances, age and cold before its first part."""

    weight: Floats
    mean: Floats
    cov: Floats
    age: int
    cold: float
    forms: tuple[Form, ...]


@dataclass(frozen=True, eq=False)
class Outlook:
    """What the blocks of a row bring; lengths in units of the register."""

    cost: Floats  # (registers, blocks, levels): loss of the parts of a block
    stays: Floats  # (blocks,): chance that no dull wheel is recognised until the next block
    shift: Floats  # (registers, blocks): of the mean level to the next block
    news: Floats  # (registers, blocks): variance of what readings say until then
    doubt: Floats  # (registers,): variance of the level of the coming part


def rows(belief: Belief, dressed: Belief) -> list[Row]:
    """A fresh wheel, this one, and a fresh one on a machine as cold as this one."""
    fresh, now = dressed, belief
    return [
        Row(fresh.weight, fresh.mean, fresh.cov, 0, 0.0, fresh.forms),
        Row(now.weight, now.mean, now.cov, now.age, now.cold, now.forms),
        Row(fresh.weight, fresh.mean, fresh.cov, 0, now.cold, fresh.forms),
    ]


def blocks(of: list[Row], unit: float) -> Floats:
    """Lengths of the blocks, for the tightest register. [parts]"""
    slope = max(abs(float(row.weight @ row.mean[:, SLOPE])) for row in of) / unit
    most = max(BLOCK_WEAR / max(slope, 1e-9), 1.0)
    lengths: list[int] = []
    ahead = 0
    while ahead < FARTHEST and len(lengths) < MOST_BLOCKS:
        lengths.append(max(1, int(min(BLOCK_SHARE * ahead, most))))
        ahead += lengths[-1]
    return np.array(lengths, dtype=np.float64)


def readings(lengths: Floats, every: int, due: int) -> Floats:
    """Scheduled readings in each block, the next one at the `due`-th part from now."""
    end = np.cumsum(lengths)
    return np.diff(np.floor((end - due) / every) + 1, prepend=0.0)


def outlook(
    belief: Belief, row: Row, lengths: Floats, read: Floats, sizes: Sizes, every: int
) -> Outlook:
    """
    What the blocks of a row bring.

    Parameters
    ----------
    belief : Belief
        Its spreads, lives and dullings.
    row : Row
        The wheel.
    lengths, read : ndarray, shape (blocks,)
        Parts and scheduled readings of each block.
    sizes : Sizes
        Limits, prices and registers.
    every : int
        Parts from one reading to the next.
    """
    model, count = belief.model, belief.model.sizes
    kept = np.flatnonzero(row.weight > NEGLIGIBLE * row.weight.max())
    weight = row.weight[kept] / row.weight[kept].sum()
    mean, cov, life = row.mean[kept], row.cov[kept], model.life[kept]
    ahead = np.cumsum(lengths) - (lengths - 1) / 2  # the middle of each block, from 1
    age = row.age + ahead
    past = np.maximum(age - life[:, None], 0) / life[:, None]
    grown = mean[:, GROWTH, None] * past**2
    base = belief.variance[kept]
    form_loss = sizes.price.form * sum(form.out(age) for form in row.forms) + np.zeros_like(age)
    unseen, stays = _not_recognised(
        belief, kept, weight, past, age, row.age, sizes, every
    )  # fmt: skip

    # What the coming blocks add to the level and to its doubt besides the wear: settling, warm-up,
    # and growth past the life, which is learnt as it shows (a regression on past^2).
    middle = weight @ mean
    settled = -np.expm1(-age / SETTLING_PARTS)
    cold = row.cold * np.exp(-ahead / WARM_PARTS)
    path = middle[SETTLING] * settled - middle[WARMTH] * cold + (unseen * grown).sum(axis=0)
    more_past, more = _steps(past**2), _steps(grown)
    shown = np.maximum(past**5 - past[:, :1] ** 5, 0) * life[:, None] / (5 * every)
    surely = float(weight @ cov[:, SETTLING, SETTLING]) * _steps(settled) ** 2
    surely += float(weight @ cov[:, WARMTH, WARMTH]) * _steps(cold) ** 2

    z = model.design(row.age + 1, cold[0])[kept]
    leans = middle[model.lean] if count > 1 else np.zeros(1)
    widths = np.sqrt(base)[:, None, :] * (1 + model.dulling[kept, None] * past)[..., None]
    wander, own_wander = (float(weight @ w[kept]) for w in belief.wander_var)
    costs, shifts, news, doubts = [], [], [], []
    for register, unit in enumerate(sizes.units):
        mine = sizes.on(register)
        share = 1 / len(mine)
        slope_of = np.zeros(model.states)
        slope_of[SLOPE] = 1.0
        if count > 1:
            slope_of[np.arange(model.states)[model.lean][mine]] = share
        zr = z[:, mine].mean(axis=1)
        level_var, both, slope_var = _pair(weight, mean, cov, zr, slope_of)
        noise = float(weight @ base[:, mine].mean(axis=1)) * (share + ALIKE * (1 - share))
        noise += float(sizes.gauge_var[mine].mean()) * share
        growth_var = 1 / (1 / cov[:, GROWTH, GROWTH, None] + shown / noise)
        unsure = surely + (unseen * (growth_var * more_past**2 + more**2)).sum(axis=0)
        unsure -= (unseen * more).sum(axis=0) ** 2
        roams = wander + own_wander * share
        doubt, said = _doubts(
            level_var + roams, both, slope_var, np.maximum(unsure, 0), roams, lengths, read, noise
        )
        mean_lean = float(leans[mine].mean()) if count > 1 else 0.0
        cost = np.zeros((len(lengths), sizes.stakes[0].table.shape[1]))
        for size in mine:
            stakes, apart = sizes.stakes[size], np.zeros(len(lengths))
            own_doubt = doubt
            if len(mine) > 1:
                var = _pair(weight, mean, cov, z[:, size], slope_of)[0] + wander + own_wander
                own_doubt = doubt * (var / (level_var + roams))
                apart += float(weight @ np.einsum("ns,ns->n", z[:, size] - zr, mean))
                apart += (leans[size] - mean_lean) * (ahead - 1)
            sd = np.sqrt(widths[:, :, size] ** 2 + own_doubt) / unit
            if not sizes.counts(size):
                continue
            losses = (shares_of_spreads(sd, unseen) * lengths[:, None]) @ stakes.table
            cost += shifted(losses, apart / unit) if len(mine) > 1 else losses
        costs.append(cost)
        drift = (float(middle[SLOPE]) + mean_lean) * age
        shifts.append(_steps(path + drift) / unit)
        news.append(said / unit**2)
        doubts.append((level_var + roams) / unit**2)
    total = np.array(costs)
    total[0] += (form_loss * lengths)[:, None]
    least = total.min(axis=2)
    # To a register the sizes of the others cost what they cost at their best.
    total += (least.sum(axis=0) - least)[..., None]
    return Outlook(total, stays, np.array(shifts), np.array(news), np.array(doubts))


def _pair(
    weight: Floats, mean: Floats, cov: Floats, z: Floats, slope_of: Floats
) -> tuple[float, float, float]:
    """Variance of a level, its covariance with a slope, and that of the slope, over the bank."""
    pz = np.einsum("nst,nt->ns", cov, z)
    ps = cov @ slope_of
    level, slope = np.einsum("ns,ns->n", z, mean), mean @ slope_of
    level, slope = level - weight @ level, slope - weight @ slope
    return (
        float(weight @ (np.einsum("ns,ns->n", z, pz) + level**2)),
        float(weight @ (pz @ slope_of + level * slope)),
        float(weight @ (ps @ slope_of + slope**2)),
    )


def _steps(values: Floats) -> Floats:
    """Change from each block to the next along the last axis, 0 after the last."""
    return np.diff(values, axis=-1, append=values[..., -1:])


def _not_recognised(
    belief: Belief, kept: NDArray[np.int64], weight: Floats, past: Floats, age: Floats, now: int,
    sizes: Sizes, every: int,
) -> tuple[Floats, Floats]:  # fmt: skip
    r"""
    Weights of the filters that nobody has recognised to be dull by each block, and the chance that
    none is until the next.

    A dull wheel is dressed once that is worth it: when its parts cost more than on a sharp wheel by
    a dress spread over a life (the marginal rule of age replacement). A reading of a part that
    scatters ``1 + x`` times as wide as on a sharp wheel brings ``x^2`` of log likelihood (Kullback
    and Leibler's divergence of two normals, to second order); with ``x = dulling past`` that adds
    up to ``dulling^2 life past^3 / (3 every)`` over the readings of one size.
    """
    model = belief.model
    life, dulling = model.life[kept], model.dulling[kept]
    sharp = np.sqrt(belief.variance[kept])
    wide = 1 + dulling[:, None] * past
    more = np.zeros_like(past)
    counted = [size for size in range(len(sizes.stakes)) if sizes.counts(size)]
    for size in counted:
        stakes = sizes.stakes[size]
        sd = sharp[:, size] / sizes.units[sizes.registers[size]]
        more += np.interp(sd[:, None] * wide, SPREADS, stakes.least)
        more -= np.interp(sd, SPREADS, stakes.least)[:, None]
    due = more > sizes.price.dress / life[:, None]
    before = max(now, 1.0) / life - 1
    since = past**3 - np.maximum(before, 0)[:, None] ** 3
    tells = len(counted) / (1 + ALIKE * (len(counted) - 1))
    seen = tells * (dulling**2 * life)[:, None] * since / (3 * every)
    unknown = np.exp(-np.clip(seen / RECOGNISED, 0, 30.0))
    unseen = weight[:, None] * np.where(due, unknown, 1.0)
    alive = unseen.sum(axis=0)
    return unseen / alive, np.append(alive[1:] / alive[:-1], 1.0)


def _doubts(
    level: float, both: float, slope: float, unsure: Floats, wander: float, lengths: Floats,
    read: Floats, noise: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """
    Variance of the level in every block, and what readings take off it before the next.

    A Kalman filter of level and slope alone, a block at a time; `noise` is the variance of one
    reading about the level.
    """
    doubt, news = [], []
    each = zip(lengths.tolist(), read.tolist(), unsure.tolist(), strict=True)
    for length, count, more in each:
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
