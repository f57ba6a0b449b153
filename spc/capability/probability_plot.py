"""Readings against the quantiles a shape expects: a straight line where the shape fits."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.path import Path
from spc.capability.shapes import Shape

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ProbabilityPlot:
    """
    Coordinates of a probability plot, each of shape (n,), readings rising. [unit of the data]

    Attributes
    ----------
    readings : ndarray
        Sorted readings.
    expected : ndarray
        Quantiles of the shape at the plotting positions: on the diagonal where the shape fits.
    share : ndarray
        Plotting positions, the expected share below each reading.
    low, high : ndarray
        Where each single reading lies with 95 % if the shape is true.
    """

    readings: Array
    expected: Array
    share: Array
    low: Array
    high: Array

    @property
    def correlation(self) -> float:
        """Correlation of readings and expected quantiles: 1 on a straight line (Filliben 1975)."""
        return float(np.corrcoef(self.readings, self.expected)[0, 1])


def probability_plot(readings: ArrayLike, shape: Shape | Path) -> ProbabilityPlot:
    """
    Coordinates of the readings against a shape.

    Parameters
    ----------
    readings : array_like, shape (n,)
    shape : Shape or Path
        The shape to hold against.

    Returns
    -------
    ProbabilityPlot

    Notes
    -----
    Plotting positions are medians of the order statistics' shares, and the band their 2.5 % and
    97.5 % points, by the beta distribution: right for any continuous shape that was not fitted
    to the same readings, and a little wide for one that was.

    Examples
    --------
    >>> from spc.capability.shapes import FAMILIES
    >>> plot = probability_plot([3.0, 1.0, 2.0], Shape(FAMILIES["normal"], (2.0, 1.0)))
    >>> plot.readings.tolist(), plot.expected.round(2).tolist()
    ([1.0, 2.0, 3.0], [1.18, 2.0, 2.82])
    """
    from scipy.special import betaincinv

    ordered = np.sort(np.asarray(readings, float))
    n = len(ordered)
    i = np.arange(1, n + 1)
    share, low, high = (betaincinv(i, n + 1 - i, p) for p in (0.5, 0.025, 0.975))
    return ProbabilityPlot(
        ordered, shape.quantile(share), share, shape.quantile(low), shape.quantile(high)
    )


def normal_scores(n: int) -> Array:
    """
    Expected values of the order statistics of `n` standard normal readings, rising.

    References
    ----------
    .. [1] Harter (1961), Biometrika 48, 151-165.

    Examples
    --------
    >>> normal_scores(10)[:-6:-1].round(4).tolist()
    [1.5388, 1.0014, 0.6561, 0.3758, 0.1227]
    """
    from scipy.special import gammaln, log_ndtr

    if n < 1:
        raise ValueError(f"n is {n}; at least one reading is needed")
    x, weight = np.polynomial.legendre.leggauss(400)
    x, weight = 9.5 * x, 9.5 * weight
    i = np.arange(1, n + 1)[:, None]
    count = gammaln(n + 1) - gammaln(i) - gammaln(n - i + 1)
    density = count + (i - 1) * log_ndtr(x) + (n - i) * log_ndtr(-x) - x**2 / 2
    return np.asarray((np.exp(density) * x * weight).sum(1) / np.sqrt(2 * np.pi))
