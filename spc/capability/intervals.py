"""How sure an index is: exact and well-founded bounds for a normal process."""

import math
from dataclasses import dataclass

import numpy as np

from spc.capability import noncentral


@dataclass(frozen=True)
class Interval:
    """Bounds of one quantity at the stated confidence."""

    lower: float
    upper: float

    def __contains__(self, value: float) -> bool:
        return self.lower <= value <= self.upper


def sd_interval(sd: float, *, df: float, confidence: float = 0.95) -> Interval:
    """
    Bounds of a normal process's standard deviation, exact by chi-square.

    Parameters
    ----------
    sd : float
        Sample standard deviation.
    df : float
        Its degrees of freedom, ``n - 1`` for one sample.
    confidence : float, default 0.95
    """
    low, high = _chi2(df, confidence)
    return Interval(sd * math.sqrt(df / high), sd * math.sqrt(df / low))


def mean_interval(mean: float, sd: float, n: float, *, confidence: float = 0.95) -> Interval:
    """
    Bounds of a normal process's mean, exact by Student's t.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.2.

    Examples
    --------
    >>> bounds = mean_interval(9.26146, 0.02278881, 195)
    >>> round(bounds.lower, 6), round(bounds.upper, 6)
    (9.258241, 9.264679)
    """
    from scipy.special import stdtrit

    reach = float(stdtrit(n - 1, 0.5 + confidence / 2)) * sd / math.sqrt(n)
    return Interval(mean - reach, mean + reach)


def cp_interval(cp: float, *, df: float, confidence: float = 0.95) -> Interval:
    """
    Two-sided bounds of Cp (or Pp), exact by chi-square.

    Parameters
    ----------
    cp : float
        The estimate, from a standard deviation with `df` degrees of freedom (``n - 1``).
    df : float
    confidence : float, default 0.95

    References
    ----------
    .. [1] Montgomery, Introduction to Statistical Quality Control, capability chapter.

    Examples
    --------
    >>> bounds = cp_interval(2.29, df=19)
    >>> round(bounds.lower, 2), round(bounds.upper, 2)
    (1.57, 3.01)
    """
    low, high = _chi2(df, confidence)
    return Interval(cp * math.sqrt(low / df), cp * math.sqrt(high / df))


def cpk_interval(
    mean: float,
    sd: float,
    n: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    df: float | None = None,
    confidence: float = 0.95,
) -> Interval:
    """
    Two-sided bounds of Cpk (or Ppk) for a normal process.

    Parameters
    ----------
    mean, sd : float
        Level and standard deviation of the sample.
    n : float
        Number of parts the level rests on: its standard error is ``sd / sqrt(n)``. ``inf`` when
        the level is known or chosen.
    lower, upper : float, optional
        Limits; at least one.
    df : float, optional
        Degrees of freedom of `sd`; None: ``n - 1``.
    confidence : float, default 0.95

    Returns
    -------
    Interval

    Notes
    -----
    Each side alone has an exact bound by noncentral t. The bound of the smaller of two sides is
    the smaller of their two bounds: exact when one limit is near, and within about 1 % of the
    nominal coverage when the level sits in the middle, where what the lower bound gives away the
    upper one takes.

    Examples
    --------
    >>> bounds = cpk_interval(0.0, 1.0, 50, lower=-5.0, upper=4.0)
    >>> round(bounds.lower, 3), round(bounds.upper, 3)
    (1.053, 1.611)
    """
    df = n - 1 if df is None else df
    gap = (1 - confidence) / 2
    reaches = _reaches(mean, sd, lower, upper)
    low, high = (side_bounds(reaches, n, df=df, confidence=p) for p in (1 - gap, gap))
    return Interval(float(low.min()), float(high.min()))


def cpk_lower_bound(
    cpk: float, n: float, *, df: float | None = None, confidence: float = 0.95
) -> float:
    """
    One-sided lower bound of a one-sided index, exact by noncentral t.

    Parameters
    ----------
    cpk : float
        The estimate ``(limit - mean) / (3 sd)``.
    n : float
        Number of parts.
    df : float, optional
        Degrees of freedom of the standard deviation; None: ``n - 1``.
    confidence : float, default 0.95
        Probability that the bound lies below the true index. 1 minus it gives an upper bound.

    Examples
    --------
    >>> round(cpk_lower_bound(1.33, 100), 3)
    1.164
    """
    df = n - 1 if df is None else df
    return float(side_bounds(np.array([3 * cpk]), n, df=df, confidence=confidence)[0])


def side_bounds(reaches: np.ndarray, n: float, *, df: float, confidence: float) -> np.ndarray:
    """
    Lower bounds of one-sided indices whose estimates are ``reaches / 3``.

    `reaches` are distances from the level to a limit in standard deviations; `n` may be ``inf``.
    """
    if math.isinf(n):  # only the spread is uncertain
        from scipy.special import chdtri

        return np.asarray(reaches * math.sqrt(chdtri(df, confidence) / df) / 3) if df else reaches
    root = math.sqrt(n)
    return np.asarray(noncentral.noncentrality(root * reaches, df, confidence) / (3 * root))


def bissell_interval(cpk: float, n: float, *, confidence: float = 0.95) -> Interval:
    """
    Two-sided bounds of Cpk by the common normal approximation.

    ``Cpk ± z sqrt(1/(9n) + Cpk²/(2(n-1)))``; `cpk_interval` is the better founded one.

    References
    ----------
    .. [1] Bissell (1990), Applied Statistics 39, 331-340.

    Examples
    --------
    >>> bounds = bissell_interval(1.33, 20)
    >>> round(bounds.lower, 2), round(bounds.upper, 2)
    (0.88, 1.78)
    """
    from scipy.special import ndtri

    z = float(ndtri(0.5 + confidence / 2))
    reach = z * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return Interval(cpk - reach, cpk + reach)


def cpm_interval(
    cpm: float, n: float, *, off_target: float = 0.0, confidence: float = 0.95
) -> Interval:
    """
    Two-sided bounds of Cpm by the chi-square approximation of Boyles.

    Parameters
    ----------
    cpm : float
        The estimate.
    n : float
        Number of parts.
    off_target : float, default 0
        ``(mean - target) / sd``.
    confidence : float, default 0.95

    References
    ----------
    .. [1] Boyles (1991), J. Quality Technology 23, 17-26.
    """
    df = n * (1 + off_target**2) ** 2 / (1 + 2 * off_target**2)
    return cp_interval(cpm, df=df, confidence=confidence)


def outside_interval(
    mean: float,
    sd: float,
    n: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    df: float | None = None,
    confidence: float = 0.95,
) -> Interval:
    """
    Two-sided bounds of the parts per million outside the limits, for a normal process. [ppm]

    Parameters
    ----------
    mean, sd, n, lower, upper, df, confidence
        As for `cpk_interval`.

    Notes
    -----
    One limit: exact, through the bounds of its index. Two limits: the fiducial distribution of
    the level and the spread, carried through to the fraction outside [1]_; `n` must be finite.

    References
    ----------
    .. [1] Weerahandi (1993), Generalized confidence intervals, JASA 88, 899-905.

    Examples
    --------
    >>> bounds = outside_interval(0.0, 1.0, 100, lower=-4.0, upper=4.0)
    >>> round(bounds.lower, 1), round(bounds.upper)
    (6.8, 667)
    """
    from scipy.special import ndtr

    df = n - 1 if df is None else df
    gap = (1 - confidence) / 2
    reaches = _reaches(mean, sd, lower, upper)
    if len(reaches) == 1 or math.isinf(n):
        bounds = [side_bounds(reaches, n, df=df, confidence=p) for p in (gap, 1 - gap)]
        low, high = (float(1e6 * ndtr(-3 * bound).sum()) for bound in bounds)
        return Interval(low, high)
    draws = fiducial_draws(n, df)
    to_lower, to_upper = reaches
    share = ndtr(-(to_lower - draws.shift) * draws.ratio) + ndtr(
        -(to_upper + draws.shift) * draws.ratio
    )
    low, high = weighted_quantiles(share, draws.weight, (gap, 1 - gap))
    return Interval(1e6 * low, 1e6 * high)


def share_interval(count: int, n: int, *, confidence: float = 0.95) -> Interval:
    """
    Two-sided bounds of a share of which `count` were seen in `n`, exact by the binomial.

    References
    ----------
    .. [1] Clopper & Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> round(share_interval(0, 2000).upper, 5)
    0.00184
    """
    from scipy.special import betaincinv

    if not 0 <= count <= n or n < 1:
        raise ValueError(f"{count} of {n} is no share")
    gap = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, gap))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - gap))
    return Interval(low, high)


@dataclass(frozen=True, eq=False)
class FiducialDraws:
    """
    A fixed grid over what the true level and spread may be, given a sample.

    The true spread is ``sd / ratio``, the true level ``mean - shift * sd``.
    """

    ratio: np.ndarray
    shift: np.ndarray
    weight: np.ndarray


def weighted_quantiles(value: np.ndarray, weight: np.ndarray, p: tuple[float, ...]) -> list[float]:
    """Quantiles of values that stand for different shares; `weight` adds up to 1."""
    order = np.argsort(value, axis=None)
    mass = weight.ravel()[order]
    middle = np.cumsum(mass) - mass / 2
    return [float(v) for v in np.interp(p, middle, value.ravel()[order])]


def fiducial_draws(n: float, df: float) -> FiducialDraws:
    """The grid of `FiducialDraws` for a level from `n` parts and a spread with `df`."""
    from scipy.special import ndtri

    ratio, mass = noncentral.spread_ratio(df)
    steps = (np.arange(128) + 0.5) / 128
    z = ndtri(steps)
    shift = z[None, :] / (ratio[:, None] * math.sqrt(n))
    weight = np.broadcast_to(mass[:, None] / len(z), shift.shape)
    return FiducialDraws(np.broadcast_to(ratio[:, None], shift.shape), shift, weight)


def _chi2(df: float, confidence: float) -> tuple[float, float]:
    """Lower and upper quantile of chi-square."""
    from scipy.special import chdtri

    if not df > 0:
        raise ValueError(f"df is {df:g}; degrees of freedom above 0 are needed")
    gap = (1 - confidence) / 2
    return float(chdtri(df, 1 - gap)), float(chdtri(df, gap))


def _reaches(mean: float, sd: float, lower: float | None, upper: float | None) -> np.ndarray:
    """Distances to the lower and the upper limit, those that exist, in standard deviations."""
    sides = []
    if lower is not None:
        sides.append((mean - lower) / sd)
    if upper is not None:
        sides.append((upper - mean) / sd)
    if not sides:
        raise ValueError("an index needs at least one limit")
    return np.array(sides)
