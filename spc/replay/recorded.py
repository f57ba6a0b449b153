"""What a run tells a replay: dress cycles with their readings, what was done, what it is worth."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spc.adviser.frame import Frame
from spc.adviser.loss import Stakes
from spc.dress_cycles import DressCycle, dress_cycles, register
from spc.dressing_costs import Form, at_stake, forms_of
from spc.errors import NotEnough, SpcError
from spc.measured_cycles import DressWay, cycles_of_run, usual_step
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Series
from spc.wear_fit import CyclesFit, Floats, MeasuredCycle, enough, without_slips

#: Events a replay does not carry to other ways: what they did stays in the levels of the cycles.
_NOT_CARRIED = ("swivel", "batch", "coolant", "master")
#: Offsets below which they do not tell at what distance this run was corrected (our choice).
FEWEST_OFFSETS = 3


@dataclass(frozen=True, eq=False)
class Recorded:
    """
    One run as a replay needs it, from its first dress on.

    Attributes
    ----------
    frame, stakes : Frame, Stakes
        The lead diameter in half widths, and what being off costs.
    cycles : tuple of MeasuredCycle
        One for each dress cycle, possibly empty; levels mirrored so that wear goes up.
    dressed : tuple of DressCycle
        Where each begins and ends.
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
    frame: Frame
    stakes: Stakes
    way: DressWay
    first_part: int
    cycles: tuple[MeasuredCycle, ...]
    dressed: tuple[DressCycle, ...]
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
    def made(self) -> tuple[int, ...]:
        """Parts ground in each cycle."""
        return tuple(cycle.parts for cycle in self.dressed)

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
    # Refused before anything is fitted; the interval of checks is the policies' own.
    frame, stakes = at_stake(plan, lead)
    begun, cycles = _cycles(run)
    found = cycles_of_run(run, plan, lead, cycles, last=run.made)
    own = [place for place, cycle in enumerate(cycles) if cycle.first_part > begun]
    # An earlier wheel tells of wear, too, but is not ground again.
    enough([found.measured[place] for place in own])
    fit = CyclesFit([found.measured[place] for place in found.known])
    way, series, events = found.way, found.series, run.events
    forms = tuple(forms_of(run, plan, cycles, found.known, run.made))
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
        frame=frame,
        stakes=stakes,
        way=way,
        first_part=begun + 1,
        cycles=tuple(without_slips(fit.best, found.measured[place]) for place in own),
        dressed=tuple(cycles[place] for place in own),
        moves_um=frame.sign * moves,
        readings=int(mine.sum()),
        offsets=int((inside & (events["kind"] == "offset")).sum()),
        dresses=len(own) - 1,
        known_to=found.known_to,
        every=every,
        beyond_um=_beyond(run, lead, series, begun, frame.target_um),
        fit=fit,
        forms=forms,
        remarks=(
            *(f"{form.name} is replayed by what age does to it" for form in forms),
            *_inferred(way),
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


def _inferred(way: DressWay) -> Iterator[str]:
    if way.inferred:
        yield (
            "the plan does not say all that a dress does; taken from the steps of this run: wear "
            f"{'leaves' if way.resets_size else 'stays in'} the size, the control "
            f"{'takes back' if way.clears_offsets else 'keeps'} the offsets of a cycle"
        )


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
    if acted.sum() < FEWEST_OFFSETS:
        lower, upper = lead.guarded_um
        near = min(abs(upper - target), abs(target - lower))
        return near / 2 if math.isfinite(near) and near > 0 else 1.0
    edges = np.unique(away)
    wrong = [int((acted != (away > edge)).sum()) for edge in edges]
    return float(edges[int(np.argmin(wrong))])


def _left_out(run: Run, plan: Plan, told: set[str], begun: int, fit: CyclesFit) -> Iterator[str]:
    if begun and (run.events["kind"] == "wheel").any():
        yield (
            f"parts 1 to {begun} are not ground again, as they come before the first dress of the "
            "last wheel; what is known of their wear counts"
        )
    elif begun:
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
