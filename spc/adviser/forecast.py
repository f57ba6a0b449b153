"""Parts left: how long the size stays inside if nothing is done."""

from dataclasses import dataclass

import numpy as np

from spc.adviser.filter import Belief
from spc.adviser.model import GROWTH, SETTLING, SETTLING_PARTS, SLOPE, WARM_PARTS, WARMTH
from spc.adviser.value import Stakes

#: A part is as good as out when it is out with this probability.
CHANCE = 0.005
#: Farther than this nothing is foretold. [parts]
FARTHEST = 200
#: Readings before anything is said.
LEAST_READ = 3
#: Levels and slopes tried about each filter's mean: Gauss-Hermite rule of so many points.
_POINTS = 5


@dataclass(frozen=True)
class PartsLeft:
    """Parts until one is outside its guarded limits with probability 0.5 %: 10, 50 and 90 %."""

    low: int
    middle: int
    high: int


def parts_left(belief: Belief, register: float, stakes: Stakes) -> PartsLeft:
    """
    Parts left of this wheel if nothing is done.

    Every filter of the bank goes ahead along its own mean and along levels above and below it by
    what it doubts, with its own life, dulling and wander; the quantiles are over all of them.

    Parameters
    ----------
    belief : Belief
        After the last part.
    register : float
        Where the offsets stand. [half widths]
    stakes : Stakes
        The limits, in half widths.
    """
    from scipy.special import ndtr

    ahead = np.arange(1, FARTHEST + 1)
    age = belief.age + ahead
    past = belief.model.past_life(age.astype(float))
    mean = belief.mean[:, :, None]
    z = belief.model.design(belief.age + 1, belief.cold)
    here = np.einsum("ns,ns->n", z, belief.mean)[:, None] + register
    doubt = np.sqrt(np.einsum("ns,nst,nt->n", z, belief.cov, z))[:, None]
    path = here + mean[:, SLOPE] * (ahead - 1) + mean[:, GROWTH] * (past**2 - past[:, :1])
    settled, cold = -np.expm1(-age / SETTLING_PARTS), belief.cold * np.exp(-ahead / WARM_PARTS)
    path = path + mean[:, SETTLING] * (settled - settled[0]) - mean[:, WARMTH] * (cold - cold[0])
    slope_sd = np.sqrt(belief.cov[:, SLOPE, SLOPE])[:, None]
    sd = np.sqrt(belief.variance[:, None] * belief.widening(age.astype(float)) ** 2)
    sd = np.sqrt(sd**2 + belief.wander_var[:, None] * ahead)
    nodes, shares = np.polynomial.hermite_e.hermegauss(_POINTS)
    lives, weights = [], []
    for node, share in zip(nodes, shares / shares.sum(), strict=True):
        level = path + node * (doubt + slope_sd * (ahead - 1))
        out = ndtr((stakes.lower - level) / sd) + ndtr((level - stakes.upper) / sd) > CHANCE
        lives.append(np.where(out.any(axis=1), out.argmax(axis=1), FARTHEST))
        weights.append(share * belief.weight)
    life, weight = np.concatenate(lives), np.concatenate(weights)
    order = np.argsort(life, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    low, middle, high = (int(life[order][np.searchsorted(share, q)]) for q in (0.1, 0.5, 0.9))
    return PartsLeft(low, middle, high)
