"""The dress cycles of one run as they were measured: what a dress does, wear by age, steps."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from spc.dress_cycles import BEGINNERS, DressCycle
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Series, series_of
from spc.wear_fit import FEWEST_CYCLES, FEWEST_PARTS, MeasuredCycle

#: Parts on either side of a dress that its step is told from while the way of a dress is unknown.
FEW = 3


@dataclass(frozen=True)
class DressWay:
    """
    What a dress does to the size: whether wear leaves it, whether offsets are taken back.

    `inferred`: the plan leaves something open, and the steps of the run decided.
    """

    resets_size: bool
    clears_offsets: bool
    inferred: bool = False


@dataclass(frozen=True, eq=False)
class CyclesOfRun:
    """
    One diameter by dress cycles.

    Attributes
    ----------
    way : DressWay
        What a dress does.
    series : Series
        The diameter with the offsets taken out as that way has them.
    cycles : tuple of DressCycle
        Of the run.
    measured : tuple of MeasuredCycle
        One for each of them, possibly empty; mirrored for a bore, so that wear goes up.
    """

    way: DressWay
    series: Series
    cycles: tuple[DressCycle, ...]
    measured: tuple[MeasuredCycle, ...]

    @property
    def known(self) -> list[int]:
        """Places of the cycles whose age somebody wrote down."""
        return [place for place, cycle in enumerate(self.cycles) if cycle.age_known]

    @property
    def known_to(self) -> int:
        """
        Oldest wheel, in parts since its dress, that the run tells of; 0: of none.

        At least `FEWEST_CYCLES` cycles were ground to it and measured to it, or to the last check
        before: what one long cycle alone shows is no band of 95 %.
        """
        every = usual_step(self.series)
        reached = sorted(
            min(self.cycles[place].parts, int(self.measured[place].ages.max()) + every)
            for place in self.known
            if len(self.measured[place]) >= FEWEST_PARTS
        )
        return reached[-FEWEST_CYCLES] if len(reached) >= FEWEST_CYCLES else 0


def cycles_of_run(
    run: Run, plan: Plan, lead: Feature, cycles: Sequence[DressCycle], *, last: int
) -> CyclesOfRun:
    """
    The cycles up to part `last`; a dress does what the plan says, else what the run shows.

    Notes
    -----
    Where the plan leaves open what a dress does, that is taken which leaves the smallest steps at
    the dresses (least squares over the few ways there are).
    """
    machine = plan.machine
    said = (machine.dress_resets_size, machine.dress_clears_offsets)
    ends = set(run.events["after_part"][run.events["kind"].isin(BEGINNERS)].tolist())
    sign = -1 if lead.kind == "bore" else 1

    def measured(clears: bool) -> tuple[Series, tuple[MeasuredCycle, ...]]:
        told = plan.model_copy(
            update={"machine": machine.model_copy(update={"dress_clears_offsets": clears})}
        )
        series = series_of(run, told, lead, cycles, first=1, last=last)
        found = []
        for place, cycle in enumerate(cycles):
            mine = series.cycle == place
            ages, bare = series.since_dress[mine], sign * series.bare_um[mine]
            found.append(MeasuredCycle(ages, bare, cycle.last_part in ends))
        return series, tuple(found)

    resets, clears = ((True, False) if each is None else (each,) for each in said)
    by_clears = {each: measured(each) for each in clears}
    options = [DressWay(*pair, inferred=None in said) for pair in product(resets, clears)]
    way = options[0]
    if len(options) > 1:
        sums = [_steps_square(cycles, by_clears[w.clears_offsets][1], w) for w in options]
        way = options[int(np.argmin(sums))]
    return CyclesOfRun(way, by_clears[way.clears_offsets][0], tuple(cycles),
                       by_clears[way.clears_offsets][1])  # fmt: skip


def steps_um(
    cycles: Sequence[DressCycle], levels_um: Sequence[float | None], worn_um: Sequence[float]
) -> dict[int, float]:
    """
    What each dress did to the level, by the place of the cycle that it began. [µm]

    Parameters
    ----------
    cycles : sequence of DressCycle, length n
        In order.
    levels_um : sequence of float or None, length n
        Level at which each begins, offsets taken out; None where it is not known.
    worn_um : sequence of float, length n
        Wear that stays in the size at its end: 0 where a dress takes the wear away.

    Notes
    -----
    A step lies between two cycles next to each other on one wheel: a change of wheel is no dress,
    and over a cycle of unknown level there may lie two.

    Examples
    --------
    >>> from spc.dress_cycles import dress_cycles
    >>> steps_um(dress_cycles(9, [3, 6], ["dress", "wheel"]), [1.0, 6.5, 2.0], [5.0, 5.0, 0.0])
    {1: 0.5}
    """
    found = {}
    for place in range(1, len(cycles)):
        before, after = levels_um[place - 1], levels_um[place]
        if cycles[place].begun_by == "dress" and before is not None and after is not None:
            found[place] = after - before - worn_um[place - 1]
    return found


def _steps_square(
    cycles: Sequence[DressCycle], measured: Sequence[MeasuredCycle], way: DressWay
) -> float:
    """Sum of squares of the steps by one way, told from the parts next to each dress."""
    told = [
        part.bare_um if cycle.age_known and len(part) >= FEW else None
        for cycle, part in zip(cycles, measured, strict=True)
    ]
    begins = [None if y is None else float(y[:FEW].mean()) for y in told]
    worn = [
        0.0 if y is None or way.resets_size else float(y[-FEW:].mean() - y[:FEW].mean())
        for y in told
    ]
    return float(np.square(list(steps_um(cycles, begins, worn).values())).sum())


def usual_step(series: Series) -> int:
    """The most frequent step between checks; extra looks after acts are shorter."""
    steps, counts = np.unique(np.diff(series.parts), return_counts=True)
    return int(steps[::-1][np.argmax(counts[::-1])]) if len(steps) else 1
