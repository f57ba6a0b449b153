"""What a run tells a replay: dress cycles with their readings, what was done, what it is worth."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from spc.dressing_costs import Form, forms_of, usual_step
from spc.errors import NotEnough, SpcError
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Series, series_of
from spc.wear_fit import CyclesFit, Floats, MeasuredCycle, split
from spc.wheel.cycles import BEGINNERS, DressCycle, dress_cycles, register

#: Events a replay does not carry to other ways: what they did stays in the levels of the cycles.
_NOT_CARRIED = ("swivel", "batch", "coolant", "master")


@dataclass(frozen=True)
class Worth:
    """Limits of the lead diameter and what parts and acts cost; sizes mirrored, wear upward."""

    sign: int
    lower_um: float
    upper_um: float
    target_um: float
    below: float
    above: float
    off_target: float
    dress: float
    offset: float
    measure: float
    stop: float
    form: float  # a part with form or finish outside

    def of_parts(self, sizes_um: Floats) -> Floats:
        """What each part costs by its size, shape of the sizes."""
        reach = max(self.upper_um - self.target_um, self.target_um - self.lower_um)
        return np.asarray(
            self.off_target * ((sizes_um - self.target_um) / reach) ** 2
            + self.below * (sizes_um < self.lower_um)
            + self.above * (sizes_um > self.upper_um)
        )

    def outside(self, sizes_um: Floats) -> Floats:
        """1 for each part outside its limits."""
        return np.asarray((sizes_um < self.lower_um) | (sizes_um > self.upper_um), dtype=float)


@dataclass(frozen=True)
class DressWay:
    """What a dress does to the size: whether wear leaves it, whether offsets are taken back."""

    resets_size: bool
    clears_offsets: bool


@dataclass(frozen=True, eq=False)
class Recorded:
    """
    One run as a replay needs it, from its first dress on.

    Attributes
    ----------
    cycles : tuple of MeasuredCycle
        One for each dress cycle, possibly empty; levels mirrored so that wear goes up.
    made : tuple of int
        Parts ground in each cycle.
    moves_um : ndarray, shape (parts,)
        Offset in force at each part, mirrored.
    readings, offsets, dresses : int
        What was done besides grinding.
    known_to : int
        Oldest wheel, in parts since its dress, that this run tells of.
    every : int
        Usual number of parts from one check to the next.
    forms : tuple of Form
        Form and finish whose growth with age the run tells of.
    """

    plan: Plan
    lead: Feature
    worth: Worth
    way: DressWay
    first_part: int
    cycles: tuple[MeasuredCycle, ...]
    made: tuple[int, ...]
    moves_um: Floats
    readings: int
    offsets: int
    dresses: int
    known_to: int
    every: int
    beyond_um: float
    fit: CyclesFit
    forms: tuple[Form, ...]
    remarks: tuple[str, ...]

    @property
    def parts(self) -> int:
        """Parts ground from the first dress to the end of the run."""
        return sum(self.made)

    @property
    def usual_dress(self) -> int:
        """Middle number of parts per dress of the cycles that were finished."""
        return int(
            np.median([n for n, c in zip(self.made, self.cycles, strict=True) if c.finished])
        )


def recorded(run: Run, plan: Plan) -> Recorded:
    """
    The run from its first dress on, with the process fitted to it.

    Raises
    ------
    SpcError
        When the plan has no diameter or bore with limits, or a gauge in the process.
    NotEnough
        Below three finished dress cycles, or with one limit only.
    """
    lead = _lead(plan)
    worth = _worth(plan, lead)
    begun, cycles = _cycles(run)
    way, remarks = _way(run, plan, lead, cycles)
    series = _series(run, plan, lead, cycles, way)
    events = run.events
    at_end = bool((events["after_part"][events["kind"].isin(BEGINNERS)] == run.made).any())
    measured = tuple(_measured(series, cycles, worth.sign, ended=at_end))
    known = [m for c, m in zip(cycles, measured, strict=True) if c.first_part > begun]
    fit = CyclesFit(known)
    own = [c for c in cycles if c.first_part > begun]
    numbers = [place for place, c in enumerate(cycles) if c.first_part > begun]
    forms = tuple(forms_of(run, plan, cycles, numbers, run.made))
    moves = register(
        np.arange(begun + 1, run.made + 1),
        events["after_part"].to_numpy(),
        np.nan_to_num(events["amount_um"].to_numpy(dtype=float)),
        events["kind"].tolist(),
        clears=way.clears_offsets,
    )
    inside = (events["after_part"] > begun) & (events["after_part"] < run.made)
    rows = run.measurements
    every = usual_step(series)
    mine = (rows["feature"] == lead.name) & (rows["part"] > begun)
    return Recorded(
        plan=plan,
        lead=lead,
        worth=worth,
        way=way,
        first_part=begun + 1,
        cycles=tuple(_without_slips(fit, cycle) for cycle in known),
        made=tuple(cycle.parts for cycle in own),
        moves_um=worth.sign * moves,
        readings=int(mine.sum()),
        offsets=int((inside & (events["kind"] == "offset")).sum()),
        dresses=len(own) - 1,
        known_to=min(max(cycle.parts for cycle in own), fit.longest + every),
        every=every,
        beyond_um=_beyond(run, lead, series, begun, worth.sign * worth.target_um),
        fit=fit,
        forms=forms,
        remarks=(
            *(f"{form.name} is replayed by what age does to it" for form in forms),
            *remarks,
            *_left_out(run, plan, {lead.name, *(f.name for f in forms)}, begun, fit),
        ),
    )


def _lead(plan: Plan) -> Feature:
    lead = plan.lead
    if lead is None or (lead.upper_um is None and lead.lower_um is None):
        raise SpcError(
            f"{plan.source}: a replay needs a diameter or bore with limits; the plan has none"
        )
    if plan.machine.in_process_gauge:
        raise SpcError(
            f"{plan.source}: machine.in_process_gauge is true; offsets act on that gauge, "
            "and a replay of the wheel cannot be made from its sizes"
        )
    return lead


def _worth(plan: Plan, lead: Feature) -> Worth:
    cost, sign = plan.cost, -1 if lead.kind == "bore" else 1
    if lead.lower_um is None or lead.upper_um is None or lead.target_um is None:
        # A fixed rule would have nothing to correct towards but the limit itself.
        raise NotEnough(f"{lead.name} has one limit only, and costs need two")
    lower, upper = sorted((sign * lead.lower_um, sign * lead.upper_um))
    return Worth(
        sign=sign, lower_um=lower, upper_um=upper, target_um=sign * lead.target_um,
        below=cost.scrap, above=cost.rework, off_target=cost.off_target_loss,
        dress=cost.dress, offset=cost.offset, measure=cost.measure, stop=cost.machine_minute,
        form=cost.rework,
    )  # fmt: skip


def _cycles(run: Run) -> tuple[int, tuple[DressCycle, ...]]:
    """Part after which the first dress of the last wheel stands, and the cycles of the run."""
    events = run.events
    after, kinds = events["after_part"].to_numpy(dtype=int), events["kind"].tolist()
    wheels = [int(a) for a, k in zip(after, kinds, strict=True) if k == "wheel"]
    dresses = [int(a) for a, k in zip(after, kinds, strict=True) if k == "dress"]
    since = [a for a in dresses if a >= max(wheels, default=0)]
    cycles = dress_cycles(run.made, after, kinds)
    if not since:
        known = "since its last wheel change" if wheels else ""
        raise NotEnough(
            f"this run tells of no dress {known}".rstrip()
            + "; log dresses beside the readings, at least 3 finished dress cycles are needed"
        )
    return min(since), cycles


def _series(
    run: Run, plan: Plan, lead: Feature, cycles: tuple[DressCycle, ...], way: DressWay
) -> Series:
    machine = plan.machine.model_copy(update={"dress_clears_offsets": way.clears_offsets})
    told = plan.model_copy(update={"machine": machine})
    return series_of(run, told, lead, cycles, first=1, last=run.made)


def _measured(
    series: Series, cycles: tuple[DressCycle, ...], sign: int, *, ended: bool = False
) -> Iterator[MeasuredCycle]:
    for place in range(len(cycles)):
        mine = series.cycle == place
        finished = place + 1 < len(cycles) or ended
        yield MeasuredCycle(series.since_dress[mine], sign * series.bare_um[mine], finished)


def _way(
    run: Run, plan: Plan, lead: Feature, cycles: tuple[DressCycle, ...]
) -> tuple[DressWay, tuple[str, ...]]:
    """What a dress does: by the plan, else whatever leaves the smallest steps at the dresses."""
    machine = plan.machine
    said = (machine.dress_resets_size, machine.dress_clears_offsets)
    options = [
        DressWay(resets, clears)
        for resets, clears in product(*((True, False) if s is None else (s,) for s in said))
    ]
    if len(options) == 1:
        return options[0], ()
    sums = [
        steps_square(
            tuple(_measured(_series(run, plan, lead, cycles, w), cycles, 1)), w.resets_size
        )
        for w in options
    ]
    way = options[int(np.argmin(sums))]
    return way, (
        "the plan does not say all that a dress does; taken from the steps of this run: wear "
        f"{'leaves' if way.resets_size else 'stays in'} the size, the control "
        f"{'takes back' if way.clears_offsets else 'keeps'} the offsets of a cycle",
    )


def steps_square(cycles: tuple[MeasuredCycle, ...], resets_size: bool) -> float:
    """Sum of squares of the steps from cycle to cycle, told from three parts on either side."""
    told = [cycle.bare_um for cycle in cycles if len(cycle) >= FEW]
    before = [y[:FEW] if resets_size else y[-FEW:] for y in told[:-1]]
    steps = [float(b[:FEW].mean() - a.mean()) for a, b in zip(before, told[1:], strict=True)]
    return float(np.square(steps).sum())


#: Parts on either side of a dress that its step is told from.
FEW = 3


def _without_slips(fit: CyclesFit, cycle: MeasuredCycle) -> MeasuredCycle:
    if not len(cycle):
        return cycle
    single, _ = split(fit.best, cycle)
    good = np.abs(single) <= 5 * fit.best.sd_at(cycle.ages)
    return replace(cycle, ages=cycle.ages[good], bare_um=cycle.bare_um[good])


def _beyond(run: Run, lead: Feature, series: Series, begun: int, target: float) -> float:
    """
    Distance from target beyond which this run was corrected.

    It lies where the fewest readings are on the wrong side: corrected below it, or left above it.
    Half of the way to the nearer limit when fewer than three offsets followed a reading.
    """
    events = run.events
    moved = set(events["after_part"][events["kind"] == "offset"].tolist())
    dressed = set(events["after_part"][events["kind"].isin(("dress", "wheel"))].tolist())
    judged = np.array([p > begun and p not in dressed for p in series.parts.tolist()], dtype=bool)
    away = np.abs(series.deviation_um[judged] - target)
    acted = np.array([p in moved for p in series.parts[judged].tolist()], dtype=bool)
    if acted.sum() < FEW:
        lower, upper = lead.guarded_um
        near = min(abs(upper - target), abs(target - lower))
        return near / 2 if math.isfinite(near) and near > 0 else 1.0
    edges = np.unique(away)
    wrong = [int((acted != (away > edge)).sum()) for edge in edges]
    return float(edges[int(np.argmin(wrong))])


def _left_out(run: Run, plan: Plan, told: set[str], begun: int, fit: CyclesFit) -> Iterator[str]:
    if begun:
        yield (
            f"parts 1 to {begun} are left out: how long the wheel had worked before the first "
            "dress nobody wrote down"
        )
    if fit.slips:
        yield f"{fit.slips} readings far from the wear of their cycle are left out as slips"
    events = run.events
    kinds = sorted({k for k in events["kind"][events["after_part"] > begun] if k in _NOT_CARRIED})
    if kinds:
        yield (f"what {' and '.join(kinds)} did stays with the dress cycle in which it happened")
    others = [f.name for f in plan.measured_features if f.name not in told]
    if others:
        yield f"{', '.join(others)}: not replayed; a dress may have been asked for earlier"
