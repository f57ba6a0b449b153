r"""
One model of how ground sizes come about, as matrices.

Lengths are half widths of the tightest tolerance, money is the plan's, time is parts. The level of
size ``f`` at the ``a``-th part since the dress, the machine being *cold* by a share ``k`` (1: it
has stood for long, 0: warm), is linear in a state that hardly ever changes::

    y_f = Z_f x + offsets_r + part_f + gauge_f
    x   = (slope, usual slope, settling, warmth, growth, level_1 .. F, home_1 .. F, lean_1 .. F)
    Z_f = (a, 0, 1 - exp(-a / SETTLING_PARTS), -k, (max(0, a - K) / K)^2, 1 at level_f,
           0, a at lean_f)

`level` is where a size stands with its register ``r`` at zero, `slope` the wear of this wheel face
per part and `lean` what one size has more of it than the others, `settling` the climb of a fresh
wheel, `warmth` how far below its place a cold machine begins, `growth` what the levels gain by one
life past the life ``K``. A run of one size has no lean. Between parts nothing moves but the levels,
which wander, together and each by itself; a dress draws the levels anew about their `home`, all by
the same amount but for a small share, and the slope about the `usual slope`::

    part:   x' = x + R eta,     every level by wander, one level and its home by own wander
    dress:  x' = T x + noise,   T: levels <- homes, slope <- usual slope,
            noise of the levels: the scatter of a dress; of the slope: SLOPE_SCATTER of itself

(the notation of Durbin and Koopman, Time Series Analysis by State Space Methods, 2nd ed., section
3.1, from memory; a regression on known regressors with a wandering level is their section 3.6).
Taper between two sizes is the difference of their levels and needs no model of its own. The spread
of parts about their level is ``sigma_f`` up to the life and grows past it::

    sd_f(a) = sigma_f (1 + dulling max(0, a - K) / K)

and part of it is common to all sizes of a part (`ALIKE`). Life, dulling and wander enter
nonlinearly. They are the hypotheses of a bank of filters (multi-process models of the first kind:
Harrison and Stevens 1976, JRSS B 38, 205; West and Harrison, Bayesian Forecasting and Dynamic
Models, chapter 12, from memory); see `spc.adviser.filter`.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.adviser.prior import Prior

Floats = NDArray[np.float64]

#: Places in the state; the levels follow, then the homes, then the leans.
SLOPE, USUAL_SLOPE, SETTLING, WARMTH, GROWTH, LEVEL = range(6)

#: Hypotheses: life [parts], growth of the spread per life past it, and the wander of all levels
#: together and of each by itself [sigma a part].
LIVES = tuple(float(k) for k in np.geomspace(25, 3000, 13))
DULLINGS = (0.15, 0.8, 1.8)
WANDERS = ((0.003, 0.0), (0.04, 0.0), (0.2, 0.0))
#: The same for several sizes, fewer in life and dulling to be as quick.
LIVES_OF_MANY = tuple(float(k) for k in np.geomspace(25, 3000, 9))
DULLINGS_OF_MANY = (0.2, 1.4)
WANDERS_OF_MANY = ((0.003, 0.003), (0.04, 0.003), (0.2, 0.04), (0.01, 0.04), (0.04, 0.2))

SETTLING_PARTS = 6.0
WARM_PARTS = 8.0  # cycle times to 63 % of the warm-up
COOLING = 1.5  # a standing machine cools so many times slower than a grinding one warms
#: Scatter of the slope from dress to dress, share of itself.
SLOPE_SCATTER = 0.3
#: Share of the variance of a dress that each size has by itself.
OWN_SCATTER = 0.05
#: Correlation of the sizes of one part about their levels.
ALIKE = 0.3


def past_life(age: ArrayLike, life: ArrayLike) -> Floats:
    """Lives past the life at an age since the dress."""
    return np.asarray(np.maximum(np.subtract(age, life), 0) / life)


def wear(age: ArrayLike, life: ArrayLike) -> Floats:
    """
    What age multiplies: columns of slope, settling and growth, shape (..., 3).

    Examples
    --------
    >>> wear(150, 100).round(3).tolist()
    [150.0, 1.0, 0.25]
    """
    a, past = np.broadcast_arrays(np.asarray(age, dtype=float), past_life(age, life))
    return np.stack([a, -np.expm1(-a / SETTLING_PARTS), past**2], axis=-1)


def widening(age: ArrayLike, life: ArrayLike, dulling: ArrayLike) -> Floats:
    """How many times as wide as on a fresh wheel the parts scatter at an age."""
    return np.asarray(1 + np.multiply(dulling, past_life(age, life)))


@dataclass(frozen=True, eq=False)
class Model:
    """
    The hypotheses of the bank and the matrices that go with them.

    Parameters
    ----------
    prior : Prior
        What is believed before the first part.
    registers : tuple of int
        The register, from 0, that moves each size.
    """

    prior: Prior = field(default_factory=Prior)
    registers: tuple[int, ...] = (0,)

    @cached_property
    def _mesh(self) -> tuple[Floats, Floats, Floats]:
        many = self.sizes > 1
        lives = np.array(LIVES_OF_MANY if many else LIVES)
        dullings = np.array(DULLINGS_OF_MANY if many else DULLINGS)
        wanders = np.array(WANDERS_OF_MANY if many else WANDERS)
        sides = (np.arange(len(side)) for side in (lives, dullings, wanders))
        i, j, k = (side.ravel() for side in np.meshgrid(*sides, indexing="ij"))
        return lives[i], dullings[j], wanders[k]

    @property
    def life(self) -> Floats:
        """Life of each filter, shape (filters,). [parts]"""
        return self._mesh[0]

    @property
    def dulling(self) -> Floats:
        """Growth of the spread of each filter, per life past the life."""
        return self._mesh[1]

    @property
    def wander(self) -> Floats:
        """Wander of all levels and of each by itself, shape (filters, 2). [sigma a part]"""
        return self._mesh[2]

    @property
    def sizes(self) -> int:
        """Number of sizes."""
        return len(self.registers)

    @cached_property
    def states(self) -> int:
        """Length of the state."""
        return LEVEL + (3 if self.sizes > 1 else 2) * self.sizes

    @cached_property
    def level(self) -> slice:
        """Places of the levels."""
        return slice(LEVEL, LEVEL + self.sizes)

    @cached_property
    def home(self) -> slice:
        """Places of the homes."""
        return slice(LEVEL + self.sizes, LEVEL + 2 * self.sizes)

    @cached_property
    def lean(self) -> slice:
        """Places of the leans; none with one size."""
        return slice(LEVEL + 2 * self.sizes, self.states)

    @cached_property
    def log_prior(self) -> Floats:
        """Logarithm of the weight of each filter before any reading."""
        log = self.prior.log_weight(self.life, self.dulling, self.wander)
        return np.asarray(log - np.log(np.exp(log).sum()))

    def past_life(self, age: float | Floats) -> Floats:
        """Lives past the life at ages since the dress, shape (filters,) or (filters, ages)."""
        return past_life(age, self.life if np.ndim(age) == 0 else self.life[:, None])

    def design(self, age: float, cold: float) -> Floats:
        """Z of the sizes of the part of that age, shape (filters, sizes, states)."""
        z = np.zeros((len(self.life), self.sizes, self.states))
        z[:, :, WARMTH] = -cold
        z[:, :, [SLOPE, SETTLING, GROWTH]] = wear(age, self.life)[:, None]
        z[:, :, self.level] = np.eye(self.sizes)
        if self.sizes > 1:
            z[:, :, self.lean] = age * np.eye(self.sizes)
        return z

    def start(self) -> tuple[Floats, Floats]:
        """Mean, shape (states,), and covariance, shape (states, states), of a first wheel."""
        prior = self.prior
        mean = np.zeros(self.states)
        cov = np.zeros((self.states, self.states))
        for place, (middle, sd) in (
            (USUAL_SLOPE, prior.slope),
            (SETTLING, prior.settling),
            (WARMTH, prior.warmth),
            (GROWTH, prior.growth),
        ):
            mean[place] = middle
            cov[place, place] = sd**2
        own = prior.setup_own if self.sizes > 1 else 0.0
        cov[self.home, self.home] = prior.setup**2 + own**2 * np.eye(self.sizes)
        if self.sizes > 1:
            cov[self.lean, self.lean] = prior.lean**2 * np.eye(self.sizes)
        return mean, cov

    def dressed(self, mean: Floats, cov: Floats, scatter_var: float) -> tuple[Floats, Floats]:
        """
        Mean and covariance after a dress, any leading axes: ``T m`` and ``T P T' + noise``.

        Parameters
        ----------
        mean, cov : ndarray, shape (..., states), (..., states, states)
            Before the dress; where it leaves the wear in the size, as `worn` made them.
        scatter_var : float
            Variance of the levels from dress to dress. [half widths^2]
        """
        mean, cov = mean.copy(), cov.copy()
        for new, old in ((self.level, self.home), (SLOPE, USUAL_SLOPE)):
            mean[..., new] = mean[..., old]
            cov[..., new, :] = cov[..., old, :]
            cov[..., :, new] = cov[..., :, old]
        own = OWN_SCATTER if self.sizes > 1 else 0.0
        cov[..., self.level, self.level] += scatter_var * ((1 - own) + own * np.eye(self.sizes))
        usual = mean[..., USUAL_SLOPE] ** 2 + cov[..., USUAL_SLOPE, USUAL_SLOPE]
        cov[..., SLOPE, SLOPE] += SLOPE_SCATTER**2 * usual
        return mean, cov

    def worn(self, mean: Floats, cov: Floats, age: float) -> tuple[Floats, Floats]:
        """
        The state of wheels of an age, with their wear counted to the homes.

        It is what a dress begins from where the control makes up for the dressed depth alone.
        """
        move = np.tile(np.eye(self.states), (len(mean), 1, 1))
        homes = np.arange(self.states)[self.home]
        move[:, homes] = self._unsettled(age)
        return np.einsum("nst,nt->ns", move, mean), move @ cov @ move.transpose(0, 2, 1)

    def wear(self, mean: Floats, age: float) -> Floats:
        """What wheels of an age have worn since their dress, shape (filters, sizes)."""
        level = np.einsum("nfs,ns->nf", self._unsettled(age), mean)
        return np.asarray(level - mean[:, self.home])

    def _unsettled(self, age: float) -> Floats:
        """Z of a warm machine, what settles in every cycle left out."""
        z = self.design(age, 0.0)
        z[:, :, SETTLING] = 0.0
        return z


def chilled(cold: float, parts_stood: float) -> float:
    """Share of the warm-up still to come after a pause of so many cycle times."""
    return float(1 - (1 - cold) * np.exp(-parts_stood / (COOLING * WARM_PARTS)))


def warmed(cold: float, parts_ground: float = 1.0) -> float:
    """Share of the warm-up still to come after grinding for so many cycle times."""
    return float(cold * np.exp(-parts_ground / WARM_PARTS))
