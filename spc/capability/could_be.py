"""
What level, scatter, dress and drift of a run could truly be, given what was seen.

A fixed, evenly spread set of points of their fiducial distribution (generalized pivots,
Weerahandi 1993): the mean squares by chi-square, the level by the normal distribution, the drift by
Student's t over the dress cycles. Bounds built from it widen with few dress cycles, however many
parts each holds.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spc.capability.shapes import FAMILIES, Shape
from spc.capability.time_parts import TimeParts

Array = NDArray[np.float64]
_POINTS = 4096
_TAILS = (0.00135, 0.99865)


@dataclass(frozen=True, eq=False)
class CouldBe:
    """Equally likely truths, one a row of each array: level [µm] and variances [µm²]."""

    level: Array
    within_var: Array
    dress_var: Array
    drift_var: Array

    @property
    def scatter_sd(self) -> Array:
        """Scatter of parts and dresses, drift taken out. [µm]"""
        return np.sqrt(self.within_var + self.dress_var)

    @property
    def total_sd(self) -> Array:
        """Spread as delivered. [µm]"""
        return np.sqrt(self.within_var + self.dress_var + self.drift_var)

    @property
    def reach(self) -> Array:
        """Half the way between the outer quantiles as delivered: 3 sigmas without drift. [µm]"""
        return self.total_sd * flat_reach(self.drift_var / self.total_sd**2)


@lru_cache(maxsize=8)  # several indices of one run ask for the same truths
def could_be(parts: TimeParts) -> CouldBe:
    """The truths that a run taken apart leaves open."""
    by_within, by_dress, z, t = _pivots(parts.within_df, parts.dress_df)
    within = parts.within_var / by_within
    dress = np.zeros(_POINTS)
    level_var = parts.within_var / parts.n / by_within
    if parts.dress_df > 0:
        between = parts.dress_ms / by_dress
        dress = np.maximum(between - within, 0.0) / parts.per_cycle
        level_var = between / parts.n
    drift = np.maximum(parts.drift_var + t * parts.drift_error, 0.0)
    return CouldBe(parts.level + z * np.sqrt(level_var), within, dress, drift)


def flat_reach(share: Array | float) -> Array:
    """
    Half the way between the outer quantiles, in total sigmas, of a normal shape flattened by drift.

    Parameters
    ----------
    share : array_like
        Share of the variance that the drift makes, 0 to 1: 3 sigmas at 0, 1.73 at 1.

    Examples
    --------
    >>> flat_reach([0.0, 4**2 / 12 / (1 + 4**2 / 12)]).round(2).tolist()
    [3.0, 2.73]
    """
    grid, reach = _reach_table()
    return np.interp(np.asarray(share, float), grid, reach)


@lru_cache(maxsize=1)
def _reach_table() -> tuple[Array, Array]:
    grid = np.linspace(0.0, 0.9999, 120)
    reach = [
        float(np.ptp(Shape(FAMILIES["flattened normal"], _unit(f)).quantile(_TAILS))) / 2
        for f in grid
    ]
    # Without drift 0.135 % lies at 2.99998 sigmas: three, by definition of the index.
    return grid, np.array(reach) * 3 / reach[0]


def _unit(share: float) -> tuple[float, float, float]:
    return 0.0, float(np.sqrt(1 - share)), float(np.sqrt(12 * share))


@lru_cache(maxsize=16)
def _pivots(within_df: float, dress_df: float) -> tuple[Array, Array, Array, Array]:
    """Chi-square over its df for within and dress, normal and t, on the points of a lattice."""
    from scipy.special import chdtri, ndtri, stdtrit

    # Roberts' lattice in four dimensions: steps are powers of the root of x^5 = x + 1.
    root = 1.1673039782614187
    steps = (1 / root) ** np.arange(1, 5)
    u = (0.5 + np.arange(1, _POINTS + 1)[:, None] * steps) % 1.0
    between = chdtri(dress_df, u[:, 1]) / dress_df if dress_df > 0 else np.ones(_POINTS)
    t = stdtrit(dress_df, u[:, 3]) if dress_df > 0 else ndtri(u[:, 3])
    return chdtri(within_df, u[:, 0]) / within_df, between, ndtri(u[:, 2]), t
