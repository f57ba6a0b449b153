"""Run length of charts of medians, ranges and standard deviations, whose limits are not normal."""

import math

from spc.charts.run_length import RunLength
from spc.sigma import B5, B6, D1, D2, median_cdf, median_error, range_cdf


def of_medians(n: int, shift: float = 0.0) -> RunLength:
    """
    Run length of a chart of medians by its three-sigma limits; medians are not quite normal.

    Parameters
    ----------
    n : int
        Readings per group.
    shift : float
        Of the process, in sigmas of a part.

    Examples
    --------
    >>> round(of_medians(5).mean)
    344
    """
    reach = 3 * median_error(n)
    outside = median_cdf(-reach - shift, n) + median_cdf(-reach + shift, n)
    return _geometric(outside, f"a median of {n} beyond its limits", shift)


def of_ranges(n: int, *, ratio: float = 1.0) -> RunLength:
    """
    Run length of a chart of ranges by its three-sigma limits.

    Parameters
    ----------
    n : int
        Readings per group.
    ratio : float
        Sigma as a multiple of the one limits were drawn from.

    Examples
    --------
    >>> round(of_ranges(5).mean)
    217
    """
    inside = range_cdf(D2(n) / ratio, n) - range_cdf(D1(n) / ratio, n)
    return _geometric(1 - inside, f"a range of {n} beyond its limits")


def of_deviations(n: int, *, ratio: float = 1.0) -> RunLength:
    """
    Run length of a chart of standard deviations by its three-sigma limits.

    Parameters
    ----------
    n, ratio
        As for `of_ranges`.

    Examples
    --------
    >>> round(of_deviations(5).mean)
    256
    """
    from scipy.special import chdtr, chdtrc

    low, high = ((n - 1) * (factor(n) / ratio) ** 2 for factor in (B5, B6))
    outside = float(chdtrc(n - 1, high) + chdtr(n - 1, low))
    return _geometric(outside, f"a standard deviation of {n} beyond its limits")


def _geometric(outside: float, what: str, shift: float = 0.0) -> RunLength:
    """Independent points: the run length is one over the chance of each."""
    mean = 1 / outside
    return RunLength(mean, math.sqrt(mean**2 - mean), "chance of each point", 0.0, shift, what)
