"""One feature of a run: charts, wear, stability, capability and the gauge's resolution."""

import math
from collections.abc import Iterator

import numpy as np

from spc.capability.assessment import Capability, assess
from spc.charts import run_length, shewhart, signals, trended
from spc.charts.limits import Chart
from spc.errors import SpcError
from spc.findings import FeatureStudy, HeldSpan, Stability
from spc.gauge.resolution import Resolution, resolution
from spc.plan import Feature, Plan
from spc.series import Series
from spc.wheel import cycles as dressing

#: Measured parts that limits are estimated from when the plan names no base span. Some 25 to 40
#: values fix a moving-range sigma within about 15 % (common practice, no source).
DEFAULT_BASE = 40
#: Fewest measured parts of a feature that a chart is drawn for.
FEWEST_FOR_A_CHART = 8
#: A stable feature is called unstable in this share of runs.
FALSE_VERDICTS = 0.01


def study_feature(plan: Plan, feature: Feature, series: Series) -> FeatureStudy:
    """Charts, wear, stability, capability and resolution of one feature."""
    base, base_words = base_of(plan, series)
    enough = len(series) >= FEWEST_FOR_A_CHART and float(np.ptp(series.deviation_um)) > 0
    sloping = (
        trended.cycles_chart(series.cycle, series.since_dress, series.bare_um, base=base)
        if enough
        else None
    )
    found = watch(plan, sloping)
    stability = judge_stability(plan, sloping, found)
    return FeatureStudy(
        feature=feature,
        series=series,
        individuals=shewhart.individuals_chart(series.deviation_um, base=base) if enough else None,
        sloping=sloping,
        signals=found,
        wear=wear_lines(series),
        stability=stability,
        capability=capability_of(feature, series, stability) if enough else None,
        resolution=resolution_of(feature, series, sloping),
        outside=outside_of(series, _limits(feature)),
        in_doubt=in_doubt_of(series, feature),
        base_words=base_words,
    )


def base_of(plan: Plan, series: Series) -> tuple[tuple[int, int] | None, str]:
    """First and last position of the base span, and where it comes from in words."""
    if plan.charts.base is None:
        last = min(DEFAULT_BASE, len(series)) - 1
        if last < 1:
            return None, "no base span: too few measured parts"
        return (0, last), f"the first {last + 1} measured parts, since the plan names no base span"
    first_part, last_part = plan.charts.base
    inside = np.flatnonzero((series.parts >= first_part) & (series.parts <= last_part))
    if len(inside) < FEWEST_FOR_A_CHART:
        raise SpcError(
            f"{plan.source}: charts, base = [{first_part}, {last_part}] holds {len(inside)} "
            f"measured parts; limits need at least {FEWEST_FOR_A_CHART}"
        )
    return (int(inside[0]), int(inside[-1])), f"parts {first_part} to {last_part}, by the plan"


def watch(plan: Plan, chart: Chart | None) -> tuple[signals.Signal, ...]:
    """Signals of the plan's patterns on the chart that follows the wheel."""
    if chart is None:
        return ()
    return signals.watch(
        chart.z, plan.charts.signals, one_side=plan.charts.one_side, climb=plan.charts.climb
    )


def judge_stability(
    plan: Plan, chart: Chart | None, found: tuple[signals.Signal, ...]
) -> Stability:
    """
    Whether there are more signals than a stable process shows by chance.

    The expected number is the run's length over the in-control run length of the chosen
    patterns; more than its 99 % Poisson quantile is not chance.
    """
    if chart is None:
        return Stability(None, 0, None, "not enough yet: too few measured parts to judge stability")
    chosen = plan.charts.signals
    length = run_length.in_control(chosen, one_side=plan.charts.one_side, climb=plan.charts.climb)
    expected = len(chart.values) / length.mean
    stable = len(found) <= _poisson_quantile(expected, 1 - FALSE_VERDICTS)
    words = (
        f"{len(found)} signal{'' if len(found) == 1 else 's'} about the wear line, where chance "
        f"alone gives {expected:.1f}: {'nothing but wear' if stable else 'more than wear'}"
    )
    return Stability(stable, len(found), expected, words)


def _poisson_quantile(mean: float, probability: float) -> int:
    term = total = math.exp(-mean)
    k = 0
    while total < probability:
        k += 1
        term *= mean / k
        total += term
    return k


def wear_lines(series: Series) -> tuple[dressing.WearLine | None, ...]:
    """Drift of every dress cycle that the series reaches, None where it cannot be told."""
    last = int(series.cycle[-1]) if len(series) else -1
    lines = []
    for number in range(last + 1):
        mine = series.cycle == number
        lines.append(dressing.wear_line(series.since_dress[mine], series.bare_um[mine]))
    return tuple(lines)


def capability_of(feature: Feature, series: Series, stability: Stability) -> Capability:
    """How much of the tolerance the feature uses."""
    return assess(
        series.deviation_um,
        bare=series.bare_um,
        cycle=series.cycle,
        since_dress=series.since_dress,
        lower=feature.lower_um,
        upper=feature.upper_um,
        target=feature.target_um,
        stable=bool(stability.stable),
        zero_bounded=feature.zero_bounded,
        gauge_sd=feature.gauge_sd_um,
        step=feature.gauge_step_um,
    )


def resolution_of(feature: Feature, series: Series, chart: Chart | None) -> Resolution | None:
    """Whether the gauge's steps are fine enough for the spread that is charted."""
    if chart is None:
        return None
    single = series.deviation_um[series.readings == 1]
    return resolution(single if len(single) else series.deviation_um, sigma=chart.sigma)


def _limits(feature: Feature) -> tuple[float, float]:
    lower = -math.inf if feature.lower_um is None else feature.lower_um
    upper = math.inf if feature.upper_um is None else feature.upper_um
    return lower, upper


def outside_of(series: Series, limits: tuple[float, float]) -> tuple[int, ...]:
    """Measured parts beyond the limits."""
    y = series.deviation_um
    return tuple(series.parts[(y < limits[0]) | (y > limits[1])].tolist())


def in_doubt_of(series: Series, feature: Feature) -> tuple[int, ...]:
    """Measured parts inside the limits but closer to one than the gauge can prove."""
    beyond = set(outside_of(series, _limits(feature)))
    return tuple(p for p in outside_of(series, feature.guarded_um) if p not in beyond)


def held_spans(feature: FeatureStudy, first: int, last: int) -> Iterator[HeldSpan]:
    """Parts to hold: from after the last good check to before the next one."""
    suspect = set(feature.outside) | set(feature.in_doubt)
    begin: int | None = None
    good = first - 1
    for part in feature.series.parts.tolist():
        if part in suspect:
            begin = good + 1 if begin is None else begin
        else:
            if begin is not None:
                yield HeldSpan(feature.name, begin, part - 1)
            begin, good = None, part
    if begin is not None:
        yield HeldSpan(feature.name, begin, last)
