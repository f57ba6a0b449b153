"""Charts for parts that resemble the part before: widened limits, or what is new in each part."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from spc import sigma as spread
from spc.charts.limits import Base, Chart, ChartPair, Floats, FrozenLimits, base_of, in_base
from spc.charts.shewhart import BaseSpan, individuals_chart


def autocorrelation(x: ArrayLike, lag: int = 1) -> float:
    """
    Correlation of each value with the one `lag` before.

    Parameters
    ----------
    x : array_like, shape (n,)
        In grinding order; pairs with a missing value (NaN) are left out.
    lag : int
        1 for neighbours.

    Returns
    -------
    float
        NaN where all values are equal or there is no pair.

    References
    ----------
    .. [1] NIST Statistical Reference Datasets, univariate: lag-1 autocorrelation coefficient.

    Examples
    --------
    >>> round(autocorrelation([1.0, 2.0, 3.0, 4.0, 5.0]), 3)
    0.4
    """
    x = np.asarray(x, dtype=float)
    if lag < 1 or len(x) <= lag:
        return math.nan
    present = ~np.isnan(x)
    n = int(present.sum())
    if not n:
        return math.nan
    away = np.where(present, x - spread.mean(x), 0.0)
    whole = float(away @ away)
    pairs = int((present[lag:] & present[:-lag]).sum())
    if not whole or not pairs:
        return math.nan
    # As many pairs as a series without gaps would have.
    return float(away[lag:] @ away[:-lag]) / whole * (n / (pairs + lag))


@dataclass(frozen=True)
class CorrelationTest:
    """
    Whether neighbours resemble each other more than chance explains.

    Attributes
    ----------
    r : float
        Lag-1 autocorrelation.
    z : float
        Its distance from what independent values give, in standard errors.
    chance : float
        Of one so far off, on either side, when values are independent.
    n : int
        Values.
    """

    r: float
    z: float
    chance: float
    n: int


def correlation_test(x: ArrayLike) -> CorrelationTest:
    """
    Test of independent neighbours.

    Parameters
    ----------
    x : array_like, shape (n,)
        In grinding order; NaN is a missing value.

    References
    ----------
    .. [1] P. A. P. Moran (1948), Biometrika 35, 255-260 (from memory): mean ``-1/(n-1)`` and
       variance ``(n-2)**2 / (n**2 (n-1))`` of the coefficient for independent normal values.

    Examples
    --------
    >>> round(correlation_test([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]).r, 3)
    0.625
    """
    x = np.asarray(x, dtype=float)
    n = int((~np.isnan(x)).sum())
    r = autocorrelation(x)
    if n < 4 or math.isnan(r):
        return CorrelationTest(r, math.nan, math.nan, n)
    z = (r + 1 / (n - 1)) / ((n - 2) / (n * math.sqrt(n - 1)))
    return CorrelationTest(r, z, math.erfc(abs(z) / math.sqrt(2)), n)


@dataclass(frozen=True)
class RunsTest:
    """Runs above and below the median: how many, and how far from what chance gives."""

    runs: int
    expected: float
    z: float
    chance: float


def runs_test(x: ArrayLike) -> RunsTest:
    """
    Test of random order by runs about the median; too few runs mean slow waves, many a see-saw.

    Parameters
    ----------
    x : array_like, shape (n,)
        In grinding order; missing values and those on the median are passed over.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.13.

    Examples
    --------
    >>> runs_test([1.0, 9.0, 2.0, 8.0, 3.0, 7.0]).runs
    6
    """
    values = np.asarray(x, dtype=float)
    present = values[~np.isnan(values)]
    side = np.sign(present - np.median(present)) if len(present) else present
    side = side[side != 0]
    n, above = len(side), int((side > 0).sum())
    below = n - above
    runs = 1 + int((side[1:] != side[:-1]).sum()) if n else 0
    if above < 1 or below < 1 or n < 3:
        return RunsTest(runs, math.nan, math.nan, math.nan)
    both = 2 * above * below
    expected = both / n + 1
    z = (runs - expected) / math.sqrt(both * (both - n) / (n**2 * (n - 1)))
    return RunsTest(runs, expected, z, math.erfc(abs(z) / math.sqrt(2)))


def widened_chart(x: ArrayLike, *, base: BaseSpan = None) -> ChartPair:
    """
    Single parts with limits that allow for likeness of neighbours.

    Parameters
    ----------
    x : array_like, shape (n,)
        One value a part in grinding order; NaN is a missing one. [µm]
    base : Base, (first, last) or None
        Positions that limits and likeness come from; None: all.

    Returns
    -------
    ChartPair
        As from `shewhart.individuals_chart`, with sigma over ``sqrt(1 - r)``, r the lag-1
        autocorrelation of the base; moving ranges keep their own limits. Alike neighbours still
        come beyond in groups: count each group as one signal.

    References
    ----------
    .. [1] T. J. Harris and W. H. Ross (1991), Canadian J. Chemical Engineering 69, 48-57
       (from memory).

    Examples
    --------
    >>> x = [0.0, 0.2, 0.5, 0.9, 0.6, 0.3, 0.0, -0.4, -0.6, -0.3]
    >>> plain, wide = individuals_chart(x).location, widened_chart(x).location
    >>> bool(wide.sigma > 1.5 * plain.sigma)
    True
    """
    x = np.asarray(x, dtype=float)
    found = base_of(base, len(x))
    span = in_base(x, found)
    narrow = spread.from_moving_range(span)
    wide = individuals_chart(
        x,
        frozen=FrozenLimits(
            center=spread.mean(span), sigma=narrow / math.sqrt(1 - _likeness(span))
        ),
    )
    steps = individuals_chart(x, base=found).spread
    return ChartPair(_from(wide.location, wide.location.statistic, found), steps)


def innovations_chart(x: ArrayLike, *, base: BaseSpan = None) -> ChartPair:
    """
    What is new in each part: its distance from what the part before leads one to expect.

    Parameters
    ----------
    x : array_like, shape (n,)
        One value a part in grinding order; NaN is a missing one. [µm]
    base : Base, (first, last) or None
        Positions that level, likeness and sigma come from; None: all.

    Returns
    -------
    ChartPair
        Single values and moving ranges of ``(x - level) - r * (x_before - level)``; the first
        point, and each after a missing one, is NaN. Every pattern has its usual meaning here.
        A lasting shift shows in full in one part only, and then as ``1 - r`` of it.

    References
    ----------
    .. [1] L. C. Alwan and H. V. Roberts (1988), J. Business & Economic Statistics 6, 87-95
       (from memory).

    Examples
    --------
    >>> pair = innovations_chart([0.0, 0.2, 0.5, 0.9, 0.6, 0.3, 0.0, -0.4, -0.6, -0.3])
    >>> bool(np.isnan(pair.location.values[0]))
    True
    """
    x = np.asarray(x, dtype=float)
    found = base_of(base, len(x))
    span = in_base(x, found)
    level, r = spread.mean(span), _likeness(span)
    new = np.full(len(x), np.nan)
    new[1:] = (x[1:] - level) - r * (x[:-1] - level)
    pair = individuals_chart(new, base=found)
    return ChartPair(_from(pair.location, "what is new in each part", found), pair.spread)


def _likeness(span: Floats) -> float:
    r = autocorrelation(span)
    # Beyond these the series has no level to speak of, and limits none either.
    return 0.0 if math.isnan(r) else min(max(r, -0.95), 0.95)


def _from(chart: Chart, statistic: str, base: Base) -> Chart:
    return replace(chart, statistic=statistic, base=base)
