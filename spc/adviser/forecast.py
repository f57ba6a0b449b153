"""Parts left: how long all sizes stay inside if nothing is done."""

from dataclasses import dataclass

import numpy as np

from spc.adviser.filter import Belief
from spc.adviser.loss import Sizes
from spc.adviser.model import GROWTH, SETTLING, SETTLING_PARTS, SLOPE, WARM_PARTS, WARMTH

#: A part is as good as out when it is out with this probability.
CHANCE = 0.005
#: Farther than this nothing is foretold. [parts]
FARTHEST = 200
#: Readings before anything is said.
LEAST_READ = 3
#: Levels and slopes, and spreads, tried about each filter's own: Gauss-Hermite rules of so many
#: points.
_POINTS = (5, 3)


@dataclass(frozen=True)
class PartsLeft:
    """Parts until one is outside its guarded limits with probability 0.5 %: 10, 50 and 90 %."""

    low: int
    middle: int
    high: int


def parts_left(
    belief: Belief, register: list[float], sizes: Sizes, farthest: int = FARTHEST
) -> PartsLeft:
    """
    Parts left of this wheel if nothing is done.

    Every filter of the bank goes ahead along its own mean and along levels above and below it by
    what it doubts, with spreads likewise, its own life, dulling and wander; a part is out where any
    size is; the quantiles are over all of them.

    Parameters
    ----------
    belief : Belief
        After the last part.
    register : list of float
        Where the registers stand. [half widths]
    sizes : Sizes
        The limits, and which sizes count.
    farthest : int
        Nothing is foretold beyond so many parts.
    """
    from scipy.special import ndtr

    model = belief.model
    ahead = np.arange(1, farthest + 1)
    age = belief.age + ahead
    past = model.past_life(age.astype(float))
    mean = belief.mean[:, :, None]
    z = model.design(belief.age + 1, belief.cold)
    here = np.einsum("nfs,ns->nf", z, belief.mean)
    here = here + np.array(register)[list(sizes.registers)]
    doubt = np.sqrt(np.einsum("nfs,nst,nft->nf", z, belief.cov, z))
    path = mean[:, SLOPE] * (ahead - 1) + mean[:, GROWTH] * (past**2 - past[:, :1])
    settled, cold = -np.expm1(-age / SETTLING_PARTS), belief.cold * np.exp(-ahead / WARM_PARTS)
    path = path + mean[:, SETTLING] * (settled - settled[0]) - mean[:, WARMTH] * (cold - cold[0])
    wander = belief.wander_var.sum(axis=0)[:, None] * ahead
    widening = belief.widening(age.astype(float))
    # The logarithm of a spread with so many degrees of freedom has about this standard deviation.
    unsure = np.sqrt(0.5 / belief.dof)
    lives, weights = [], []
    for node, wider, share in _nodes():
        inside = np.ones_like(path)
        for size in filter(sizes.counts, range(model.sizes)):
            stakes, unit = sizes.stakes[size], sizes.units[sizes.registers[size]]
            slope = np.zeros(model.states)
            slope[SLOPE] = 1.0
            lean = np.zeros(len(path))
            if model.sizes > 1:
                slope[np.arange(model.states)[model.lean][size]] = 1.0
                lean = belief.mean[:, model.lean][:, size]
            slope_sd = np.sqrt(belief.cov @ slope @ slope)
            level = here[:, size, None] + path + lean[:, None] * (ahead - 1)
            level = level + node * (doubt[:, size, None] + slope_sd[:, None] * (ahead - 1))
            own = np.exp(wider * unsure[:, size]) * np.sqrt(belief.variance[:, size])
            sd = np.sqrt((own[:, None] * widening) ** 2 + wander)
            lower, upper = stakes.lower * unit, stakes.upper * unit
            inside *= 1 - ndtr((lower - level) / sd) - ndtr((level - upper) / sd)
        out = 1 - inside > CHANCE
        lives.append(np.where(out.any(axis=1), out.argmax(axis=1), farthest))
        weights.append(share * belief.weight)
    life, weight = np.concatenate(lives), np.concatenate(weights)
    order = np.argsort(life, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    low, middle, high = (int(life[order][np.searchsorted(share, q)]) for q in (0.1, 0.5, 0.9))
    return PartsLeft(low, middle, high)


def _nodes() -> list[tuple[float, float, float]]:
    """Standard normal values tried for level and slope together and for the spread, and weights."""
    (along, a), (across, b) = (np.polynomial.hermite_e.hermegauss(n) for n in _POINTS)
    return [
        (float(x), float(y), float(p * q / (a.sum() * b.sum())))
        for x, p in zip(along, a, strict=True)
        for y, q in zip(across, b, strict=True)
    ]
