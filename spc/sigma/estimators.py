"""
Estimators of the standard deviation of single parts; each says what it assumes.

Groups are either a 2-D array, one row a group, NaN where a reading is missing, or a sequence of
1-D arrays of any length.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.sigma.factors import c4, d2, d3, d4
from spc.sigma.groups import as_groups, deviations, means, per_size, ranges, sizes

Floats = NDArray[np.float64]


def moving_ranges(x: ArrayLike) -> Floats:
    """Steps between neighbours without their sign, shape (n - 1,); NaN beside a missing value."""
    step = np.diff(np.asarray(x, dtype=float))
    return np.abs(step, out=step)


def from_moving_range(x: ArrayLike, *, span: int = 2, median: bool = False) -> float:
    """
    Sigma of single values from the steps between neighbours.

    Assumes neighbours differ by chance alone: slow drift hardly raises it, correlation
    between neighbours lowers it, and every step or outlier enters twice.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in grinding order; a missing one (NaN) takes its two steps with it.
    span : int
        Neighbours that each moving range is taken over.
    median : bool
        From the median step, which a few outliers do not move, but which is known less well.

    Returns
    -------
    float
        In the unit of `x`.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.

    Examples
    --------
    >>> round(from_moving_range([1.0, 3.0, 2.0, 4.0]), 4)
    1.477
    """
    if span == 2:
        return from_steps(moving_ranges(x), median=median)
    x = np.asarray(x, dtype=float)
    if len(x) < span:
        raise ValueError(f"{len(x)} values: at least {span} needed for ranges over {span}")
    windows = np.lib.stride_tricks.sliding_window_view(x, span)
    whole = windows[~np.isnan(windows).any(axis=1)]
    return from_ranges(whole, median=median)


def from_steps(steps: ArrayLike, *, median: bool = False) -> float:
    """
    Sigma of single values from their moving ranges, as `from_moving_range` of the values.

    Examples
    --------
    >>> round(from_steps([2.0, 1.0, 2.0]), 4)
    1.477
    """
    steps = np.asarray(steps, dtype=float)
    if median:
        return float(np.median(_present(steps, 1, "steps between neighbours"))) / d4(2)
    center = float(steps.mean()) if len(steps) else math.nan
    if math.isnan(center):
        center = float(_present(steps, 1, "steps between neighbours").mean())
    return center / d2(2)


def from_ranges(groups: ArrayLike | Sequence[ArrayLike], *, median: bool = False) -> float:
    """
    Sigma within groups from their ranges: mean range over d2 when all are of one size.

    Groups of unequal size are weighted by how well each knows sigma, ``(d2 / d3)**2``, which
    is the linear unbiased estimate of least variance. Assumes normal readings and one sigma
    in all groups; what happens between groups does not enter.

    Parameters
    ----------
    groups : array_like, shape (k, m), or sequence of array_likes
        Readings; groups with fewer than two are left out.
    median : bool
        From the median of range over its expected median, against a few wild groups.

    Examples
    --------
    >>> round(from_ranges([[1.0, 3.0], [2.0, 6.0]]), 4)
    2.6587
    """
    table = as_groups(groups)
    count, spread = sizes(table), ranges(table)
    if median:
        return float(np.median(_present(spread / per_size(d4, count), 1, "groups of two")))
    expected = per_size(d2, count)
    return _weighted(spread / expected, (expected / per_size(d3, count)) ** 2)


def from_deviations(groups: ArrayLike | Sequence[ArrayLike]) -> float:
    """
    Sigma within groups from their standard deviations: mean s over c4 for equal sizes.

    Unequal groups are weighted by ``c4**2 / (1 - c4**2)``, the linear unbiased estimate of
    least variance [1]_. Assumes as `from_ranges` does; better than it from about eight
    readings a group.

    References
    ----------
    .. [1] I. W. Burr (1969), J. Quality Technology 1, 163-167 (from memory).

    Examples
    --------
    >>> round(from_deviations([[1.0, 3.0], [2.0, 6.0]]), 4)
    2.6587
    """
    table = as_groups(groups)
    count = sizes(table)
    expected = per_size(c4, count)
    return _weighted(deviations(table) / expected, expected**2 / (1 - expected**2))


def pooled(groups: ArrayLike | Sequence[ArrayLike], *, unbiased: bool = True) -> float:
    """
    Sigma within groups from all squared deviations together.

    The least uncertain of the three when readings are normal with one sigma in all groups;
    one wild group moves it most.

    Parameters
    ----------
    groups : array_like, shape (k, m), or sequence of array_likes
        Readings; a group of one adds nothing.
    unbiased : bool
        Divide by c4 of the pooled degrees of freedom; False gives the plain root mean square.

    Examples
    --------
    >>> round(pooled([[1.0, 3.0], [2.0, 6.0]], unbiased=False), 4)
    2.2361
    """
    table = as_groups(groups)
    count = sizes(table)
    degrees = int((count - 1)[count >= 2].sum())
    if degrees < 1:
        raise ValueError("at least one group with two readings is needed")
    squares = float(np.nansum((table - means(table)[:, None])[count >= 2] ** 2))
    root = math.sqrt(squares / degrees)
    return root / c4(degrees + 1) if unbiased else root


def total(x: ArrayLike) -> float:
    """
    Standard deviation of all values about their mean, divisor n - 1.

    Assumes nothing about order, and so counts drift, dresses and offsets as spread.
    Two passes with the mean corrected, for values that vary little beside their size.

    Examples
    --------
    >>> total([1.0, 2.0, 3.0])
    1.0
    """
    present = _present(np.asarray(x, dtype=float), 2, "values")
    away = present - mean(present)
    squares = float(away @ away) - float(away.sum()) ** 2 / len(away)
    return math.sqrt(squares / (len(away) - 1))


def mean(x: ArrayLike) -> float:
    """
    Mean of the values present, corrected by the mean of what is left over.

    Examples
    --------
    >>> mean([1.0, float("nan"), 2.0])
    1.5
    """
    x = np.asarray(x, dtype=float)
    first = float(x.mean()) if x.size else math.nan
    if math.isnan(first):
        x = _present(x, 1, "values")
        first = float(x.mean())
    return first + float((x - first).mean()) if x.size < 100_000 else first


def robust(x: ArrayLike) -> float:
    """
    Sigma from the median distance to the median, times 1.4826.

    Assumes that the middle half of the values is normal, with one level; up to half of the
    rest may be anything. It knows sigma as well as `total` would from about 37 % of the
    values [1]_, and reads a few percent low below 20.

    References
    ----------
    .. [1] F. R. Hampel (1974), J. American Statistical Association 69, 383-393 (from memory).

    Examples
    --------
    >>> round(robust([1.0, 2.0, 3.0, 4.0, 500.0]), 4)
    1.4826
    """
    present = _present(np.asarray(x, dtype=float), 2, "values")
    away = float(np.median(np.abs(present - np.median(present))))
    # The upper quartile of the standard normal, 0.674490: d4(2) is sqrt(2) times it.
    return away * math.sqrt(2) / d4(2)


def _present(x: Floats, least: int, what: str) -> Floats:
    kept = x[~np.isnan(x)]
    if len(kept) < least:
        raise ValueError(f"{len(kept)} {what}: at least {least} needed")
    return kept


def _weighted(estimates: Floats, weights: Floats) -> float:
    known = ~np.isnan(estimates)
    if not known.any():
        raise ValueError("at least one group with two readings is needed")
    return float(np.average(estimates[known], weights=weights[known]))
