"""The shape a moving level delivers: normal scatter about the way it went."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.shapes import NORMAL

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Path:
    """
    Normal scatter about a path that was followed: the delivered shape of a run with drift.

    Attributes
    ----------
    levels : ndarray, shape (k,)
        Levels along the path, each with the same share of the parts.
    sd : float
        Standard deviation about the path.
    """

    levels: Array
    sd: float
    name: str = "path of the run"

    def cdf(self, x: ArrayLike) -> Array:
        """Probability at or below `x`."""
        return np.asarray(NORMAL.cdf(np.asarray(x, float)[..., None], self.levels, self.sd)).mean(
            -1
        )

    def sf(self, x: ArrayLike) -> Array:
        """Probability above `x`."""
        return np.asarray(NORMAL.sf(np.asarray(x, float)[..., None], self.levels, self.sd)).mean(-1)

    def quantile(self, p: ArrayLike) -> Array:
        """Value not exceeded with probability `p`."""
        p = np.asarray(p, float)
        low = np.full(p.shape, self.levels.min() - 40 * self.sd)
        high = np.full(p.shape, self.levels.max() + 40 * self.sd)
        for _ in range(60):
            mid = (low + high) / 2
            upper = np.where(p > 0.5, self.sf(mid) > 1 - p, self.cdf(mid) < p)
            low, high = np.where(upper, mid, low), np.where(upper, high, mid)
        return np.asarray((low + high) / 2)


def path_shape(
    levels: ArrayLike, sd: float, *, weights: ArrayLike | None = None, points: int = 200
) -> Path:
    """
    The `Path` through `levels`, thinned to at most `points` levels of equal share.

    `weights` say how many parts each level stands for; None: all alike.

    Examples
    --------
    >>> shape = path_shape([-2.0, 2.0], 1.0)
    >>> float(shape.cdf(0.0))
    0.5
    """
    levels = np.asarray(levels, float)
    mass = np.ones(len(levels)) if weights is None else np.asarray(weights, float)
    order = np.argsort(levels, kind="stable")
    ordered, mass = levels[order], mass[order]
    if len(ordered) > points or np.ptp(mass) > 0:
        middle = (np.cumsum(mass) - mass / 2) / mass.sum()
        ordered = np.interp((np.arange(points) + 0.5) / points, middle, ordered)
    # Parts that lie exactly on their line leave no scatter, and zero has no tails to count in.
    return Path(ordered, max(float(sd), 1e-9))
