"""Weighted means of the parts so far: for small lasting shifts that single points hide."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.limits import Chart, Floats, FrozenLimits
from spc.charts.shewhart import BaseSpan, level_and_spread

#: With weight 0.2 these limits cry wolf once in 370 points, as three standard errors do for
#: single points (computed in `run_length`: 2.8642 with growing limits).
WEIGHT, TIMES = 0.2, 2.86


@dataclass(frozen=True, eq=False)
class EwmaChart(Chart):
    """
    An exponentially weighted moving average with its exact limits.

    Attributes
    ----------
    weight : float
        Of the newest point.
    times : float
        Limits stand so many standard errors of the weighted mean from the centre.
    """

    weight: float
    times: float


def smoothed(x: ArrayLike, weight: float, start: float) -> Floats:
    """
    Exponentially weighted moving average, ``z = weight * x + (1 - weight) * z_before``.

    Parameters
    ----------
    x : array_like, shape (n,)
        NaN is a missing value: it gives NaN and leaves the average as it was.
    weight : float
        Of the newest value, above 0 and up to 1.
    start : float
        The average before the first value.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Behind a steady drift of b per value it lags by ``b * (1 - weight) / weight`` [1]_.

    References
    ----------
    .. [1] R. G. Brown (1963), Smoothing, Forecasting and Prediction (from memory).

    Examples
    --------
    >>> smoothed([52.0, 47.0], 0.3, start=50.0).round(2)
    array([50.6 , 49.52])
    """
    if not 0 < weight <= 1:
        raise ValueError(f"weight {weight:g}: above 0 and up to 1 is needed")
    x = np.asarray(x, dtype=float)
    missing = np.isnan(x)
    if missing.any():
        found = np.full(len(x), np.nan)
        found[~missing] = smoothed(x[~missing], weight, start)
        return found
    return _recursion(x, weight, start)


def _recursion(x: Floats, weight: float, start: float) -> Floats:
    # z_i = keep^i * (start + weight * sum of x_j / keep^j), in stretches after which the past
    # counts for less than the last digit: each begins where the one before would have ended
    # without any past, plus that vanishing rest. (A filter from scipy.signal does the same, but
    # importing it takes longer than a report may.)
    keep, n = 1 - weight, len(x)
    if keep == 0 or n == 0:
        return x.copy()
    stretch = min(n, math.ceil(-46 / math.log(keep)))
    rows = -(-n // stretch)
    padded = np.zeros((rows, stretch))
    padded.ravel()[:n] = x
    grown = keep ** -np.arange(1.0, stretch + 1)
    padded *= weight * grown
    np.cumsum(padded, axis=1, out=padded)
    ends = padded[:, -1] / grown[-1]
    begins = np.empty(rows)
    begins[0] = start
    # One step back is enough: two stretches back weigh less than 1e-39.
    begins[1:] = ends[:-1] + np.concatenate([[start], ends[:-2]]) / grown[-1]
    padded += begins[:, None]
    padded /= grown
    return padded.ravel()[:n]


def ewma_chart(
    x: ArrayLike,
    *,
    weight: float = WEIGHT,
    times: float = TIMES,
    center: float | None = None,
    sigma: float | None = None,
    size: int = 1,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
) -> EwmaChart:
    """
    Weighted means, with limits that follow their exact standard error from the first point.

    Parameters
    ----------
    x : array_like, shape (n,)
        One value a part, or means of `size` parts, in grinding order; NaN is missing. [µm]
    weight, times : float
        Weight of the newest point, and limits in standard errors.
    center : float, optional
        Level to hold, often the target; None: the mean of the base.
    sigma : float, optional
        Of single parts; None: from the moving ranges of the base.
    size : int
        Parts each point is the mean of.
    base : Base, (first, last) or None
        Positions that level and sigma come from, where they are not given; None: all.
    frozen : FrozenLimits, optional
        Level and sigma from here.

    Returns
    -------
    EwmaChart

    Notes
    -----
    Neighbouring weighted means move together, so of the patterns only "beyond" has a meaning
    here; `run_length.of_ewma` says how often it cries wolf.

    References
    ----------
    .. [1] S. W. Roberts (1959), Technometrics 1, 239-250 (from memory).
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.

    Examples
    --------
    >>> chart = ewma_chart([52.0, 47.0], weight=0.3, times=3.0, center=50.0, sigma=2.0539)
    >>> chart.upper.round(3)
    array([51.849, 52.256])
    """
    x = np.asarray(x, dtype=float)
    given = level_and_spread(x, center=center, sigma=sigma, size=size, base=base, frozen=frozen)
    values = smoothed(x, weight, given.center)
    reach = times * given.sigma / math.sqrt(size) * _share(x, weight)
    return EwmaChart(
        "weighted mean",
        values,
        np.broadcast_to(given.center, values.shape),
        given.center - reach,
        given.center + reach,
        sigma=given.sigma,
        base=given.base,
        weight=weight,
        times=times,
    )


def _share(x: Floats, weight: float) -> Floats:
    """Standard error of each weighted mean in standard errors of a point, shape (n,)."""
    final = math.sqrt(weight / (2 - weight))
    share = np.full(len(x), final)
    if weight == 1:
        return share
    # Past this many points what is left to grow is below the last digit.
    growing = math.ceil(-40 / (2 * math.log1p(-weight)))
    seen = np.cumsum(~np.isnan(x[:growing]))
    # Missing points at the start only put the growth off.
    while len(seen) < len(x) and seen[-1] < growing:
        more = np.cumsum(~np.isnan(x[len(seen) : 2 * len(seen)]))
        seen = np.concatenate([seen, seen[-1] + more])
    share[: len(seen)] *= np.sqrt(-np.expm1(2 * seen * math.log1p(-weight)))
    return share
