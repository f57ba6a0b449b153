"""Charts of single parts: for lasting shifts, short batches, and parts read several times."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from spc.charts import run_length, short_run
from spc.charts.between_parts import parts_charts
from spc.charts.cusum import CusumChart, cusum_chart
from spc.charts.ewma import TIMES, WEIGHT, ewma_chart
from spc.charts.limits import Base, Chart, ChartPair
from spc.charts.neighbours import correlation_test, innovations_chart, widened_chart
from spc.more_charts.basis import (
    ABOUT_LINES,
    BY_SIZE,
    FEWEST,
    OWN_LINE,
    Basis,
    MoreChart,
    end_to_end,
    few_steps,
    nothing,
    plural,
    single,
)
from spc.series import Floats, Ints

#: Wear of fewer sigmas a part is not warned of: limits and runs meet it after some 60 points only
#: (computed), about as many as a dress cycle has.
LEAST_DRIFT = 0.01


# --- small lasting shifts -----------------------------------------------------------------------


def ewma(basis: Basis) -> MoreChart:
    """Weighted means of the parts so far, about the wear lines."""
    pieces = [
        ewma_chart(basis.about[start:end], center=0.0, sigma=sigma)
        for start, end, sigma in basis.spans
    ]
    chart = end_to_end(basis, list(pieces))
    promised = _promise(basis, lambda shift: run_length.of_ewma(WEIGHT, TIMES, shift))
    says = (_first_side(basis, chart), promised, ABOUT_LINES, *_anew(basis, "means"))
    return single(basis, chart, says=says, presumes=(OWN_LINE,))


def _first_side(basis: Basis, chart: Chart) -> str:
    """Where a weighted mean first left its limits, and to which side."""
    beyond = np.flatnonzero(chart.beyond)
    if not len(beyond):
        return ""
    at = int(beyond[0])
    side = "above" if chart.values[at] > chart.center[at] else "below"
    return f"the level first shows {side} the lines at part {basis.series.parts[at]}"


def cusum(basis: Basis) -> MoreChart:
    """Sums of what exceeds the wear lines, upwards and downwards."""
    sums = [
        cusum_chart(basis.about[start:end], center=0.0, sigma=sigma)
        for start, end, sigma in basis.spans
    ]
    up = end_to_end(basis, [_sum(each, +1) for each in sums])
    down = end_to_end(basis, [_sum(each, -1) for each in sums])
    promised = _promise(basis, lambda shift: run_length.of_cusum(sums[0].k, sums[0].h, shift))
    shifts = _shifts_told(basis, sums)
    says = (shifts, promised, ABOUT_LINES, *_anew(basis, "sums"))
    return single(basis, up, down, says=says, presumes=(OWN_LINE,))


def _anew(basis: Basis, what: str) -> Iterator[str]:
    if len(basis.spans) > len(basis.stretches):
        points = np.median([end - start for start, end, _ in basis.spans])
        yield (
            f"{what} begin anew at each dress, here after some {points:.0f} points: a shift late "
            "in a cycle shows later than that, and false alarms are rarer"
        )


def _sum(found: CusumChart, side: int) -> Chart:
    """A sum as a chart: upward above zero, downward below, each with its one limit."""
    values = found.up if side > 0 else -found.down
    zero, limit = np.zeros(len(values)), np.full(len(values), side * found.limit)
    none = np.full(len(values), -side * np.inf)
    lower, upper = (none, limit) if side > 0 else (limit, none)
    name = "sum upwards" if side > 0 else "sum downwards"
    return Chart(name, values, zero, lower, upper, found.sigma, found.base)


def _shifts_told(basis: Basis, sums: list[CusumChart]) -> str:
    shifts = [
        (start, shift)
        for (start, *_), each in zip(basis.spans, sums, strict=True)
        for shift in each.shifts
    ]
    if not shifts:
        return "no lasting shift shows"
    start, last = shifts[-1]
    began, seen = (int(basis.series.parts[start + at]) for at in (last.began, last.seen))
    count = f"{len(shifts)} lasting shifts show, the last" if len(shifts) > 1 else "a lasting shift"
    return (
        f"{count} {'upwards' if last.side > 0 else 'downwards'} by some {abs(last.level):.2g} µm "
        f"since part {began}, seen at part {seen}"
    )


def _promise(basis: Basis, length: Callable[[float], run_length.RunLength]) -> str:
    """How often a chart cries wolf, and how soon it sees one sigma, computed."""
    quiet, shifted = length(0.0), length(1.0)
    every = basis.feature.sample or 1
    parts = "" if every == 1 else f", {quiet.mean * every:,.0f} parts"
    return (
        f"computed in-control run length {quiet.mean:.0f} points{parts} ({quiet.how}, independent "
        f"normal points about known lines); a lasting shift of one sigma, "
        f"{basis.sloping.sigma:.2g} µm, shows after {shifted.mean:.1f} points on average"
    )


# --- short batches ------------------------------------------------------------------------------


def from_nominal(basis: Basis) -> MoreChart:
    """Deviations from nominal, each dress cycle a batch of its own."""
    pair = short_run.deviation_chart(
        basis.series.deviation_um, 0.0, base=basis.base, job=basis.series.cycle
    )
    says = (*_trend(basis), *few_steps(pair.location), _BATCHES)
    return single(basis, pair.location, pair.spread, says=says, presumes=(BY_SIZE,))


_BATCHES = "each dress cycle is a batch of its own: no step is taken across a dress"


def _trend(basis: Basis) -> Iterator[str]:
    """How soon wear alone meets limits about a fixed centre."""
    slope = abs(float(getattr(basis.sloping, "slope", 0.0)))
    share = slope / basis.sloping.sigma if basis.sloping.sigma > 0 else 0.0
    if share >= LEAST_DRIFT:
        yield (
            f"wear of {slope:.2g} µm a part alone meets limits about a fixed centre within some "
            f"{run_length.of_drift(share).mean:.0f} points: judge lasting changes "
            "about the wear line"
        )


def standardised(basis: Basis) -> MoreChart:
    """Distances from the target in sigmas, each dress cycle a batch of its own."""
    y, batch = basis.series.deviation_um, basis.series.cycle
    plain = short_run.deviation_chart(y, 0.0, base=basis.base, job=batch).location
    if not plain.sigma > 0:
        return nothing("not enough yet: neighbours in the base span do not differ")
    target = basis.feature.target_um
    level = float(plain.center[0]) if target is None or basis.feature.zero_bounded else target
    batches = np.unique(batch).tolist()
    pair = short_run.standardised_chart(
        y, batch, center=dict.fromkeys(batches, level), sigma=dict.fromkeys(batches, plain.sigma)
    )
    told = (
        f"each point is the distance from {level:.3g} µm in sigmas of the base span, "
        f"{plain.sigma:.2g} µm: features of different spread can be laid side by side"
    )
    charts = [replace(each, base=plain.base) for each in (pair.location, pair.spread)]
    says = (told, *_trend(basis), *few_steps(plain), _BATCHES)
    return single(basis, *charts, says=says, presumes=(BY_SIZE,), unit="sigmas")


def self_starting(basis: Basis) -> MoreChart:
    """Each part judged by those before it, about the wear lines."""
    chart = short_run.self_starting_chart(basis.about)
    says = (
        "each part is judged by those before it, from the third on, so no base span is needed; "
        "a lasting shift shows for a few parts only and then becomes the new level"
    )
    return single(basis, chart, says=(says, ABOUT_LINES), presumes=(OWN_LINE,), unit="sigmas")


# --- readings within a part ---------------------------------------------------------------------


def between_within(basis: Basis) -> MoreChart:
    """Level of parts, steps between them, and ranges within them."""
    at, table = _repeats(basis)
    base = base_among(basis.base, at)
    if base is None:
        return nothing(
            f"not enough yet: {plural(len(at), 'part')} with several readings; limits need "
            f"{FEWEST} in the base span"
        )
    if in_a_row(basis, 2, at, base) < FEWEST:
        return nothing(_TOO_SHORT.format(parts="two"))
    # Each reading about its part's wear line: the mean of a row is the part's own deviation.
    moved = basis.about[at] - basis.series.deviation_um[at]
    says: list[str] = []

    def chart_of(rows: Floats, span: Base | None) -> tuple[Chart, ...]:
        found = parts_charts(rows, base=span)
        says.append(
            f"spread within a part {found.sigma_within:.2g} µm, from part to part "
            f"{found.sigma_between:.2g} µm (sigmas)"
        )
        return found.level, found.steps, found.within

    charts = basis.broken_at_dresses(chart_of, table + moved[:, None], at, base)
    fewer = len(basis.series) - len(at)
    once = (f"{plural(fewer, 'part')} read once only stay out",) if fewer else ()
    return MoreChart(
        "", charts, basis.series.parts[at], basis.series.parts[at],
        (*says, *few_steps(charts[0]), ABOUT_LINES, *once), (OWN_LINE,),
    )  # fmt: skip


def _repeats(basis: Basis) -> tuple[Ints, Floats]:
    """Positions of parts with several readings, and these, shape (k, most readings). [µm]"""
    series, feature = basis.series, basis.feature
    if basis.run is None or feature.between:
        return np.empty(0, dtype=np.int64), np.empty((0, 1))
    table = basis.run.measurements
    mine = (table["feature"] == feature.name).to_numpy(copy=True)
    mine[series.misread] = False
    mine[series.unbelievable] = False
    part = table["part"].to_numpy()[mine]
    value = table["deviation_um"].to_numpy()[mine]
    order = np.argsort(part, kind="stable")
    part, value = part[order], value[order]
    names, first, count = np.unique(part, return_index=True, return_counts=True)
    rows = np.full((len(names), int(count.max(initial=1))), np.nan)
    row = np.repeat(np.arange(len(names)), count)
    rows[row, np.arange(len(part)) - first[row]] = value
    wanted = (count > 1) & np.isin(names, series.parts)
    return np.searchsorted(series.parts, names[wanted]), rows[wanted]


def base_among(base: Base | None, at: Ints) -> Base | None:
    """The base span in a series that holds only some of the positions."""
    if base is None:
        return None
    inside = np.flatnonzero((at >= base.first) & (at <= base.last))
    if not len(inside):
        return None
    out = [int(k) for k in inside if int(at[k]) in base.excluded]
    told = dict(zip(base.excluded, base.reasons, strict=False))
    reasons = tuple(told.get(int(at[k]), "left out of the base span") for k in out)
    found = Base(int(inside[0]), int(inside[-1]), tuple(out), reasons)
    return found if found.count >= FEWEST else None


# --- neighbours that are alike ------------------------------------------------------------------


def widened(basis: Basis) -> MoreChart:
    """Single parts about the wear lines, limits allowing for likeness of neighbours."""
    if in_a_row(basis, 2) < FEWEST:
        return nothing(_TOO_SHORT.format(parts="two"))
    charts = _pair_about(basis, widened_chart)
    says = (*_likeness(basis), ABOUT_LINES)
    return single(basis, *charts, says=says, presumes=(OWN_LINE,))


def innovations(basis: Basis) -> MoreChart:
    """What is new in each part, about the wear lines."""
    if in_a_row(basis, 3) < FEWEST:
        return nothing(_TOO_SHORT.format(parts="three"))
    charts = _pair_about(basis, innovations_chart)
    says = "each point is what the part before does not lead one to expect"
    told = (*_likeness(basis), says, ABOUT_LINES)
    return single(basis, *charts, says=told, presumes=(OWN_LINE,))


_TOO_SHORT = "not enough yet: the base span holds too few dress cycles with {parts} parts in a row"


def in_a_row(basis: Basis, length: int, at: Ints | None = None, base: Base | None = None) -> int:
    """How often so many parts of the base span follow one another within a dress cycle."""
    at = np.arange(len(basis.series)) if at is None else at
    base = basis.base if base is None else base
    cycle = basis.series.cycle[at].astype(float)
    if base is not None:
        cycle = np.where(base.mask(len(cycle)), cycle, np.nan)
    together = np.ones(max(0, len(cycle) - length + 1), dtype=bool)
    for step in range(1, length):
        together &= cycle[step : step + len(together)] == cycle[: len(together)]
    return int(together.sum())


def _pair_about(basis: Basis, chart_of: Callable[..., ChartPair]) -> tuple[Chart, ...]:
    def both(x: Floats, base: Base | None) -> tuple[Chart, ...]:
        pair = chart_of(x, base=base)
        return pair.location, pair.spread

    every = np.arange(len(basis.series))
    return basis.broken_at_dresses(both, basis.about, every, basis.base)


def _likeness(basis: Basis) -> Iterator[str]:
    """Whether neighbours of the base span are alike, and so whether the chart is needed."""
    found = basis.about
    if basis.base is not None:
        found = np.where(basis.base.mask(len(found)), found, np.nan)
    # Parts on either side of a dress are no neighbours.
    dressed = np.flatnonzero(np.diff(basis.series.cycle)) + 1
    test = correlation_test(np.insert(found, dressed, np.nan))
    if math.isnan(test.r):
        return
    seen = f"autocorrelation of neighbours in the base span {test.r:.2f}"
    if test.chance < 0.05:
        kind = "alike" if test.r > 0 else "opposed"
        yield f"{seen}: they are {kind} (chance {test.chance:.2g}), which this chart allows for"
    else:
        yield f"{seen}, as chance gives (p = {test.chance:.2g}): the plain limits would serve"
