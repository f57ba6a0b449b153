"""Every chart a plan can ask for, by its name."""

from collections.abc import Callable
from dataclasses import replace

from spc.charts.limits import Chart, ChartPair
from spc.more_charts import of_groups, of_parts
from spc.more_charts.basis import Basis, MoreChart
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Series

_MAKERS: dict[str, Callable[[Basis], MoreChart]] = {
    "ewma": of_parts.ewma,
    "cusum": of_parts.cusum,
    "means_ranges": of_groups.means_ranges,
    "means_deviations": of_groups.means_deviations,
    "medians": of_groups.medians,
    "acceptance": of_groups.acceptance,
    "modified_limits": of_groups.modified,
    "from_nominal": of_parts.from_nominal,
    "standardised": of_parts.standardised,
    "self_starting": of_parts.self_starting,
    "between_within": of_parts.between_within,
    "widened": of_parts.widened,
    "innovations": of_parts.innovations,
}


def more_charts(
    plan: Plan,
    feature: Feature,
    series: Series,
    *,
    sloping: Chart | None,
    individuals: ChartPair | None,
    run: Run | None = None,
) -> tuple[MoreChart, ...]:
    """
    Every chart that the plan's ``[charts] also`` names, in its order.

    Parameters
    ----------
    plan, feature, series
        What was asked for, and the values.
    sloping, individuals
        The feature's own charts: limits come from their base span and, about the wear lines,
        from their sigma. None: too little for any chart.
    run : Run, optional
        Its rows, for single readings of parts that were read several times.

    Returns
    -------
    tuple of MoreChart
        Empty when nothing is asked for, or there is too little to chart.
    """
    if not plan.charts.also or sloping is None or individuals is None:
        return ()
    basis = Basis(plan, feature, series, sloping, individuals.location.base, run)
    return tuple(replace(_MAKERS[name](basis), name=name) for name in plan.charts.also)
