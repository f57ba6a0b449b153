"""Factors of control charts for any group size, by integration to ten digits and better."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# The trapezoidal rule over the whole line converges geometrically for densities such as these;
# halving the step or doubling the reach moves no factor by more than 1e-12.
_LINE_END, _STEP = 9.5, 0.05
_LINE = np.arange(-_LINE_END, _LINE_END + 1e-9, _STEP)
_RANGE_END, _RANGE_NODES = 18.0, 160

# --- distribution of the range, deviation and median of a normal group -----------------------


@lru_cache(maxsize=1)
def _legendre() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(_RANGE_NODES)


def _cdf(x: Floats) -> Floats:
    flat = (-x / math.sqrt(2)).ravel().tolist()
    return 0.5 * np.fromiter(map(math.erfc, flat), float, len(flat)).reshape(x.shape)


def _pdf(x: Floats) -> Floats:
    return np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)


def _size(n: int) -> int:
    if int(n) != n or n < 2:
        raise ValueError(f"group size {n!r}: a whole number of at least 2 is needed")
    return int(n)


def _range_cdf(r: Floats, n: int) -> Floats:
    # P(R <= r) = n * integral of pdf(x) (cdf(x + r) - cdf(x))^(n-1) dx, for sigma = 1.
    inside = _cdf(_LINE + r[:, None]) - _cdf(_LINE)
    return n * _STEP * (inside ** (n - 1)) @ _pdf(_LINE)


def range_cdf(r: float, n: int) -> float:
    """
    Chance that the range of a normal group of `n` is at most `r` sigmas.

    Examples
    --------
    >>> round(range_cdf(3.686, 2), 4)
    0.9908
    """
    return float(_range_cdf(np.array([max(r, 0.0)]), _size(n))[0])


@lru_cache(maxsize=512)
def _range_moments(n: int) -> tuple[float, float]:
    nodes, weights = _legendre()
    r = (nodes + 1) * _RANGE_END / 2
    beyond = (1 - _range_cdf(r, n)) * weights * _RANGE_END / 2
    mean = float(beyond.sum())
    return mean, math.sqrt(float(2 * (r * beyond).sum()) - mean**2)


@lru_cache(maxsize=512)
def d2(n: int) -> float:
    """
    Mean range of a normal group, in sigmas.

    Parameters
    ----------
    n : int
        Readings in the group, at least 2.

    Returns
    -------
    float
        To 10 digits or better, by quadrature.

    References
    ----------
    .. [1] H. L. Harter (1960), Ann. Math. Statist. 31, 1122-1147.

    Examples
    --------
    >>> round(d2(5), 6)
    2.325929
    """
    return _range_moments(_size(n))[0]


@lru_cache(maxsize=512)
def d3(n: int) -> float:
    """
    Standard deviation of the range of a normal group of `n`, in sigmas.

    Examples
    --------
    >>> round(d3(5), 6)
    0.864082
    """
    return _range_moments(_size(n))[1]


@lru_cache(maxsize=512)
def d4(n: int) -> float:
    """
    Median range of a normal group of `n`, in sigmas.

    Examples
    --------
    >>> round(d4(2), 4)
    0.9539
    """
    low, high = 0.0, _RANGE_END
    for _ in range(60):
        middle = (low + high) / 2
        below = float(_range_cdf(np.array([middle]), _size(n))[0]) < 0.5
        low, high = (middle, high) if below else (low, middle)
    return (low + high) / 2


def c4(n: float) -> float:
    """
    Mean standard deviation (divisor n - 1) of a normal group of `n`, in sigmas.

    `n` may be fractional where degrees of freedom were matched (``n = df + 1``).

    Examples
    --------
    >>> round(c4(5), 6)
    0.939986
    """
    if n <= 1:
        raise ValueError(f"group size {n!r}: more than 1 is needed for a standard deviation")
    v = n - 1
    if v > 300:
        # Stirling's series, exact to the last digit here, where log-gammas lose theirs.
        return 1 + (-1 / 4 + (1 / 32 + (5 / 128 - (21 / 2048 + 399 / 8192 / v) / v) / v) / v) / v
    return math.sqrt(2 / v) * math.exp(math.lgamma(n / 2) - math.lgamma(v / 2))


@lru_cache(maxsize=512)
def median_error(n: int) -> float:
    """
    Standard deviation of the median of a normal group of `n`, in sigmas.

    Examples
    --------
    >>> round(median_error(3), 5)
    0.66983
    """
    half = _size(n) // 2
    if n % 2:
        log_weight = math.lgamma(n + 1) - 2 * math.lgamma(half + 1)
        both = np.maximum(_cdf(_LINE) * _cdf(-_LINE), 1e-300)
        density = _pdf(_LINE) * np.exp(log_weight + half * np.log(both))
        return math.sqrt(float((_LINE**2 * density).sum()) * _STEP)
    # Even n: the mean of the two middle values, through their joint density; u is the
    # mean of the two and w the gap between them.
    nodes, weights = _legendre()
    w = ((nodes + 1) * _RANGE_END / 2)[:, None]
    low, high = _LINE - w / 2, _LINE + w / 2
    log_weight = math.lgamma(n + 1) - 2 * math.lgamma(half)
    both = np.maximum(_cdf(low) * _cdf(-high), 1e-300)
    density = _pdf(low) * _pdf(high) * np.exp(log_weight + (half - 1) * np.log(both))
    return math.sqrt(float(weights @ density @ _LINE**2) * _STEP * _RANGE_END / 2)


def median_cdf(m: float, n: int) -> float:
    """
    Chance that the median of a normal group of `n` is at most `m` sigmas.

    Examples
    --------
    >>> round(median_cdf(0.0, 4), 6)
    0.5
    """
    from scipy.special import betainc, ndtr

    half = _size(n) // 2
    if n % 2:
        return float(betainc(half + 1, half + 1, ndtr(m)))
    # Even n: the lower of the two middle values lies at u, and the upper at most at 2 m - u.
    nodes, weights = _legendre()
    start = min(-_LINE_END, m - 1)
    u = start + (nodes + 1) * (m - start) / 2
    log_weight = math.lgamma(n + 1) - math.lgamma(half) - math.lgamma(half + 1)
    shares = np.maximum(_cdf(u), 1e-300), np.maximum(_cdf(-u), 1e-300)
    density = _pdf(u) * np.exp(
        log_weight + (half - 1) * np.log(shares[0]) + half * np.log(shares[1])
    )
    inside = 1 - (_cdf(u - 2 * m) / shares[1]) ** half
    return float(weights @ (density * inside)) * (m - start) / 2


# --- factors of the trade's tables: limits straight from a mean range or deviation ------------
# Definitions as in ISO 7870-2:2023 Table 2 and ASTM E2587 (from memory).


def A(n: int) -> float:
    """Reach of the mean's limits per sigma, ``3 / sqrt(n)``."""
    return 3 / math.sqrt(n)


def A2(n: int) -> float:
    """Reach of the mean's limits per mean range, ``3 / (d2 sqrt(n))``."""
    return A(n) / d2(n)


def A3(n: int) -> float:
    """Reach of the mean's limits per mean standard deviation, ``3 / (c4 sqrt(n))``."""
    return A(n) / c4(_size(n))


def A4(n: int) -> float:
    """Reach of the median's limits per mean range, for odd and even `n`."""
    return 3 * median_error(n) / d2(n)


def B3(n: int) -> float:
    """Lower limit of s per mean standard deviation."""
    return B5(n) / c4(n)


def B4(n: int) -> float:
    """Upper limit of s per mean standard deviation."""
    return B6(n) / c4(n)


def B5(n: int) -> float:
    """Lower limit of s per sigma."""
    return max(0.0, c4(_size(n)) - 3 * s_error(n))


def B6(n: int) -> float:
    """Upper limit of s per sigma."""
    return c4(_size(n)) + 3 * s_error(n)


def s_error(n: int) -> float:
    """Standard deviation of s of a normal group, in sigmas, ``sqrt(1 - c4**2)``."""
    return math.sqrt(1 - c4(_size(n)) ** 2)


def D1(n: int) -> float:
    """Lower limit of the range per sigma."""
    return max(0.0, d2(n) - 3 * d3(n))


def D2(n: int) -> float:
    """Upper limit of the range per sigma."""
    return d2(n) + 3 * d3(n)


def D3(n: int) -> float:
    """Lower limit of the range per mean range."""
    return D1(n) / d2(n)


def D4(n: int) -> float:
    """Upper limit of the range per mean range."""
    return D2(n) / d2(n)


def E2(n: int) -> float:
    """Reach of the limits of single values per mean range, ``3 / d2``."""
    return 3 / d2(n)


def E3(n: int) -> float:
    """Reach of the limits of single values per mean standard deviation, ``3 / c4``."""
    return 3 / c4(_size(n))


# --- how well a sigma from ranges is known ----------------------------------------------------


def d2_star(n: int, groups: int = 1) -> float:
    """
    Divisor that makes the square of a mean range unbiased for sigma squared.

    Parameters
    ----------
    n : int
        Readings per group.
    groups : int
        Groups the range is averaged over.

    References
    ----------
    .. [1] A. J. Duncan, Quality Control and Industrial Statistics, Table D3 (from memory):
       ``sqrt(d2**2 + d3**2 / groups)``.

    Examples
    --------
    >>> round(d2_star(2), 5)
    1.41421
    """
    return math.sqrt(d2(n) ** 2 + d3(n) ** 2 / groups)


def range_degrees(n: int, groups: int = 1) -> float:
    """
    Degrees of freedom of a sigma from the mean range of some groups of `n`.

    Those of the chi distribution with the same coefficient of variation.

    Examples
    --------
    >>> round(range_degrees(5, groups=1), 1)
    3.8
    """
    return _degrees_of(d3(n) / (d2(n) * math.sqrt(groups)))


def moving_range_degrees(n: int) -> float:
    """
    Degrees of freedom of a sigma from the mean moving range of `n` independent values.

    Neighbouring ranges share a value, so they are worth about 0.6 (n - 1), not n - 1.

    Examples
    --------
    >>> round(moving_range_degrees(100))
    60
    """
    if n < 2:
        raise ValueError(f"{n} values: at least 2 are needed for a moving range")
    # Covariance of |x2 - x1| and |x3 - x2|: differences of correlation -1/2, variance 2.
    rho = -0.5
    shared = 4 / math.pi * (math.sqrt(1 - rho**2) + rho * math.asin(rho) - 1)
    variance = ((n - 1) * (2 - 4 / math.pi) + 2 * (n - 2) * shared) / (n - 1) ** 2
    return _degrees_of(math.sqrt(variance * math.pi / 4))


def _degrees_of(variation: float) -> float:
    # Coefficient of variation of chi with v degrees of freedom: sqrt(1 / c4(v + 1)**2 - 1).
    low, high = 1e-3, 1e9
    for _ in range(200):
        middle = math.sqrt(low * high)
        spread = math.sqrt(max(0.0, 1 / c4(middle + 1) ** 2 - 1)) if middle < 1e6 else 0.0
        spread = spread or 1 / math.sqrt(2 * middle)
        low, high = (middle, high) if spread > variation else (low, middle)
    return math.sqrt(low * high)
