r"""
One model of how a ground size comes about, as matrices.

Lengths are half widths of the tolerance, money is the plan's, time is parts. The level of a
diameter at the ``a``-th part since the dress, the machine being *cold* by a share ``k`` (1: it has
stood for long, 0: warm), is linear in a state that hardly ever changes::

    y = Z x + offsets + part + gauge
    x = (level, home, slope, usual slope, settling, warmth, growth)
    Z = (1, 0, a, 0, 1 - exp(-a / SETTLING_PARTS), -k, (max(0, a - K) / K)^2)

`level` is where the register stands, `slope` the wear of this wheel face per part, `settling` the
climb of a fresh wheel, `warmth` how far below its place a cold machine begins, `growth` what the
level gains by one life past the life ``K``. Between parts nothing moves but the level, which
wanders; a dress draws the level anew about its `home` and the slope about the `usual slope`::

    part:   x' = x + R eta,     var(eta) = wander^2,         R = (1, 0, 0, 0, 0, 0, 0)
    dress:  x' = T x + noise,   T: level <- home, slope <- usual slope,
            noise of the level: the scatter of a dress; of the slope: SLOPE_SCATTER of itself

(the notation of Durbin and Koopman, Time Series Analysis by State Space Methods, 2nd ed., section
3.1, from memory; a regression on known regressors with a wandering level is their section 3.6).
The spread of parts about the level is ``sigma`` up to the life and grows past it::

    sd(a) = sigma (1 + dulling max(0, a - K) / K)

Life, dulling and wander enter nonlinearly. They are the hypotheses of a bank of filters (multi-
process models of the first kind: Harrison and Stevens 1976, JRSS B 38, 205; West and Harrison,
Bayesian Forecasting and Dynamic Models, chapter 12, from memory); see `spc.adviser.filter`.

Start values are wide priors in units of the tolerance and of the spread. They come from a trial on
invented processes of many makes and are judgement where no other source is named.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Places in the state.
LEVEL, HOME, SLOPE, USUAL_SLOPE, SETTLING, WARMTH, GROWTH = range(7)
STATES = 7

#: Hypotheses: life [parts], growth of the spread per life past it, wander [sigma a part].
LIVES = tuple(float(k) for k in np.geomspace(25, 3000, 13))
DULLINGS = (0.15, 0.8, 1.8)
WANDERS = (0.003, 0.04, 0.2)

#: Set-up error of the first wheel [half widths], means and standard deviations of the others.
SETUP_SD = 0.5
SLOPE_START = (0.008, 0.008)  # half widths a part
SLOPE_SCATTER = 0.3  # share of itself, from dress to dress
SETTLING_START = (0.2, 0.2)
SETTLING_PARTS = 6.0
WARMTH_START = (0.2, 0.3)
WARM_PARTS = 8.0  # cycle times to 63 % of the warm-up
COOLING = 1.5  # a standing machine cools so many times slower than a grinding one warms
GROWTH_START = (0.5, 0.6)

#: Spread of parts: half widths, and the shape of its inverse gamma distribution.
SIGMA_START, SIGMA_SHAPE = 1 / 7, 3.0
#: Scatter of a dress: half widths, and shape.
DRESS_START, DRESS_SHAPE = 0.22, 2.0

#: Median life over the habit told, and the standard deviation of its logarithm; without a habit.
LIFE_PER_HABIT, HABIT_LOG_SD = 2 / 3, 0.85
LIFE_UNTOLD, UNTOLD_LOG_SD = 180.0, 1.3


@dataclass(frozen=True, eq=False)
class Model:
    """
    The hypotheses of the bank and the matrices that go with them.

    Parameters
    ----------
    habit : float or None
        Parts per dress as the plan tells them: weak evidence on life.
    """

    habit: float | None = None

    @cached_property
    def _mesh(self) -> tuple[Floats, Floats, Floats]:
        mesh = np.meshgrid(LIVES, DULLINGS, WANDERS, indexing="ij")
        life, dulling, wander = (side.ravel() for side in mesh)
        return life, dulling, wander

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
        """Wander of each filter. [sigma a part]"""
        return self._mesh[2]

    @cached_property
    def log_prior(self) -> Floats:
        """Logarithm of the weight of each filter before any reading."""
        middle, sd = LIFE_UNTOLD, UNTOLD_LOG_SD
        if self.habit is not None:
            middle, sd = LIFE_PER_HABIT * self.habit, HABIT_LOG_SD
        log = -0.5 * (np.log(self.life / middle) / sd) ** 2
        return np.asarray(log - np.log(np.exp(log).sum()))

    def past_life(self, age: float | Floats) -> Floats:
        """Lives past the life at ages since the dress, shape (filters,) or (filters, ages)."""
        life = self.life if np.ndim(age) == 0 else self.life[:, None]
        return np.asarray(np.maximum(age - life, 0) / life)

    def design(self, age: float, cold: float) -> Floats:
        """Z of the part of that age, shape (filters, states)."""
        z = np.zeros((len(self.life), STATES))
        z[:, LEVEL] = 1.0
        z[:, SLOPE] = age
        z[:, SETTLING] = -np.expm1(-age / SETTLING_PARTS)
        z[:, WARMTH] = -cold
        z[:, GROWTH] = self.past_life(age) ** 2
        return z

    def start(self) -> tuple[Floats, Floats]:
        """Mean, shape (states,), and covariance, shape (states, states), of a first wheel."""
        mean = np.zeros(STATES)
        cov = np.zeros((STATES, STATES))
        for place, (middle, sd) in (
            (USUAL_SLOPE, SLOPE_START),
            (SETTLING, SETTLING_START),
            (WARMTH, WARMTH_START),
            (GROWTH, GROWTH_START),
        ):
            mean[place] = middle
            cov[place, place] = sd**2
        cov[HOME, HOME] = SETUP_SD**2
        return mean, cov


def dressed(mean: Floats, cov: Floats, scatter_var: Floats | float) -> tuple[Floats, Floats]:
    """
    Mean and covariance after a dress, any leading axes: ``T m`` and ``T P T' + noise``.

    Parameters
    ----------
    mean, cov : ndarray, shape (..., states), (..., states, states)
        Before the dress.
    scatter_var : float
        Variance of the level from dress to dress. [half widths^2]
    """
    new_of, old_of = [LEVEL, SLOPE], [HOME, USUAL_SLOPE]
    mean, cov = mean.copy(), cov.copy()
    mean[..., new_of] = mean[..., old_of]
    cov[..., new_of, :] = cov[..., old_of, :]
    cov[..., :, new_of] = cov[..., :, old_of]
    cov[..., LEVEL, LEVEL] += scatter_var
    usual = mean[..., USUAL_SLOPE] ** 2 + cov[..., USUAL_SLOPE, USUAL_SLOPE]
    cov[..., SLOPE, SLOPE] += SLOPE_SCATTER**2 * usual
    return mean, cov


def chilled(cold: float, parts_stood: float) -> float:
    """Share of the warm-up still to come after a pause of so many cycle times."""
    return float(1 - (1 - cold) * np.exp(-parts_stood / (COOLING * WARM_PARTS)))


def warmed(cold: float, parts_ground: float = 1.0) -> float:
    """Share of the warm-up still to come after grinding for so many cycle times."""
    return float(cold * np.exp(-parts_ground / WARM_PARTS))
