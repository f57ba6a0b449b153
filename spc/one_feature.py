"""One feature of a run: charts, wear, stability, capability and the gauge's resolution."""

import math
from collections.abc import Iterator

import numpy as np

from spc.capability.assessment import Capability, assess
from spc.charts import run_length, shewhart, signals, trended
from spc.charts.base_span import cleaned
from spc.charts.doubts import doubts
from spc.charts.limits import Base, Chart, ChartPair, FrozenLimits, joined
from spc.errors import NotEnough, SpcError
from spc.findings import FeatureStudy, HeldSpan, Stability
from spc.gauge.resolution import Resolution, resolution
from spc.more_charts.catalogue import more_charts
from spc.plan import Feature, KeptLimits, Plan
from spc.run import Run
from spc.series import Series
from spc.wheel import cycles as dressing

#: Measured parts that limits are estimated from when the plan names no base span. Some 25 to 40
#: values fix a moving-range sigma within about 15 % (common practice, no source).
DEFAULT_BASE = 40
#: Fewest measured parts of a feature that a chart is drawn for.
FEWEST_FOR_A_CHART = 8
#: A stable feature shows so many signals, or one so extreme, in this share of runs at most.
BY_COUNT, BY_EXTREME = 0.03, 0.01


def study_feature(
    plan: Plan, feature: Feature, series: Series, run: Run | None = None
) -> FeatureStudy:
    """
    Charts, wear, stability, capability and resolution of one feature.

    The rows of `run` are read only where a chart needs single readings of a part.
    """
    base, base_words = base_of(plan, series)
    sloping, base_words = follow_wheel(plan, feature, series, base, base_words)
    found = watch(plan, sloping)
    stability = judge_stability(plan, sloping, found)
    individuals = single_parts(series, sloping, base)
    return FeatureStudy(
        feature=feature,
        series=series,
        individuals=individuals,
        sloping=sloping,
        signals=found,
        wear=wear_lines(series),
        stability=stability,
        capability=None if sloping is None else capability_of(feature, series, stability),
        resolution=resolution_of(series, sloping, individuals),
        outside=outside_of(series, _limits(feature)),
        in_doubt=in_doubt_of(series, feature),
        base_words=base_words,
        doubts=() if sloping is None else doubts(sloping, step=feature.gauge_step_um or None),
        false_alarms="" if sloping is None else _in_control(plan).words,
        more=more_charts(plan, feature, series, sloping=sloping, individuals=individuals, run=run),
    )


# --- charts -----------------------------------------------------------------------------------


def base_of(plan: Plan, series: Series) -> tuple[tuple[int, int] | None, str]:
    """First and last position of the base span, and where it comes from in words."""
    if plan.charts.base is None:
        last = min(DEFAULT_BASE, len(series)) - 1
        if last < FEWEST_FOR_A_CHART - 1:
            return None, "no base span: too few measured parts"
        return (0, last), f"the first {last + 1} measured parts, since the plan names no base span"
    first_part, last_part = plan.charts.base
    inside = np.flatnonzero((series.parts >= first_part) & (series.parts <= last_part))
    if len(inside) < FEWEST_FOR_A_CHART:
        raise SpcError(
            f"{plan.source}: charts, base = [{first_part}, {last_part}] holds {len(inside)} "
            f"measured parts of {len(series)}; limits need at least {FEWEST_FOR_A_CHART}"
        )
    return (int(inside[0]), int(inside[-1])), f"parts {first_part} to {last_part}, by the plan"


def follow_wheel(
    plan: Plan, feature: Feature, series: Series, span: tuple[int, int] | None, words: str
) -> tuple[Chart | None, str]:
    """
    The chart about the wear lines, and where its limits come from in words.

    Limits frozen in the plan are taken as they are, each from its part on; else they come from
    the base span, points beyond them left out round by round. None: too little to chart.
    """
    if span is None or not float(np.ptp(series.deviation_um)) > 0:
        return None, words

    def chart_of(base: Base | None, frozen: FrozenLimits | None = None) -> trended.CyclesChart:
        return trended.cycles_chart(
            series.cycle, series.since_dress, series.bare_um, base=base, frozen=frozen
        )

    try:
        kept = sorted(
            (each for each in plan.charts.limits if each.feature == feature.name),
            key=lambda each: each.from_part,
        )
        if kept:
            slope = chart_of(Base(*span)).slope
            charts = [chart_of(None, _frozen(each, slope)) for each in kept]
            return _end_to_end(series, kept, charts), f"limits frozen in the plan: {_told(kept)}"
        base = _clean_base(series, span)
        chart = chart_of(base)
    except NotEnough:
        return None, words
    if base.excluded:
        words += "; left out: " + "; ".join(
            f"part {series.parts[place]} ({reason})"
            for place, reason in zip(base.excluded, base.reasons, strict=True)
        )
    return chart, words


def _clean_base(series: Series, span: tuple[int, int]) -> Base:
    """The base span without the points beyond its own limits; later parts have no say in it."""
    first, last = span
    own = slice(first, last + 1)

    def chart_of(base: Base) -> Chart:
        return trended.cycles_chart(
            series.cycle[own], series.since_dress[own], series.bare_um[own], base=base
        )

    found = cleaned(chart_of, last + 1 - first).base
    return Base(first, last, tuple(first + place for place in found.excluded), found.reasons)


def _frozen(kept: KeptLimits, slope: float) -> FrozenLimits:
    drift = slope if kept.drift_um is None else kept.drift_um
    return FrozenLimits(0.0, kept.sigma_um, who=kept.who, when=kept.when, why=kept.why, slope=drift)


def _told(kept: list[KeptLimits]) -> str:
    return "; ".join(
        f"sigma {each.sigma_um:g} µm from part {each.from_part}"
        + "".join(f", {word}" for word in (each.who, each.when, each.why) if word)
        for each in kept
    )


def _end_to_end(series: Series, kept: list[KeptLimits], charts: list[trended.CyclesChart]) -> Chart:
    """Each chart from its part to where the next begins, changes of limits marked."""
    starts = np.searchsorted(series.parts, [each.from_part for each in kept])
    starts[0] = 0
    ends = [*starts[1:], len(series)]
    pieces = [
        Chart(
            chart.statistic,
            chart.values[start:end],
            chart.center[start:end],
            chart.lower[start:end],
            chart.upper[start:end],
            chart.sigma,
            None,
        )
        for chart, start, end in zip(charts, starts, ends, strict=True)
        if end > start
    ]
    told = [
        each.why or each.when or "new limits"
        for each, s, e in zip(kept, starts, ends, strict=True)
        if e > s
    ]
    return joined(*pieces, why=told[1:])


def single_parts(
    series: Series, sloping: Chart | None, span: tuple[int, int] | None
) -> ChartPair | None:
    """Individuals and moving ranges over the base span, without what the wear chart left out."""
    if sloping is None:
        return None
    return shewhart.individuals_chart(series.deviation_um, base=sloping.base or span)


# --- stability --------------------------------------------------------------------------------


def watch(plan: Plan, chart: Chart | None) -> tuple[signals.Signal, ...]:
    """Signals of the plan's patterns on the chart that follows the wheel."""
    if chart is None:
        return ()
    return tuple(
        signals.watch(
            chart.z, plan.charts.signals, one_side=plan.charts.one_side, climb=plan.charts.climb
        )
    )


def _in_control(plan: Plan) -> run_length.RunLength:
    charts = plan.charts
    return run_length.in_control(charts.signals, one_side=charts.one_side, climb=charts.climb)


def judge_stability(
    plan: Plan, chart: Chart | None, found: tuple[signals.Signal, ...]
) -> Stability:
    """
    Whether there is more about the wear lines than a stable process shows by chance.

    Two things are not chance: more signals than the 97 % Poisson quantile of the number
    expected (the run's length over the in-control run length of the chosen patterns), or one
    signal so extreme that a run of this length shows it once in a hundred times at most.
    """
    if chart is None:
        return Stability(None, 0, None, "not enough yet: too few measured parts to judge stability")
    points = len(chart.values)
    expected = points / _in_control(plan).mean
    many = len(found) > _poisson_quantile(expected, 1 - BY_COUNT)
    extreme = [each for each in found if _chance(each, chart, points) < BY_EXTREME]
    words = (
        f"{len(found)} signal{'' if len(found) == 1 else 's'} about the wear line, where chance "
        f"alone gives {expected:.1f}"
    )
    if many or extreme:
        seen = f" ({extreme[0].says})" if extreme else ""
        return Stability(False, len(found), expected, f"{words}: more than wear{seen}")
    return Stability(True, len(found), expected, f"{words}: nothing but wear")


def _chance(signal: signals.Signal, chart: Chart, points: int) -> float:
    """Chance that a stable run of so many points shows a signal as extreme as this one."""
    if signal.pattern == "one_side":
        return points * 2.0 ** (1 - (signal.last - signal.first + 1))
    if signal.pattern == "beyond":
        # A missing point is never beyond; t-limits make z a little large, never small.
        farthest = float(np.nanmax(np.abs(chart.z[signal.first : signal.last + 1])))
        return points * math.erfc(farthest / math.sqrt(2))
    return 1.0


def _poisson_quantile(mean: float, probability: float) -> int:
    term = total = math.exp(-mean)
    k = 0
    while total < probability:
        k += 1
        term *= mean / k
        total += term
    return k


# --- wear, capability, conformity -------------------------------------------------------------


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


def resolution_of(
    series: Series, sloping: Chart | None, individuals: ChartPair | None
) -> Resolution | None:
    """
    Whether the gauge's steps are fine enough for the spread from part to part.

    That spread is the smaller of two: about the wear line, and from neighbour to neighbour. A
    wandering level widens the first, offsets and dresses the second.
    """
    if sloping is None or individuals is None:
        return None
    single = series.deviation_um[series.readings == 1]
    return resolution(
        single if len(single) else series.deviation_um,
        sigma=min(sloping.sigma, individuals.location.sigma),
    )


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
