"""Does a part conform, given that its measurement is uncertain?"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: One-sided 95 % guard in units of the expanded uncertainty with k = 2: the factor 1.65 of
#: ISO 14253-1 over 2 (from memory).
GUARD_PER_U = 0.825


@dataclass(frozen=True)
class Limits:
    """Two limits; infinite where there is none. [unit of the data]"""

    lower: float
    upper: float


@dataclass(frozen=True)
class Conformity:
    """
    Parts sorted by what their measurement proves.

    `conform` lie inside the guarded limits, `fail` beyond the limits moved out by the guard; for
    the others neither is proven.
    """

    guarded: Limits
    conform: int
    fail: int
    neither: int


@dataclass(frozen=True)
class Risks:
    """
    Shares of all parts judged wrongly.

    `consumer`: accepted and out of tolerance. `producer`: rejected and in tolerance.
    """

    consumer: float
    producer: float


def conformance_probability(
    y: ArrayLike, u: float, *, lower: float | None = None, upper: float | None = None
) -> NDArray[np.float64]:
    """
    Probability that the true value lies inside the limits, from the measurement alone.

    Parameters
    ----------
    y : array_like
        Measured values. [unit of the data]
    u : float
        Standard uncertainty (k = 1), above 0.
    lower, upper : float, optional
        Limits; at least one.

    Returns
    -------
    ndarray
        One probability a value.

    Notes
    -----
    Normal measurement error and no other knowledge of the part.

    References
    ----------
    .. [1] JCGM 106:2012, Evaluation of measurement data: the role of measurement uncertainty in
       conformity assessment, section 7.

    Examples
    --------
    >>> float(conformance_probability(-5.47, 0.05, upper=-5.40).round(2))
    0.92
    """
    from scipy.special import ndtr

    _check(u, lower, upper)
    y = np.asarray(y, float)
    above = np.ones_like(y) if lower is None else ndtr((y - lower) / u)
    beyond = np.zeros_like(y) if upper is None else ndtr((y - upper) / u)
    return np.asarray(above - beyond)


def guard_factor(probability: float = 0.95) -> float:
    """
    Guard band in standard uncertainties for a stated conformance probability at one limit.

    Examples
    --------
    >>> [round(guard_factor(p), 2) for p in (0.8, 0.9, 0.95, 0.99, 0.999)]
    [0.84, 1.28, 1.64, 2.33, 3.09]
    """
    from scipy.special import ndtri

    if not 0.5 <= probability < 1:
        raise ValueError(f"probability is {probability:g}; use one from 0.5 up to below 1")
    return float(ndtri(probability))


def guarded_limits(
    uncertainty: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    factor: float = GUARD_PER_U,
) -> Limits:
    """
    Limits moved in so that a value inside them proves conformity.

    Parameters
    ----------
    uncertainty : float
        Expanded uncertainty U with k = 2, 0 or more. [unit of the limits]
    lower, upper : float, optional
        Limits; at least one.
    factor : float, default 0.825
        Guard in units of U; ``guard_factor(p) / 2`` for another probability.

    Raises
    ------
    ValueError
        When the guards leave no room between the limits.

    References
    ----------
    .. [1] ISO 14253-1:2017, decision rules for verifying conformity with specifications.

    Examples
    --------
    >>> guarded_limits(2.0, lower=-8.0, upper=8.0)
    Limits(lower=-6.35, upper=6.35)
    """
    if uncertainty < 0 or factor < 0:
        raise ValueError("uncertainty and factor must be 0 or more")
    if lower is None and upper is None:
        raise ValueError("lower and upper are both None; give at least one limit")
    guard = factor * uncertainty
    low = -math.inf if lower is None else lower + guard
    high = math.inf if upper is None else upper - guard
    if not low < high:
        raise ValueError(
            f"guards of {guard:g} on each side leave no room between {lower:g} and {upper:g}"
        )
    return Limits(low, high)


def conformity(
    y: ArrayLike,
    uncertainty: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    factor: float = GUARD_PER_U,
) -> Conformity:
    """
    Count the parts that are proven to conform, proven to fail, and neither.

    Parameters are those of `guarded_limits`; `y` are the measured values.

    Examples
    --------
    >>> found = conformity([0.0, 7.0, 9.0, 11.0], 2.0, lower=-8.0, upper=8.0)
    >>> found.conform, found.neither, found.fail
    (1, 2, 1)
    """
    y = np.asarray(y, float)
    guarded = guarded_limits(uncertainty, lower=lower, upper=upper, factor=factor)
    guard = factor * uncertainty
    inside = (y >= guarded.lower) & (y <= guarded.upper)
    low = -math.inf if lower is None else lower - guard
    high = math.inf if upper is None else upper + guard
    out = (y < low) | (y > high)
    return Conformity(guarded, int(inside.sum()), int(out.sum()), int((~inside & ~out).sum()))


def measurement_index(u: float, *, lower: float, upper: float) -> float:
    """
    Measurement capability index: the tolerance over four standard uncertainties.

    References
    ----------
    .. [1] JCGM 106:2012, section 7.6.

    Examples
    --------
    >>> measurement_index(1.0, lower=-8.0, upper=8.0)
    4.0
    """
    _check(u, lower, upper)
    return (upper - lower) / (4 * u)


def risks(
    mean: float,
    sd: float,
    u: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    accept: Limits | None = None,
) -> Risks:
    """
    Shares of a normal process that a gauge accepts or rejects wrongly.

    Parameters
    ----------
    mean, sd : float
        Of the true values of the process.
    u : float
        Standard uncertainty of one measurement.
    lower, upper : float, optional
        Tolerance limits; at least one.
    accept : Limits, optional
        Limits of acceptance; None: the tolerance limits.

    Returns
    -------
    Risks

    References
    ----------
    .. [1] JCGM 106:2012, section 9 (global risk).

    Examples
    --------
    >>> found = risks(0.0, 1.0, 0.25, lower=-2.0, upper=2.0)
    >>> round(found.consumer, 4), round(found.producer, 4)
    (0.008, 0.0149)
    """
    from scipy.special import ndtr

    _check(u, lower, upper)
    if not sd > 0:
        raise ValueError(f"sd is {sd:g}; a spread above 0 is needed")
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    accept = Limits(low, high) if accept is None else accept
    rejected_in, accepted_out = 0.0, 0.0
    # Cut where the integrand bends: at the limits, and within reach of the acceptance limits.
    reach = mean - 10 * sd, mean + 10 * sd
    bends = [low, high, accept.lower, accept.upper]
    bends += [edge + side * 6 * u for edge in (accept.lower, accept.upper) for side in (-1, 1)]
    cuts = sorted({*reach, *(b for b in bends if reach[0] < b < reach[1])})
    nodes, weights = np.polynomial.legendre.leggauss(64)
    for start, end in pairwise(cuts):
        x = start + (end - start) * (nodes + 1) / 2
        mass = np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
        taken = ndtr((accept.upper - x) / u) - ndtr((accept.lower - x) / u)
        middle = (start + end) / 2
        if low <= middle <= high:
            rejected_in += float(((1 - taken) * mass * weights).sum()) * (end - start) / 2
        else:
            accepted_out += float((taken * mass * weights).sum()) * (end - start) / 2
    return Risks(accepted_out, rejected_in)


def _check(u: float, lower: float | None, upper: float | None) -> None:
    if not (u > 0 and math.isfinite(u)):
        raise ValueError(f"u is {u:g}; an uncertainty above 0 is needed")
    if lower is None and upper is None:
        raise ValueError("lower and upper are both None; give at least one limit")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"lower limit {lower:g} is not below upper limit {upper:g}")
