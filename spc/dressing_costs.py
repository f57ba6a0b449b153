"""What the dress cycles of one run say of the dress interval: from rows to cost per part."""

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.dress_cycles import DressCycle
from spc.errors import NotEnough
from spc.form_fit import FormGrowth
from spc.measured_cycles import CyclesOfRun, cycles_of_run, steps_um, usual_step
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Floats, Series, series_of
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
from spc.wheel.life import DressCosts, DressInterval, HeldSize, dress_costs, dress_interval

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
    A cycle costs its dress, one offset and a first part off by the step of the dress, then part by
    part what its size costs when offsets hold it against the drift of that age and the spread of
    that age, and what form and finish outside their limits cost. Readings cost the same whatever
    the interval and are not counted.
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
    held = held_size(plan, lead, every=1)
    found = cycles_of_run(run, plan, lead, cycles, last=last)
    known = found.known
    measured = [found.measured[place] for place in known]
    fit = CyclesFit(measured)
    every = usual_step(found.series)
    oldest = found.known_to
    grown = list(forms_of(run, plan, cycles, known, last))
    steps = dress_steps(found, fit)
    reckoned = _Reckoned(plan, lead, steps, replace(held, every=every), grown, oldest)
    random = np.random.default_rng(SEED)
    # Drawn one after the other, worked out all together.
    drawn = [reckoned.process(fit.drawn(random), random) for _ in range(REFITS)]
    best, *refits = reckoned.intervals([reckoned.process(fit.best, None), *drawn])
    told = dress_costs(
        best,
        refits,
        cycles=sum(len(cycle) >= FEWEST_PARTS and cycle.finished for cycle in measured),
        form=tuple(growth.name for growth in grown),
    )
    way = found.way
    return replace(told, resets_size=way.resets_size, clears_offsets=way.clears_offsets,
                   inferred=way.inferred)  # fmt: skip


class _Reckoned:
    """From a fit of the process, or a refit, to the cost against the interval."""

    def __init__(
        self,
        plan: Plan,
        lead: Feature,
        steps: Floats,
        held: HeldSize,
        grown: list["Form"],
        oldest: int,
    ) -> None:
        self._plan, self._held, self._grown = plan, held, grown
        self._gauge_sd = lead.gauge_sd_um
        self._ages = np.arange(1, oldest + 1)
        self._steps = steps

    def process(self, wear: WearFit, random: np.random.Generator | None) -> "_Process":
        """
        A process by one fit; with `random` steps and form are drawn, too.

        The mean square of k normal steps has the spread of a scaled chi-square. Neighbours share a
        level, so that their squares correlate by 1/4: k steps are worth k/1.5 independent ones.
        """
        square = float((self._steps**2).mean())
        if random is not None:
            freedom = len(self._steps) / 1.5
            square *= freedom / random.chisquare(freedom)
        form = np.zeros(len(self._ages))
        for each in self._grown:
            form += each.outside(self._ages, random)
        return _Process(wear, math.sqrt(square), form)

    def intervals(self, processes: Sequence["_Process"]) -> list[DressInterval]:
        """The cost by each process."""
        held, cost = self._held, self._plan.cost
        sds = np.array([one.wear.sd_um for one in processes])
        off = [math.hypot(one.wear.sd_um, one.step_um) for one in processes]
        first = held.expected(held.target, off) - held.expected(held.target, sds)
        return [
            dress_interval(
                sizes + cost.rework * one.form, cost.dress + held.offset + float(beginning)
            )
            for one, sizes, beginning in zip(processes, self._size_costs(processes), first,
                                             strict=True)
        ]  # fmt: skip

    def _size_costs(self, processes: Sequence["_Process"]) -> list[Floats]:
        """Cost of size at each age: few ages are reckoned, those between lie on a line."""
        ages = self._ages
        some = np.unique(np.linspace(1, ages[-1], min(len(ages), 12)).round().astype(int))
        spread, drift = [], []
        for wear in (one.wear for one in processes):
            single = wear.sd_at(some) ** 2
            own = np.maximum(single - self._gauge_sd**2, single / 5)
            level = single / _LEVEL_READINGS + wear.wave_sd_um**2
            spread.append(np.sqrt(own + level))
            drift.append(wear.curve_um(some + 0.5) - wear.curve_um(some - 0.5))
        costs = self._held.part_costs(np.concatenate(spread), np.concatenate(drift))
        return [np.interp(ages, some, own) for own in costs.reshape(len(processes), -1)]


@dataclass(frozen=True, eq=False)
class _Process:
    """Wear, what a dress does to the size, and the share out of form at each age."""

    wear: WearFit
    step_um: float
    form: Floats


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


def held_size(plan: Plan, lead: Feature, *, every: int) -> HeldSize:
    """
    Limits of the lead diameter, mirrored for a bore, and what being off costs.

    Raises
    ------
    NotEnough
        With one limit only: nothing tells what lies short of it.
    """
    lower, upper, target = lead.lower_um, lead.upper_um, lead.target_um
    if lower is None or upper is None or target is None:
        raise NotEnough(f"{lead.name} has one limit only, and costs need two")
    cost = plan.cost
    if lead.kind == "bore":
        lower, upper, target = -upper, -lower, -target
    return HeldSize(
        lower=lower, upper=upper, target=target, below=cost.scrap, above=cost.rework,
        off_target=cost.off_target_loss, offset=cost.offset, every=every,
    )  # fmt: skip


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
