"""Tolerance intervals: where at least a stated share of all parts lies, with stated confidence."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.capability import noncentral


@dataclass(frozen=True)
class ToleranceInterval:
    """
    Bounds that hold at least `content` of all parts with `confidence`.

    An infinite bound is the open side of a one-sided interval.
    """

    lower: float
    upper: float
    content: float
    confidence: float
    method: str


def one_sided_factor(
    n: float, *, content: float = 0.95, confidence: float = 0.95, df: float | None = None
) -> float:
    """
    The k of ``mean + k s``, exact by noncentral t.

    Parameters
    ----------
    n : float
        Number of parts.
    content : float, default 0.95
        Share of the parts below the bound.
    confidence : float, default 0.95
    df : float, optional
        Degrees of freedom of the standard deviation; None: ``n - 1``.

    References
    ----------
    .. [1] Odeh & Owen (1980), Tables for Normal Tolerance Limits; ISO 16269-6.

    Examples
    --------
    >>> [round(one_sided_factor(n), 3) for n in (5, 10, 30)]
    [4.203, 2.911, 2.22]
    """
    from scipy.special import ndtri

    _check(n, content, confidence)
    root = math.sqrt(n)
    df = n - 1 if df is None else df
    return float(noncentral.quantile(confidence, df, float(ndtri(content)) * root) / root)


def one_sided_factor_approximate(
    n: int, *, content: float = 0.95, confidence: float = 0.95
) -> float:
    """
    The k of ``mean + k s`` by the approximation of Natrella; `one_sided_factor` is exact.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3.

    Examples
    --------
    >>> round(one_sided_factor_approximate(43, content=0.9, confidence=0.99), 4)
    1.8752
    """
    from scipy.special import ndtri

    _check(n, content, confidence)
    z_content, z_confidence = float(ndtri(content)), float(ndtri(confidence))
    a = 1 - z_confidence**2 / (2 * (n - 1))
    b = z_content**2 - z_confidence**2 / n
    return (z_content + math.sqrt(z_content**2 - a * b)) / a


def two_sided_factor(
    n: float, *, content: float = 0.95, confidence: float = 0.95, df: float | None = None
) -> float:
    """
    The k of ``mean ± k s``, exact by integration over the error of the mean.

    Parameters
    ----------
    n : float
        Number of parts.
    content : float, default 0.95
        Share of the parts between the bounds.
    confidence : float, default 0.95
    df : float, optional
        Degrees of freedom of the standard deviation; None: ``n - 1``.

    References
    ----------
    .. [1] Odeh & Owen (1980), Tables for Normal Tolerance Limits; ISO 16269-6.

    Examples
    --------
    >>> [round(two_sided_factor(n), 3) for n in (10, 30)]
    [3.393, 2.555]
    """
    from scipy.special import chdtrc

    _check(n, content, confidence)
    df = n - 1 if df is None else df
    x, weight = np.polynomial.legendre.leggauss(80)
    # Folded error of the mean in standard deviations, out to eight of its own.
    reach = 8 / math.sqrt(n)
    off = reach * (x + 1) / 2
    mass = weight * reach / 2 * 2 * np.exp(-n * off**2 / 2) * math.sqrt(n / (2 * math.pi))
    needed = _half_width(off, content)

    def held(k: float) -> float:
        return float(mass @ chdtrc(df, df * (needed / k) ** 2))

    near = two_sided_factor_approximate(n, content=content, confidence=confidence, df=df)
    return _rising_root(held, confidence, near)


def two_sided_factor_approximate(
    n: float, *, content: float = 0.95, confidence: float = 0.95, df: float | None = None
) -> float:
    """
    The k of ``mean ± k s`` as tabulated by Bowker: r u of Wald and Wolfowitz.

    References
    ----------
    .. [1] Wald & Wolfowitz (1946), Ann. Math. Statist. 17, 208-215; Bowker (1947).

    Examples
    --------
    >>> [round(two_sided_factor_approximate(n), 3) for n in (5, 10, 50)]
    [5.079, 3.379, 2.379]
    """
    from scipy.special import chdtri

    _check(n, content, confidence)
    df = n - 1 if df is None else df
    r = float(_half_width(np.array([1 / math.sqrt(n)]), content)[0])
    return r * math.sqrt(df / float(chdtri(df, confidence)))


def two_sided_factor_howe(n: int, *, content: float = 0.95, confidence: float = 0.95) -> float:
    """
    The k of ``mean ± k s`` by the approximation of Howe.

    References
    ----------
    .. [1] Howe (1969), JASA 64, 610-620; NIST/SEMATECH e-Handbook, section 7.2.6.3.

    Examples
    --------
    >>> round(two_sided_factor_howe(43, content=0.9, confidence=0.99), 3)
    2.217
    """
    from scipy.special import chdtri, ndtri

    _check(n, content, confidence)
    z = float(ndtri((1 + content) / 2))
    return z * math.sqrt((n - 1) * (1 + 1 / n) / float(chdtri(n - 1, confidence)))


def normal_interval(
    x: ArrayLike, *, content: float = 0.95, confidence: float = 0.95, side: str = "both"
) -> ToleranceInterval:
    """
    Tolerance interval of a normal sample.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least 2 readings.
    content, confidence : float, default 0.95
    side : {"both", "lower", "upper"}
        Which bound is asked for.
    """
    values = np.asarray(x, float)
    mean, sd, n = float(values.mean()), float(values.std(ddof=1)), len(values)
    if side == "both":
        k = two_sided_factor(n, content=content, confidence=confidence)
        return ToleranceInterval(mean - k * sd, mean + k * sd, content, confidence, "normal")
    k = one_sided_factor(n, content=content, confidence=confidence)
    if side == "lower":
        return ToleranceInterval(mean - k * sd, math.inf, content, confidence, "normal")
    if side == "upper":
        return ToleranceInterval(-math.inf, mean + k * sd, content, confidence, "normal")
    raise ValueError(f"side is {side!r}; use 'both', 'lower' or 'upper'")


def order_confidence(n: int, *, content: float, drop: int = 0, sides: int = 2) -> float:
    """
    Confidence that order statistics hold at least `content` of any distribution.

    Parameters
    ----------
    n : int
        Number of parts.
    content : float
    drop : int, default 0
        Readings left out at each end that is bounded.
    sides : {1, 2}
        2: from the lowest kept to the highest kept; 1: everything above the lowest kept.

    References
    ----------
    .. [1] Wilks (1941), Ann. Math. Statist. 12, 91-96.

    Examples
    --------
    >>> round(order_confidence(93, content=0.95), 4)
    0.95
    >>> round(order_confidence(59, content=0.95, sides=1), 4)
    0.9515
    """
    from scipy.special import bdtrc

    out = sides * (drop + 1)
    return 0.0 if n < out else float(bdtrc(out - 1, n, 1 - content))


def order_parts_needed(*, content: float, confidence: float, sides: int = 2) -> int:
    """
    Fewest parts whose extremes hold `content` of any distribution with `confidence`.

    Examples
    --------
    >>> order_parts_needed(content=0.95, confidence=0.95)
    93
    >>> order_parts_needed(content=0.95, confidence=0.95, sides=1)
    59
    """
    low, high = sides - 1, sides
    while order_confidence(high, content=content, sides=sides) < confidence:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        enough = order_confidence(middle, content=content, sides=sides) >= confidence
        low, high = (low, middle) if enough else (middle, high)
    return high


def order_interval(
    x: ArrayLike, *, content: float = 0.95, confidence: float = 0.95, side: str = "both"
) -> ToleranceInterval | None:
    """
    Tolerance interval of any distribution, from order statistics as far in as they may be.

    None when the sample is too small: see `order_parts_needed`.
    """
    if side not in ("both", "lower", "upper"):
        raise ValueError(f"side is {side!r}; use 'both', 'lower' or 'upper'")
    ordered = np.sort(np.asarray(x, float))
    n, sides = len(ordered), 2 if side == "both" else 1
    if order_confidence(n, content=content, sides=sides) < confidence:
        return None
    drop = 0
    while order_confidence(n, content=content, drop=drop + 1, sides=sides) >= confidence:
        drop += 1
    lower = -math.inf if side == "upper" else float(ordered[drop])
    upper = math.inf if side == "lower" else float(ordered[n - 1 - drop])
    return ToleranceInterval(lower, upper, content, confidence, "order statistics")


def order_rank(n: int, p: float, *, confidence: float) -> int:
    """
    Position, from 0, of the order statistic that lies above the `p` quantile with `confidence`.

    Raises
    ------
    ValueError
        When even the largest reading does not.
    """
    from scipy.special import bdtr

    ranks = np.arange(n)
    reached = bdtr(ranks, n, p) >= confidence
    if not reached.any():
        raise ValueError(f"{n} readings say nothing of the {100 * p:g} % quantile")
    return int(np.argmax(reached))


def _half_width(off: np.ndarray, content: float) -> np.ndarray:
    """Half-width about `off` that holds `content` of a standard normal distribution."""
    from scipy.special import ndtr, ndtri

    r = np.full(off.shape, float(ndtri((1 + content) / 2))) + off / 2
    for _ in range(60):
        gap = ndtr(off + r) - ndtr(off - r) - content
        bell = np.exp(-0.5 * (off + r) ** 2) + np.exp(-0.5 * (off - r) ** 2)
        step = gap * math.sqrt(2 * math.pi) / bell
        r = np.maximum(r - step, 1e-12)
        if np.abs(step).max() < 1e-14:
            break
    return np.asarray(r)


def _rising_root(f, aim: float, start: float) -> float:  # type: ignore[no-untyped-def]
    """Where a rising function of a factor reaches `aim`, by bisection from around `start`."""
    low, high = start, start
    while f(low) > aim:
        low *= 0.8
    while f(high) < aim:
        high *= 1.25
    for _ in range(200):
        middle = (low + high) / 2
        if high - low < 1e-13 * high:
            break
        low, high = (middle, high) if f(middle) < aim else (low, middle)
    return (low + high) / 2


def _check(n: float, content: float, confidence: float) -> None:
    if n < 2:
        raise ValueError(f"n is {n:g}; a tolerance interval needs 2 parts")
    for name, value in (("content", content), ("confidence", confidence)):
        if not 0 < value < 1:
            raise ValueError(f"{name} is {value:g}; it must lie between 0 and 1")
