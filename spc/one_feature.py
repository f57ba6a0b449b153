"""One feature of a run: charts, wear, stability, capability and the gauge's resolution."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby, pairwise

import numpy as np

from spc import stability
from spc.capability.assessment import Capability, assess
from spc.charts import shewhart, trended
from spc.charts.base_span import MOST_EXCLUDED, cleaned
from spc.charts.doubts import doubts
from spc.charts.limits import Base, Chart, ChartPair, FrozenLimits, joined
from spc.charts.stretch import shifted_stretch
from spc.dress_cycles import WearLine, wear_line
from spc.errors import NotEnough
from spc.findings import FEWEST_ALIKE, FeatureStudy, HeldSpan, Stability
from spc.gauge.resolution import Resolution, resolution
from spc.more_charts.basis import MoreChart
from spc.plan import Feature, KeptLimits, Plan
from spc.run import Run
from spc.series import Floats, Series

#: Measured parts that limits are estimated from when the plan names no base span. Some 25 to 40
#: values fix a moving-range sigma within about 15 % (common practice, no source).
DEFAULT_BASE = 40
#: Fewest measured parts of a feature that a chart is drawn for.
FEWEST_FOR_A_CHART = 8
#: The same where the plan holds frozen limits: a line needs three parts to be judged by.
FEWEST_BY_FROZEN = 3


def study_feature(
    plan: Plan, feature: Feature, series: Series, run: Run | None = None
) -> FeatureStudy:
    """
    Charts, wear, stability, capability and resolution of one feature.

    The rows of `run` are read only where a chart needs single readings of a part.
    """
    base, base_words = base_of(plan, series)
    sloping, judged, base_words = follow_wheel(plan, feature, series, base, base_words)
    individuals = single_parts(series, sloping, base)
    steps = resolution_of(series, sloping, individuals)
    patterns = stability.patterns_for(plan, steps)
    found = () if judged is None else stability.watch(plan, judged, patterns)
    alike = len(series) >= FEWEST_ALIKE and not np.ptp(series.deviation_um) > 0
    verdict = stability.judge(plan, judged, found, patterns, alike=alike, parts=series.parts)
    return FeatureStudy(
        feature=feature,
        series=series,
        individuals=individuals,
        sloping=sloping,
        signals=found,
        wear=wear_lines(series),
        stability=verdict,
        capability=None if sloping is None else capability_of(feature, series, verdict),
        resolution=steps,
        outside=outside_of(series, feature.limits_um),
        in_doubt=in_doubt_of(series, feature),
        base_words=base_words,
        doubts=() if sloping is None else doubts(sloping, step=feature.gauge_step_um or None),
        false_alarms="" if sloping is None else stability.in_control(plan, patterns).words,
        more=_more(plan, feature, series, sloping, individuals, run),
    )


def _more(
    plan: Plan,
    feature: Feature,
    series: Series,
    sloping: Chart | None,
    individuals: ChartPair | None,
    run: Run | None,
) -> tuple[MoreChart, ...]:
    if not plan.charts.also:
        return ()
    # Most plans ask for none, and a page in a hurry need not load how each is made.
    from spc.more_charts.catalogue import more_charts

    return more_charts(plan, feature, series, sloping=sloping, individuals=individuals, run=run)


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
        return None, (
            f"not enough yet: the plan's base, parts {first_part} to {last_part}, holds "
            f"{len(inside)} measured parts; limits need at least {FEWEST_FOR_A_CHART}"
        )
    return (int(inside[0]), int(inside[-1])), f"parts {first_part} to {last_part}, by the plan"


def follow_wheel(
    plan: Plan, feature: Feature, series: Series, span: tuple[int, int] | None, words: str
) -> tuple[Chart | None, stability.Judged | None, str]:
    """
    The chart about the wear lines, what stability is judged by, and where the limits come from.

    Limits frozen in the plan are taken as they are, each from its part on; else they come from
    the base span, points beyond them left out round by round. What cannot fall below zero is
    skewed; it is charted on the cube root, which takes most of that away, and drawn on its own
    scale [1]_. None: too little to chart.

    References
    ----------
    .. [1] E. B. Wilson and M. M. Hilferty (1931), The distribution of chi-square, PNAS 17,
       684-688 (from memory).
    """
    kept = sorted(
        (each for each in plan.charts.limits if each.feature == feature.name),
        key=lambda each: each.from_part,
    )
    if span is None and kept and len(series) >= FEWEST_BY_FROZEN:
        span = (0, len(series) - 1)
    if span is None:
        return None, None, words
    if not float(np.ptp(series.deviation_um)) > 0:
        return None, None, "no limits: all values are alike, the gauge shows no spread"
    try:
        if kept:
            return _by_frozen_limits(series, span, kept, words)
        root = feature.zero_bounded
        y = np.cbrt(np.maximum(series.bare_um, 0.0)) if root else series.bare_um
        base = _clean_base(series, y, span)
        apart = _shifted(series, y, 0, len(series) - 1)
        chart = trended.cycles_chart(
            series.cycle, series.since_dress, y, base=base, apart=list(apart)
        )
    except NotEnough:
        return None, None, words
    if base.excluded:
        words += f"; left out: {_told_parts(series, zip(base.excluded, base.reasons, strict=True))}"
    drawing_none = [(place, why) for place, why in apart.items() if place not in base.excluded]
    if drawing_none:
        words += f"; drawing no line: {_told_parts(series, drawing_none)}"
    judged = stability.Judged(chart.z, chart.degrees)
    return (_cubed(series, chart) if root else chart), judged, words


def _told_parts(series: Series, told: Iterable[tuple[int, str]]) -> str:
    """Positions with a reason each as parts, neighbours of one reason together."""
    words = []
    for (reason, _), group in groupby(enumerate(told), lambda at: (at[1][1], at[1][0] - at[0])):
        parts = [int(series.parts[place]) for _, (place, _) in group]
        few = f"part {parts[0]}" if len(parts) == 1 else f"parts {parts[0]} to {parts[-1]}"
        words.append(f"{few} ({reason})")
    return "; ".join(words)


def _cubed(series: Series, chart: Chart) -> Chart:
    """A chart of cube roots on the scale of the values themselves."""
    center, lower, upper = (np.maximum(line, 0.0) ** 3 for line in
                            (chart.center, chart.lower, chart.upper))  # fmt: skip
    used = chart.base.mask(len(center)) if chart.base else np.ones(len(center), dtype=bool)
    sigma = float(np.std((series.bare_um - center)[used], ddof=1))
    return Chart(chart.statistic, series.bare_um, center, lower, upper, sigma, chart.base)


def _by_frozen_limits(
    series: Series, span: tuple[int, int], kept: list[KeptLimits], words: str
) -> tuple[Chart, stability.Judged, str]:
    """Frozen limits, each from its part on; parts before the first by limits of their own."""

    def chart_of(
        end: int, base: Base | None, frozen: FrozenLimits | None = None
    ) -> trended.CyclesChart:
        own = slice(0, end)
        return trended.cycles_chart(
            series.cycle[own], series.since_dress[own], series.bare_um[own],
            base=base, frozen=frozen, apart=list(_shifted(series, series.bare_um, 0, end - 1)),
        )  # fmt: skip

    n = len(series)
    told = f"the plan, where they are frozen: {_told(kept)}"
    starts = np.searchsorted(series.parts, [each.from_part for each in kept]).tolist()
    common = 0.0
    if any(each.drift_um is None for each in kept):
        common = chart_of(n, Base(*span)).slope
    pieces = [
        (start, chart_of(n, None, _frozen(each, common)), each.why or each.when or "new limits")
        for start, each in zip(starts, kept, strict=True)
    ]
    before = (span[0], min(span[1], starts[0] - 1))
    if before[1] - before[0] + 1 < FEWEST_FOR_A_CHART:
        if starts[0]:
            told += f"; the {starts[0]} measured parts before are too few for limits of their own"
        pieces[0] = (0, *pieces[0][1:])
        chart = _end_to_end(n, pieces)
        return chart, stability.Judged(chart.z, 0), told
    if before[1] < span[1]:
        words = f"the {before[1] - before[0] + 1} measured parts before part {kept[0].from_part}"
    own = chart_of(starts[0], _clean_base(series, series.bare_um, before))
    chart = _end_to_end(n, [(0, own, ""), *pieces])
    return chart, stability.Judged(chart.z, own.degrees), f"{words}; then {told}"


def _clean_base(series: Series, y: Floats, span: tuple[int, int]) -> Base:
    """
    The base span without the points beyond its own limits; later parts have no say in it.

    What stands clear of its dress cycle's other parts is left out beforehand: a jump over many
    parts of a short base would widen the limits until they held it.
    """
    first, last = span
    own = slice(first, last + 1)
    known = _shifted(series, y, first, last)

    def chart_of(base: Base) -> Chart:
        return trended.cycles_chart(series.cycle[own], series.since_dress[own], y[own], base=base)

    n = last + 1 - first
    found = cleaned(chart_of, n, known=known, most=MOST_EXCLUDED + len(known) / n).base
    return Base(first, last, tuple(first + place for place in found.excluded), found.reasons)


def _shifted(series: Series, y: Floats, first: int, last: int) -> dict[int, str]:
    """Parts of a span, counted from its first, that stand off their cycle's others, and why."""
    out: dict[int, str] = {}
    _, starts = np.unique(series.cycle[first : last + 1], return_index=True)
    for start, end in pairwise([*starts.tolist(), last + 1 - first]):
        mine = slice(first + start, first + end)
        found = shifted_stretch(series.since_dress[mine], y[mine])
        if found is not None:
            why = (
                f"one of {found.count} in a row that stand {abs(found.apart):.4g} "
                f"{'above' if found.apart > 0 else 'below'} the line of the others"
            )
            out |= dict.fromkeys(range(start + found.first, start + found.last + 1), why)
    return out


def _frozen(kept: KeptLimits, slope: float) -> FrozenLimits:
    drift = slope if kept.drift_um is None else kept.drift_um
    return FrozenLimits(0.0, kept.sigma_um, who=kept.who, when=kept.when, why=kept.why, slope=drift)


def _told(kept: list[KeptLimits]) -> str:
    return "; ".join(
        f"sigma {each.sigma_um:g} µm from part {each.from_part}"
        + "".join(f", {word}" for word in (each.who, each.when, each.why) if word)
        for each in kept
    )


def _end_to_end(length: int, pieces: list[tuple[int, trended.CyclesChart, str]]) -> Chart:
    """Each chart from its position to where the next begins, changes of limits marked."""
    ends = [*(start for start, *_ in pieces[1:]), length]
    cut = [
        (
            Chart(
                chart.statistic,
                chart.values[start:end],
                chart.center[start:end],
                chart.lower[start:end],
                chart.upper[start:end],
                chart.sigma,
                None,
            ),
            why,
        )
        for (start, chart, why), end in zip(pieces, ends, strict=True)
        if end > start
    ]
    return joined(*(chart for chart, _ in cut), why=[why for _, why in cut[1:]])


def single_parts(
    series: Series, sloping: Chart | None, span: tuple[int, int] | None
) -> ChartPair | None:
    """Individuals and moving ranges over the base span, without what the wear chart left out."""
    if sloping is None:
        return None
    return shewhart.individuals_chart(series.deviation_um, base=sloping.base or span)


# --- wear, capability, conformity -------------------------------------------------------------


def wear_lines(series: Series) -> tuple[WearLine | None, ...]:
    """Drift of every dress cycle that the series reaches, None where it cannot be told."""
    last = int(series.cycle[-1]) if len(series) else -1
    lines = []
    for number in range(last + 1):
        mine = series.cycle == number
        lines.append(wear_line(series.since_dress[mine], series.bare_um[mine]))
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


def outside_of(series: Series, limits: tuple[float, float]) -> tuple[int, ...]:
    """Measured parts beyond the limits, those too far out to be charted included."""
    y = series.deviation_um
    beyond = series.parts[(y < limits[0]) | (y > limits[1])]
    return tuple(sorted({*beyond.tolist(), *series.unbelievable_parts.tolist()}))


def in_doubt_of(series: Series, feature: Feature) -> tuple[int, ...]:
    """Measured parts inside the limits but closer to one than the gauge can prove."""
    beyond = set(outside_of(series, feature.limits_um))
    return tuple(p for p in outside_of(series, feature.guarded_um) if p not in beyond)


def held_spans(
    feature: Feature, series: Series, cleared: Sequence[int], last: int, *, begun: int = 1
) -> Iterator[HeldSpan]:
    """
    Parts to hold: from after the last good check to before the next one.

    Parameters
    ----------
    series : Series
        The whole run up to part `last`: a span may begin in an earlier shift.
    cleared : sequence of int
        Parts after which a hold was cleared.
    begun : int
        First part that `series` covers.
    """
    suspect = {*outside_of(series, feature.guarded_um)}
    good, begin = begun - 1, None
    for part in sorted({*series.parts.tolist(), *suspect}):
        if part in suspect:
            begin = good + 1 if begin is None else begin
            continue
        if begin is not None:
            yield _held(feature, begin, part - 1, cleared)
        begin, good = None, part
    if begin is not None:
        yield _held(feature, begin, last, cleared)


def _held(feature: Feature, first: int, last: int, cleared: Sequence[int]) -> HeldSpan:
    return HeldSpan(feature.name, first, last, cleared=any(first <= part for part in cleared))
