"""Charts of groups of consecutive parts: means, medians, and means against the tolerance."""

from collections.abc import Callable, Iterator

import numpy as np

from spc import sigma as spread
from spc.charts import groups_run_length, run_length, shewhart
from spc.charts.acceptance import AcceptancePlan, acceptance_chart, acceptance_plan
from spc.charts.limits import Chart, ChartPair, FrozenLimits, joined
from spc.more_charts.basis import (
    ABOUT_LINES,
    BY_SIZE,
    FEWEST,
    OWN_LINE,
    Basis,
    MoreChart,
    few,
    grouped,
    nothing,
)
from spc.series import Floats

#: Share outside a limit that is still acceptable: that of a process three sigma inside it; and
#: the share that is to be rejected, with the risks of both errors (our choice, the page says so).
P_GOOD, P_BAD, ALPHA, BETA = 0.00135, 0.01, 0.05, 0.10
#: A level only just acceptable is rejected this seldom by modified limits: three standard errors.
MODIFIED_ALPHA = 0.00135


# --- groups of consecutive parts ----------------------------------------------------------------


def means_ranges(basis: Basis) -> MoreChart:
    """Means of groups about the wear lines, and their ranges."""
    length = groups_run_length.of_ranges(basis.plan.charts.group)
    return _about_lines(basis, shewhart.averages_range_chart, _MEANS, _once(length))


def means_deviations(basis: Basis) -> MoreChart:
    """Means of groups about the wear lines, and their standard deviations."""
    length = groups_run_length.of_deviations(basis.plan.charts.group)
    return _about_lines(basis, shewhart.averages_s_chart, _MEANS, _once(length))


def medians(basis: Basis) -> MoreChart:
    """Medians of groups about the wear lines, and their ranges."""
    size = basis.plan.charts.group
    lengths = groups_run_length.of_medians(size), groups_run_length.of_ranges(size)
    return _about_lines(basis, shewhart.medians_chart, *(_once(each) for each in lengths))


#: Three standard errors of a normal mean.
_MEANS = "a mean beyond its limits once in 370 groups"


def _once(length: run_length.RunLength) -> str:
    return f"{length.what} once in {length.mean:.0f}"


def _about_lines(basis: Basis, make: Callable[..., ChartPair], *alarms: str) -> MoreChart:
    base = basis.base_of_groups()
    table = basis.about[basis.groups]
    rests: tuple[str, ...] = ()
    if basis.is_frozen and len(table):
        pair = _by_frozen(basis, make, table)
    elif base is not None:
        pair = make(table, base=base)
        size, sigma = basis.plan.charts.group, pair.location.sigma
        # Degrees of ranges; standard deviations have a few per cent more.
        rests = few(base.count, sigma, spread.range_degrees(size, base.count), "groups")
    else:
        return _too_few_groups(basis)
    chance = f"by chance alone, parts being independent: {', '.join(alarms)}"
    return grouped(
        basis, pair.location, pair.spread,
        says=(*rests, chance, ABOUT_LINES, *basis.dropped), presumes=(OWN_LINE,),
    )  # fmt: skip


def _by_frozen(basis: Basis, make: Callable[..., ChartPair], table: Floats) -> ChartPair:
    """Groups judged by the plan's limits, each stretch by its own."""
    starts = [start for start, *_ in basis.stretches]
    at = np.searchsorted(basis.groups[:, 0], starts).tolist()
    pairs, why = [], []
    for (_, _, sigma, reason), a, b in zip(basis.stretches, at, [*at[1:], len(table)], strict=True):
        if b > a:
            pairs.append(make(table[a:b], frozen=FrozenLimits(0.0, sigma)))
            why.append(reason)
    return ChartPair(
        joined(*(pair.location for pair in pairs), why=why[1:]),
        joined(*(pair.spread for pair in pairs), why=why[1:]),
    )


def _too_few_groups(basis: Basis) -> MoreChart:
    size = basis.plan.charts.group
    return nothing(
        f"not enough yet: limits need {FEWEST} groups of {size} consecutive measured parts, each "
        "inside one dress cycle and inside the base span"
    )


# --- against the tolerance ----------------------------------------------------------------------


def acceptance(basis: Basis) -> MoreChart:
    """Means of groups against acceptance limits inside the tolerance."""
    return _against_tolerance(basis, p_bad=P_BAD, alpha=ALPHA)


def modified(basis: Basis) -> MoreChart:
    """Means of groups against three-sigma limits moved out to the tolerance."""
    return _against_tolerance(basis, p_bad=None, alpha=MODIFIED_ALPHA)


def _against_tolerance(basis: Basis, *, p_bad: float | None, alpha: float) -> MoreChart:
    feature, size = basis.feature, basis.plan.charts.group
    base = basis.base_of_groups()
    if feature.lower_um is None and feature.upper_um is None:
        return nothing("there is no tolerance to accept against")
    if not len(basis.groups) or (base is None and not basis.is_frozen):
        return _too_few_groups(basis)
    if base is None or basis.is_frozen:
        base, sigma = None, basis.stretches[-1][2]
    else:
        used = basis.groups[base.mask(len(basis.groups))]
        sigma = spread.from_ranges(basis.about[used])
    try:
        found = acceptance_plan(
            upper=feature.upper_um, lower=feature.lower_um, sigma=sigma,
            p_good=P_GOOD, p_bad=p_bad, alpha=alpha, beta=BETA, n=size,
        )  # fmt: skip
    except ValueError as error:
        return nothing(f"no acceptance limits: {error}")
    table = basis.series.deviation_um[basis.groups]
    chart = acceptance_chart(table, found)
    middle = np.full(len(table), found.center)
    drawn = Chart("mean", chart.values, middle, chart.lower, chart.upper, sigma, base)
    return grouped(
        basis, drawn, says=(*_risks(found, p_bad, alpha), *basis.dropped), presumes=(BY_SIZE,),
        levels=tuple(_levels(found, p_bad)),
    )  # fmt: skip


def _levels(found: AcceptancePlan, p_bad: float | None) -> Iterator[tuple[str, float]]:
    for side in (found.lower, found.upper):
        if side is not None:
            yield "acceptable", side.good
            if p_bad is not None:
                yield "rejectable", side.bad


def _risks(found: AcceptancePlan, p_bad: float | None, alpha: float) -> Iterator[str]:
    yield (
        "the chart tells whether parts may be made at this level, not whether it is steady: a "
        f"level that puts {100 * P_GOOD:.3g} % outside is called too far in {100 * alpha:.3g} % "
        f"of groups of {found.n}"
    )
    if p_bad is None:
        return
    side = found.upper or found.lower
    assert side is not None
    yield f"one that puts {100 * p_bad:.3g} % outside passes in {100 * side.beta:.0f} % of groups"
    needed = acceptance_plan(
        upper=0.0, sigma=1.0, p_good=P_GOOD, p_bad=p_bad, alpha=alpha, beta=BETA
    ).n
    if needed > found.n:
        yield f"a risk of {100 * BETA:.0f} % would take groups of {needed}"
