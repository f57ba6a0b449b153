"""What breaks a chart, said beside it: likeness, coarse steps, shape, drift, too little data."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc import sigma as spread
from spc.charts.limits import Chart, Floats
from spc.charts.neighbours import correlation_test
from spc.charts.run_length import of_drift

#: A doubt is raised below this chance of a stable, independent, normal process (our choice:
#: three questions are left to chance, so one run in some 170 is doubted without cause).
RAISED_BELOW = 0.002
#: Steps of so many sigma and more make limits mislead; rounding adds step**2 / 12 to the
#: variance, and from here single steps decide what is beyond (computed).
MISLEADING_STEP, COARSE_STEP = 2.0, 1.0
#: Fewer parts or groups give limits too loosely known (ISO 7870-2:2023 asks for about 25 groups,
#: from memory).
FEW = 25


@dataclass(frozen=True)
class Doubt:
    """
    One reason not to take a chart at its word.

    Attributes
    ----------
    about : str
        "neighbours", "steps", "shape", "drift" or "few".
    says : str
        What was seen, with its numbers, and what to do instead.
    misleads : bool
        The limits themselves are wrong, not only less sure.
    size : float
        The number behind it: autocorrelation, step in sigmas, A-squared, drift in sigmas a
        point, points in the base.
    """

    about: str
    says: str
    misleads: bool
    size: float


def doubts(chart: Chart, *, step: float | None = None) -> tuple[Doubt, ...]:
    """
    Everything that speaks against a chart of single parts, means or lines.

    Parameters
    ----------
    chart : Chart
        Level, about a fixed centre or about wear lines; not moving ranges.
    step : float, optional
        Smallest step of the readings; None: found from the values. [unit of the data]

    Returns
    -------
    tuple of Doubt
        Empty when nothing is to be said.

    Examples
    --------
    >>> from spc.charts.shewhart import individuals_chart
    >>> chart = individuals_chart([0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0]).location
    >>> [doubt.about for doubt in doubts(chart)]
    ['steps', 'few']
    """
    away = chart.values - chart.center
    present = away[~np.isnan(away)]
    coarse = _steps(chart.sigma, step_of(chart.values) if step is None else step)
    about_lines = chart.statistic.startswith("individual about")
    drift = None if about_lines else _drift(present, chart.sigma)
    found = [
        coarse,
        _few(chart),
        drift,
        # A drift makes neighbours alike; what is left without it is another matter.
        _neighbours(_straightened(present) if drift else present),
        # Readings in coarse steps, or on a drift, are never normal: that has been said already.
        None if coarse or drift else _shape(present, chart.statistic),
    ]
    return tuple(doubt for doubt in found if doubt)


def step_of(x: ArrayLike) -> float:
    """
    Smallest step between different values, 0 when there is none.

    Differences below a millionth of the spread are taken for rounding in the last place.

    Examples
    --------
    >>> step_of([24.998, 25.001, 25.0, 25.001])
    0.001
    """
    x = np.asarray(x, dtype=float)
    levels = np.unique(x[~np.isnan(x)])
    if len(levels) < 2:
        return 0.0
    gaps = np.diff(levels)
    gaps = gaps[gaps > 1e-6 * (levels[-1] - levels[0])]
    return float(f"{gaps.min():.6g}")


def rounding_inflation(step: float, sigma: float) -> float:
    """
    How much rounding to a step enlarges the standard deviation, as a factor.

    Examples
    --------
    >>> round(rounding_inflation(1.0, 1.0), 2)
    1.04
    """
    return math.sqrt(1 + (step / sigma) ** 2 / 12)


def _steps(sigma: float, step: float) -> Doubt | None:
    if not step:
        return None
    if not sigma > 0:
        return Doubt(
            "steps",
            f"readings come in steps of {step:g} and most of the base span is on one of them, so "
            "that sigma is 0: limits mislead; read to a finer step before charting",
            True,
            math.inf,
        )
    ratio = step / sigma
    if ratio < COARSE_STEP:
        return None
    if ratio >= MISLEADING_STEP:
        return Doubt(
            "steps",
            f"readings come in steps of {step:g}, {ratio:.2g} times sigma: limits mislead, for "
            "one step decides what is beyond; read to a finer step before charting",
            True,
            ratio,
        )
    return Doubt(
        "steps",
        f"readings come in steps of {step:g}, {ratio:.2g} times sigma: rounding adds "
        f"{100 * (rounding_inflation(step, sigma) - 1):.0f} % to the spread",
        False,
        ratio,
    )


def _few(chart: Chart) -> Doubt | None:
    if chart.base is None or not 2 < chart.base.count < FEW:
        return None
    low, high = sigma_interval(chart.sigma, _degrees(chart))
    return Doubt(
        "few",
        f"limits rest on {chart.base.count} points: sigma {chart.sigma:.3g} may be anything from "
        f"{low:.3g} to {high:.3g} (95 %); estimate again when there are {FEW}",
        False,
        float(chart.base.count),
    )


def _degrees(chart: Chart) -> float:
    assert chart.base is not None
    points = chart.base.count
    if chart.statistic.startswith("individual about"):
        return float(getattr(chart, "degrees", 0) or points - 2)
    reach = float(np.nanmin(chart.upper - chart.center))
    size = round((3 * chart.sigma / reach) ** 2) if chart.statistic == "mean" and reach else 1
    if size > 1:
        return spread.range_degrees(size, points)
    return spread.moving_range_degrees(points)


def sigma_interval(
    sigma: float, degrees: float, *, confidence: float = 0.95
) -> tuple[float, float]:
    """
    Interval of the true sigma behind an estimate.

    Parameters
    ----------
    sigma : float
        The estimate.
    degrees : float
        Its degrees of freedom, fractional where they were matched.

    Examples
    --------
    >>> [round(edge, 2) for edge in sigma_interval(1.0, 20)]
    [0.77, 1.44]
    """
    from scipy.special import chdtri

    outside = (1 - confidence) / 2
    return (
        sigma * math.sqrt(degrees / float(chdtri(degrees, outside))),
        sigma * math.sqrt(degrees / float(chdtri(degrees, 1 - outside))),
    )


def _drift(away: Floats, sigma: float) -> Doubt | None:
    n = len(away)
    if n < 10 or not sigma > 0:
        return None
    at = np.arange(n) - (n - 1) / 2
    sxx = float(at @ at)
    slope = float(at @ away) / sxx
    left = _straightened(away)
    error = math.sqrt(float(left @ left) / (n - 2) / sxx)
    if not error or _chance(slope / error) >= RAISED_BELOW:
        return None
    return Doubt(
        "drift",
        f"the level drifts by {slope:.3g} a point, {abs(slope) / sigma:.2g} sigma: a chart about "
        f"a fixed centre meets that within some {of_drift(slope / sigma).mean:.0f} points by "
        "construction; judge the points about the wear line, or what is new in each",
        True,
        slope / sigma,
    )


def _straightened(away: Floats) -> Floats:
    at = np.arange(len(away)) - (len(away) - 1) / 2
    return away - away.mean() - float(at @ away) / float(at @ at) * at


def _neighbours(away: Floats) -> Doubt | None:
    test = correlation_test(away)
    if test.n < 15 or not test.chance < RAISED_BELOW:
        return None
    alike, narrow = test.r > 0, "too narrow" if test.r > 0 else "too wide"
    return Doubt(
        "neighbours",
        f"neighbours are {'alike' if alike else 'opposed'} (autocorrelation {test.r:.2f}, chance "
        f"{_small(test.chance)}): moving ranges give limits {narrow} "
        f"by a factor of {math.sqrt(abs(1 - test.r)):.2f}; widen them, or chart what is new in "
        "each part",
        True,
        test.r,
    )


def _shape(away: Floats, statistic: str) -> Doubt | None:
    if len(away) < 20:
        return None
    a2, chance = anderson_darling(away)
    if not chance < RAISED_BELOW:
        return None
    lean = float(np.mean((away - away.mean()) ** 3)) / float(away.std()) ** 3
    side = (
        "one limit is passed too often and the other too seldom"
        if abs(lean) > 0.5
        else ("limits are passed more often, or more seldom, than said")
    )
    return Doubt(
        "shape",
        f"values are not normal (A-squared {a2:.2f}, chance {_small(chance)}; skewness "
        f"{lean:.1f}): {side}; "
        + (
            "means of a few parts would be safer than single ones"
            if statistic.startswith("individual")
            else "look for mixed batches"
        ),
        False,
        a2,
    )


def anderson_darling(x: ArrayLike) -> tuple[float, float]:
    """
    Test of normal shape, mean and standard deviation estimated.

    Parameters
    ----------
    x : array_like, shape (n,)
        Eight values at least; missing ones (NaN) are left out.

    Returns
    -------
    a2, chance : float
        The statistic as it is, and the chance of a larger one from a normal process, by the
        statistic times ``1 + 0.75 / n + 2.25 / n**2``.

    References
    ----------
    .. [1] R. B. D'Agostino and M. A. Stephens (1986), Goodness-of-Fit Techniques, Tables 4.7
       and 4.9 (from memory).

    Examples
    --------
    >>> a2, chance = anderson_darling([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0])
    >>> round(a2, 3), chance > 0.5
    (0.134, True)
    """
    from scipy.special import log_ndtr

    values = np.asarray(x, dtype=float)
    present = np.sort(values[~np.isnan(values)])
    n = len(present)
    sd = spread.total(present) if n > 1 else 0.0
    if n < 8 or not sd > 0:
        return math.nan, math.nan
    z = (present - spread.mean(present)) / sd
    i = np.arange(1, n + 1)
    a2 = float(-n - ((2 * i - 1) * (log_ndtr(z) + log_ndtr(-z[::-1]))).sum() / n)
    return a2, _tail(a2 * (1 + 0.75 / n + 2.25 / n**2))


def _tail(a: float) -> float:
    # Table 4.9, case of both parameters estimated.
    if a >= 0.6:
        return min(1.0, math.exp(1.2937 - 5.709 * a + 0.0186 * min(a, 13.0) ** 2))
    if a >= 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    if a >= 0.2:
        return 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    return 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)


def _chance(z: float) -> float:
    return math.erfc(abs(z) / math.sqrt(2))


def _small(chance: float) -> str:
    return "below 1 in 10,000" if chance < 1e-4 else f"1 in {round(1 / chance):,}"
