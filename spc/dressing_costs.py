"""What the dress cycles of one run say of the dress interval: from rows to cost per part."""

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from spc.adviser.frame import Frame, true_stakes
from spc.adviser.loss import Stakes
from spc.dress_cycles import DressCycle
from spc.dress_interval import DressCosts, cycle_costs, dress_costs
from spc.errors import NotEnough
from spc.form_fit import FormGrowth
from spc.measured_cycles import CyclesOfRun, cycles_of_run, steps_um, usual_step
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Floats, Ints, Series, series_of
from spc.wear_fit import (
    FEWEST_PARTS,
    MOST_CYCLES,
    MOST_PARTS,
    CyclesFit,
    WearFit,
    split,
    thinned,
    without_slips,
)

#: Refits that the bounds come from, and the seed of their weights: equal runs, equal pages.
REFITS, SEED = 99, 20
#: Readings that a level is known from when an offset is made (our choice).
_LEVEL_READINGS = 3


def dressing_costs(
    run: Run, plan: Plan, cycles: Sequence[DressCycle], *, last: int
) -> DressCosts | None:
    """
    Cost per part against the dress interval, from the cycles up to part `last`.

    Returns
    -------
    DressCosts or None
        None without a lead diameter; with `not_enough` below three finished cycles.

    Notes
    -----
    A cycle costs its dress, one offset and a first part off by the step of the dress, then what the
    sizes cost when offsets hold them against the wear, and what form and finish outside their
    limits cost. Readings cost the same whatever the interval and are not counted.
    """
    lead = plan.lead
    if lead is None:
        return None
    try:
        return _costs(run, plan, lead, cycles, last)
    except NotEnough as too_little:
        return DressCosts(not_enough=str(too_little))


def _costs(
    run: Run, plan: Plan, lead: Feature, cycles: Sequence[DressCycle], last: int
) -> DressCosts:
    if plan.machine.in_process_gauge:
        raise NotEnough("offsets act on a gauge in the process, which hides the wear")
    if not any((plan.cost.dress, plan.cost.scrap, plan.cost.rework, plan.cost.off_target_loss)):
        raise NotEnough("the plan's costs are all zero")
    frame, stakes = at_stake(plan, lead)
    found = cycles_of_run(run, plan, lead, cycles, last=last)
    known = found.known
    measured = [found.measured[place] for place in known]
    fit = CyclesFit(measured)
    grown = list(forms_of(run, plan, cycles, known, last))
    steps = dress_steps(found, fit)
    random = np.random.default_rng(SEED)
    wears = [fit.best, *(fit.drawn(random) for _ in range(REFITS))]
    ages = np.arange(1, found.known_to + 1)
    totals = _size_costs(wears, _step_sds(steps, random), ages, lead, frame, stakes,
                         usual_step(found.series))  # fmt: skip
    for form in grown:
        outside = [form.outside(ages, None), *(form.outside(ages, random) for _ in range(REFITS))]
        totals += plan.cost.rework * np.cumsum(outside, axis=1)
    told = dress_costs(
        totals,
        cycles=sum(len(cycle) >= FEWEST_PARTS and cycle.finished for cycle in measured),
        form=tuple(growth.name for growth in grown),
    )
    return replace(told, **asdict(found.way))


def _step_sds(steps_um: Floats, random: np.random.Generator) -> Floats:
    """
    Size of the steps at dresses as seen, and again as often as it may have been otherwise. [µm]

    The mean square of k normal steps has the spread of a scaled chi-square. Neighbours share a
    level, so that their squares correlate by 1/4: k steps are worth k/1.5 independent ones.
    """
    freedom = len(steps_um) / 1.5
    drawn = freedom / random.chisquare(freedom, REFITS)
    return np.asarray(np.sqrt((steps_um**2).mean() * np.append(1.0, drawn)))


def _size_costs(
    wears: Sequence[WearFit],
    steps_um: Floats,
    ages: Ints,
    lead: Feature,
    frame: Frame,
    stakes: Stakes,
    every: int,
) -> Floats:
    """Cost of the sizes of a cycle by age and by each fit, shape (fits, ages)."""
    single = np.stack([wear.sd_at(ages) for wear in wears]) ** 2
    own = np.maximum(single - lead.gauge_sd_um**2, single / 5)
    wave = np.array([wear.wave_sd_um**2 for wear in wears])
    spread = np.sqrt(own + single / _LEVEL_READINGS + wave[:, None])
    first = np.sqrt(own[:, 0] + steps_um**2)
    levels = np.stack([wear.curve_um(ages) for wear in wears])
    half = frame.half_um
    return cycle_costs(levels / half, spread / half, first / half, stakes, every=every)


def at_stake(plan: Plan, lead: Feature) -> tuple[Frame, Stakes]:
    """
    Limits of the lead diameter in half widths, wear upward, and what being off costs.

    Raises
    ------
    NotEnough
        With one limit only: nothing tells what lies short of it.
    """
    if lead.lower_um is None or lead.upper_um is None or lead.target_um is None:
        raise NotEnough(f"{lead.name} has one limit only, and costs need two")
    return true_stakes(plan, lead)


def dress_steps(found: CyclesOfRun, fit: CyclesFit) -> Floats:
    """
    What the dresses did to the level, wear that a dress takes or leaves apart, shape (k,). [µm]

    Raises
    ------
    NotEnough
        When no two cycles next to each other were measured.
    """
    pairs = [
        place
        for place in range(1, len(found.cycles))
        if all(
            found.cycles[k].age_known and len(found.measured[k]) >= FEWEST_PARTS
            for k in (place - 1, place)
        )
    ]
    kept = pairs[:: max(1, -(-len(pairs) // MOST_CYCLES))]
    levels: list[float | None] = [None] * len(found.cycles)
    worn = [0.0] * len(found.cycles)
    for place in sorted({k for pair in kept for k in (pair - 1, pair)}):
        cycle = without_slips(fit.best, thinned(found.measured[place], MOST_PARTS))
        if len(cycle):
            own = split(fit.best, cycle)
            levels[place] = own.level_um
            if not found.way.resets_size:
                age = found.cycles[place].parts
                worn[place] = float(fit.best.curve_um(age)) + own.drift_um * age
    steps = steps_um(found.cycles, levels, worn)
    if not steps:
        raise NotEnough("no two dress cycles next to each other tell what a dress does to the size")
    return np.array(list(steps.values()))


@dataclass(frozen=True)
class Form:
    """
    A feature of form or finish with its limit, and what age does to it.

    In `series` what reads zero stands at half a step of the gauge, or of the least value read.
    """

    name: str
    limit_um: float
    series: Series
    growth: FormGrowth

    def outside(self, ages: np.ndarray, random: np.random.Generator | None) -> Floats:
        """Share of parts outside at each age; with `random` the cycles are weighed at random."""
        fit = self.growth.best if random is None else self.growth.drawn(random)
        return fit.outside(ages, self.limit_um)


def forms_of(
    run: Run, plan: Plan, cycles: Sequence[DressCycle], known: Sequence[int], last: int
) -> Iterator[Form]:
    """Form and finish whose growth with age the cycles `known` (from 0) tell of."""
    for feature in plan.features:
        limit = feature.upper_um
        if not feature.zero_bounded or limit is None or limit <= 0:
            continue
        series = series_of(run, plan, feature, cycles, first=1, last=last)
        # What reads zero is below half a step: left out, it would make young wheels look dull.
        seen = series.deviation_um > 0
        if not seen.any():
            continue
        step = min(feature.gauge_step_um or math.inf, float(series.deviation_um[seen].min()))
        read = np.where(seen, series.deviation_um, step / 2)
        series = replace(series, deviation_um=read)
        mine = np.isin(series.cycle, known)
        with contextlib.suppress(NotEnough):
            values = series.deviation_um[mine]
            growth = FormGrowth(series.since_dress[mine], values, series.cycle[mine])
            yield Form(feature.name, limit, series, growth)
