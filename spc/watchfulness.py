"""What the charts of a plan promise: how often they cry wolf, how soon they see a shift."""

import math
from collections.abc import Sequence

from spc.charts import watchfulness
from spc.charts.signals import PATTERNS
from spc.errors import SpcError
from spc.plan import Plan


def promised(
    plan: Plan,
    *,
    sigma_um: float | None = None,
    feature: str | None = None,
    patterns: Sequence[str] | None = None,
    shifts_um: Sequence[float] | None = None,
) -> watchfulness.Watchfulness:
    """
    Run lengths of the plan's patterns at its sampling, in parts and minutes.

    Parameters
    ----------
    plan : Plan
        Patterns, sampling (``sample``) and cycle time come from it.
    sigma_um : float, optional
        Spread of single parts about the wear line; else that of the plan's frozen limits. [µm]
    feature : str, optional
        Whose sampling counts; else the lead's.
    patterns : sequence of str, optional
        Patterns instead of the plan's.
    shifts_um : sequence of float, optional
        Shifts to ask about; else 1, 2 and 3 µm. [µm]

    Raises
    ------
    SpcError
        When no spread is known or a pattern has no such name.
    """
    asked = plan.feature(feature) if feature else (plan.lead or plan.features[0])
    kept = [limits.sigma_um for limits in plan.charts.limits if limits.feature == asked.name]
    if sigma_um is not None and not 0 < sigma_um < math.inf:
        raise SpcError(f"--sigma {sigma_um:g}: the spread must be a number of µm above 0")
    sigma = sigma_um or (kept[-1] if kept else None)
    if sigma is None or not sigma > 0:
        raise SpcError(
            "the spread of single parts is not known; give --sigma in µm, or freeze limits in the "
            f"plan with [[charts.limits]] for {asked.name!r}"
        )
    for value in (sigma, *(shifts_um or ())):
        if not math.isfinite(value):
            raise SpcError(f"{value} is not a number of µm")
    chosen = patterns or plan.charts.signals
    for name in chosen or ():
        if name not in PATTERNS:
            raise SpcError(f"there is no pattern {name!r}; there are: {', '.join(PATTERNS)}")
    return watchfulness.of_patterns(
        sigma,
        chosen,
        every=asked.sample or 1,
        minutes_per_part=plan.job.minutes_per_part,
        shifts_um=shifts_um or watchfulness.SHIFTS_UM,
        one_side=plan.charts.one_side,
        climb=plan.charts.climb,
    )
