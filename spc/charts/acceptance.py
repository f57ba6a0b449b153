"""Charts against the tolerance: for a level that may wander while parts stay good."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc import sigma as spread
from spc.charts.limits import ControlLimits, Flags, Floats

Whole = NDArray[np.int64]


@dataclass(frozen=True)
class AcceptancePlan:
    """
    Levels and limits of an acceptance chart.

    Attributes
    ----------
    n : int
        Parts per plotted mean.
    upper, lower : Side or None
        For each side of the tolerance; None where it has no limit.
    sigma : float
        Standard deviation of single parts within a group.
    """

    n: int
    sigma: float
    upper: "Side | None"
    lower: "Side | None"

    @property
    def center(self) -> float:
        """Middle of the acceptance limits; the one there is when the tolerance is one-sided."""
        there = [side.limit for side in (self.upper, self.lower) if side]
        return sum(there) / len(there)

    def accepts(self, level: float, *, n: int | None = None) -> float:
        """
        Chance that a mean of `n` parts ground at `level` lies inside the limits.

        Examples
        --------
        >>> plan = acceptance_plan(upper=10.0, sigma=1.0, p_good=0.001, p_bad=0.05, n=4)
        >>> round(plan.accepts(plan.upper.good), 3)
        0.95
        """
        error = self.sigma / math.sqrt(n or self.n)
        above = _above((self.upper.limit - level) / error) if self.upper else 0.0
        below = _above((level - self.lower.limit) / error) if self.lower else 0.0
        return 1 - above - below


@dataclass(frozen=True)
class Side:
    """
    One side of an acceptance chart, from the tolerance inwards.

    Attributes
    ----------
    tolerance : float
        The specification limit.
    bad : float
        Rejectable level (RPL): a process here puts the rejectable share outside.
    limit : float
        Acceptance control limit (ACL) for means.
    good : float
        Acceptable level (APL): a process here puts the acceptable share outside.
    alpha, beta : float
        Chance of rejecting a process at `good`, of accepting one at `bad`.
    """

    tolerance: float
    bad: float
    limit: float
    good: float
    alpha: float
    beta: float


def acceptance_plan(
    *,
    upper: float | None = None,
    lower: float | None = None,
    sigma: float,
    p_good: float | None = None,
    p_bad: float | None = None,
    alpha: float = 0.05,
    beta: float = 0.10,
    n: int | None = None,
) -> AcceptancePlan:
    """
    Acceptance limits from the tolerance, and the group size two risks ask for.

    Name the acceptable share and its risk, the rejectable share and its risk, or both; with
    both and no `n`, the smallest group that keeps both risks is found.

    Parameters
    ----------
    upper, lower : float, optional
        Specification limits, at least one. [unit of the data]
    sigma : float
        Standard deviation of single parts within a group, known from a long stable base.
    p_good, alpha : float, optional
        Share outside the tolerance that is still acceptable; risk of rejecting it.
    p_bad, beta : float, optional
        Share that is to be rejected; risk of accepting it.
    n : int, optional
        Parts per group.

    Returns
    -------
    AcceptancePlan
        Where `p_good` is named, limits keep its risk alpha, and the beta they give is stated;
        otherwise they keep beta.

    Raises
    ------
    ValueError
        When too little is named, the shares are out of order, or the tolerance is narrower than
        the process.

    References
    ----------
    .. [1] ISO 7870-3, acceptance control charts (from memory): ``APL = U - z(p_good) sigma``,
       ``RPL = U - z(p_bad) sigma``, ``ACL = APL + z(alpha) sigma / sqrt(n)``,
       ``n = ((z(alpha) + z(beta)) sigma / (RPL - APL))**2``.
    .. [2] R. A. Freund (1957), Industrial Quality Control 14, 13-23 (from memory).

    Examples
    --------
    >>> plan = acceptance_plan(upper=10.0, sigma=1.0, p_good=0.01, p_bad=0.05,
    ...                        alpha=0.00135, beta=0.20)
    >>> plan.n, round(plan.upper.limit, 3)
    (32, 8.204)
    """
    if upper is None and lower is None:
        raise ValueError("an acceptance chart needs a tolerance: name upper, lower, or both")
    if not sigma > 0:
        raise ValueError(f"sigma {sigma:g}: it must be above 0")
    for name, share in {"p_good": p_good, "p_bad": p_bad, "alpha": alpha, "beta": beta}.items():
        if share is not None and not 0 < share < 0.5:
            raise ValueError(f"{name} {share:g}: a share between 0 and 0.5 is needed")
    if p_good is not None and p_bad is not None and p_good >= p_bad:
        raise ValueError(f"p_good {p_good:g} and p_bad {p_bad:g}: the first must be the smaller")
    if p_good is not None and p_bad is not None and n is None:
        gap = (_z(p_good) - _z(p_bad)) * sigma
        n = math.ceil(group_size(gap, sigma=sigma, alpha=alpha, beta=beta) - 1e-9)
    if n is None or n < 1:
        raise ValueError("name the group size n, or both p_good and p_bad to have it found")
    good, limit, bad = _inward(p_good, p_bad, _z(alpha) / math.sqrt(n), _z(beta) / math.sqrt(n))
    alpha, beta = (_above(gap * math.sqrt(n)) for gap in (good - limit, limit - bad))
    sides = [
        None
        if edge is None
        else Side(
            edge,
            bad=edge - sign * bad * sigma,
            limit=edge - sign * limit * sigma,
            good=edge - sign * good * sigma,
            alpha=alpha,
            beta=beta,
        )
        for edge, sign in ((upper, 1), (lower, -1))
    ]
    if sides[0] and sides[1] and sides[0].good < sides[1].good:
        raise ValueError(
            f"tolerance {lower:g} to {upper:g} is too narrow for sigma {sigma:g}: no level is "
            "good on both sides"
        )
    return AcceptancePlan(n, sigma, *sides)


def group_size(gap: float, *, sigma: float, alpha: float = 0.05, beta: float = 0.10) -> float:
    """
    Parts per group that keep both risks, as the formula gives them; round up.

    Parameters
    ----------
    gap : float
        Between the acceptable and the rejectable level. [unit of the data]
    sigma : float
        Of single parts within a group.
    alpha, beta : float
        Risk of rejecting the acceptable, of accepting the rejectable level.

    Examples
    --------
    >>> round(group_size(2.3263 - 1.6449, sigma=1.0, alpha=0.00135, beta=0.20), 2)
    31.78
    """
    return ((_z(alpha) + _z(beta)) * sigma / gap) ** 2


def _inward(
    p_good: float | None, p_bad: float | None, reach_good: float, reach_bad: float
) -> tuple[float, float, float]:
    """How far inside the tolerance lie the good level, the limit and the bad one, in sigmas."""
    if p_good is not None:
        good = _z(p_good)
        limit = good - reach_good
        return good, limit, limit - reach_bad if p_bad is None else _z(p_bad)
    if p_bad is None:
        raise ValueError("name the acceptable share p_good, the rejectable share p_bad, or both")
    bad = _z(p_bad)
    return bad + reach_bad + reach_good, bad + reach_bad, bad


def modified_limits(
    *,
    upper: float,
    lower: float,
    sigma: float,
    n: int,
    p_good: float = 0.00135,
    alpha: float = 0.00135,
) -> ControlLimits:
    """
    Limits for means that reject a level only when it puts more than `p_good` outside.

    Parameters
    ----------
    upper, lower : float
        Specification limits. [unit of the data]
    sigma : float
        Of single parts within a group.
    n : int
        Parts per group.
    p_good : float
        Share outside the tolerance that is still acceptable.
    alpha : float
        Risk of rejecting a level just so good; 0.00135 is that of three standard errors.

    References
    ----------
    .. [1] D. Hill (1956), Applied Statistics 5, 12-19 (from memory):
       ``U - (z(p_good) - z(alpha) / sqrt(n)) sigma``.

    Examples
    --------
    >>> limits = modified_limits(upper=10.0, lower=-10.0, sigma=1.0, n=4)
    >>> round(limits.upper, 2)
    8.5
    """
    plan = acceptance_plan(upper=upper, lower=lower, sigma=sigma, p_good=p_good, alpha=alpha, n=n)
    assert plan.upper is not None
    assert plan.lower is not None
    return ControlLimits(plan.center, plan.lower.limit, plan.upper.limit)


@dataclass(frozen=True, eq=False)
class AcceptanceChart:
    """
    Means of groups against acceptance limits.

    Attributes
    ----------
    values : ndarray, shape (k,)
        Means; NaN for an empty group.
    sizes : ndarray of int, shape (k,)
        Parts in each.
    lower, upper : ndarray, shape (k,)
        Limits for each group's size, infinite where the tolerance has no limit.
    plan : AcceptancePlan
    """

    values: Floats
    sizes: Whole
    lower: Floats
    upper: Floats
    plan: AcceptancePlan

    @property
    def beyond(self) -> Flags:
        """Which means call for action, shape (k,)."""
        return (self.values > self.upper) | (self.values < self.lower)

    def to_frame(self) -> Any:
        """One row a group, as a pandas DataFrame: value, size, lower, upper, beyond."""
        import pandas as pd

        return pd.DataFrame(
            {
                "value": self.values,
                "size": self.sizes,
                "lower": self.lower,
                "upper": self.upper,
                "beyond": self.beyond,
            }
        )


def acceptance_chart(
    groups: ArrayLike | Sequence[ArrayLike], plan: AcceptancePlan
) -> AcceptanceChart:
    """
    Means of groups against the plan's limits, which follow each group's size.

    Parameters
    ----------
    groups : array_like, shape (k, m), or sequence of array_likes
        Parts ground close together; NaN is a missing one.
    plan : AcceptancePlan
        From `acceptance_plan`.

    Returns
    -------
    AcceptanceChart

    Notes
    -----
    It tells whether parts may be made at this level, not whether the level is steady; sigma
    must be steady, which a chart of ranges or deviations beside it has to show.

    Examples
    --------
    >>> plan = acceptance_plan(upper=10.0, sigma=1.0, p_good=0.001, p_bad=0.05, n=4)
    >>> acceptance_chart([[5.0, 6.0, 5.5, 6.5], [9.0, 9.5, 9.0, 8.5]], plan).beyond
    array([False,  True])
    """
    table = spread.as_groups(groups)
    count = spread.sizes(table)
    some = np.where(count > 0, count, np.nan)

    def limit(side: Side | None, sign: int) -> Floats:
        if side is None:
            return np.full(len(count), sign * np.inf)
        return side.good + sign * _z(side.alpha) * plan.sigma / np.sqrt(some)

    return AcceptanceChart(
        spread.means(table), count, limit(plan.lower, -1), limit(plan.upper, +1), plan
    )


def _z(share: float) -> float:
    """Standard normal value that the share lies beyond."""
    from scipy.special import ndtri

    return -float(ndtri(share))


def _above(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2))
