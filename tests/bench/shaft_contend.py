"""Who contends on shafts: any adviser that is told and asked as the contract says."""

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from spc.adviser.adviser import Advisor
from spc.feature import Feature
from spc.plan import Plan
from tests.bench import shaft_rules
from tests.bench.score import MOST_ACTS, Bench, Played
from tests.bench.shaft_full import cost_of_full_knowledge
from tests.bench.shaft_machine import READINGS, ShaftMachine, ShaftNoise
from tests.bench.shafts import Seat, Shaft

#: What a plan that knows registers calls them.
REGISTERS = ("A", "B", "C", "D")
#: Whether a plan tells which register moves a feature.
TOLD = "moved_by" in Feature.model_fields


class ShaftByContract:
    """
    An adviser of a shaft, with an operator who does what it says; stops and checks find nothing.

    An offset without the name of a register is made on every one of them: whoever cannot be told
    of several steers as if there were one.
    """

    def __init__(self, shaft: Shaft, make: Callable[[Plan], Any] = Advisor) -> None:
        self.advisor = make(plan_of(shaft))
        self.shaft = shaft
        self.tells = TOLD and isinstance(self.advisor, Advisor)
        self.names = [name_of(k) for k in range(len(shaft.seats))]

    def part(self) -> None:
        self.advisor.part()

    def reading(self, seat: int, um: float) -> None:
        self.advisor.reading(self.names[seat], um)

    def pause(self, minutes: float) -> None:
        self.advisor.event("pause", minutes=minutes)

    def dressed(self) -> None:
        self.advisor.event("dress")

    def moved(self, register: int, um: float) -> None:
        if self.tells:
            self.advisor.event("offset", um=um, register=REGISTERS[register])
        else:
            self.advisor.event("offset", um=um)

    def act(self) -> Any:
        """The advice of an adviser who was answered whatever it asked."""
        advice = self.advisor.advise()
        if advice.action in ("hold", "check", "swivel"):
            self.advisor.event("cleared" if advice.action == "hold" else "master")
            advice = self.advisor.advise()
        return advice

    def registers(self, advice: Any) -> list[int]:
        """Registers that an advised offset moves."""
        if self.tells and advice.register in REGISTERS:
            return [REGISTERS.index(advice.register)]
        return list(range(self.shaft.registers))

    def seats(self, subject: str) -> list[int]:
        """Seats that are read again when a part is in doubt."""
        return [self.names.index(subject)] if subject in self.names else [0]


def name_of(seat: int) -> str:
    """A seat as the plan names it."""
    return f"seat {seat + 1}"


def plan_of(shaft: Shaft) -> Plan:
    """What a plan tells of a shaft; no habit."""
    scene = shaft.scene
    return Plan.model_validate(
        {
            "job": {"part": "Invented shaft", "minutes_per_part": 1.0},
            "feature": [_feature(shaft, k, seat) for k, seat in enumerate(shaft.seats)],
            "machine": {
                "offset_step_um": scene.offset_step, "dress_resets_size": True,
                "dress_clears_offsets": scene.clears,
            },
            "cost": {
                "scrap": scene.scrap, "rework": scene.rework, "dress": scene.dress,
                "offset": scene.offset, "measure": scene.measure, "off_target": scene.off_target,
            },
        }
    )  # fmt: skip


def _feature(shaft: Shaft, k: int, seat: Seat) -> dict[str, Any]:
    limit = seat.half_width / 1000
    told = {"register": REGISTERS[seat.register]} if TOLD else {}
    return {
        "name": name_of(k), "kind": "diameter", "nominal": 40.0 + 5 * k, "upper": limit,
        "lower": -limit, "gauge_sd_um": shaft.scene.gauge_sd, "lead": k == 0,
        "gauge_step_um": shaft.scene.gauge_step, "sample": seat.every, **told,
    }  # fmt: skip


def play(
    shaft: Shaft,
    seeds: list[int],
    parts: int,
    make: Callable[[], ShaftByContract],
    watch: Callable[[ShaftByContract, ShaftMachine, int], None] | None = None,
) -> Played:
    """
    A contender of its own on every seed of a shaft.

    Parameters
    ----------
    shaft : Shaft
        The process.
    seeds : list of int
        Runs.
    parts : int
        Length of each.
    make : callable
        A new contender.
    watch : callable, optional
        Shown contender, machine and lane after every part that was read, when all was done.
    """
    lanes = len(seeds)
    noise = ShaftNoise(shaft, seeds, parts)
    machine = ShaftMachine(noise, np.arange(lanes))
    ones = [make() for _ in seeds]
    every = np.array([seat.every for seat in shaft.seats])
    asked = np.ones(lanes, dtype=bool)
    spent = 0.0
    for k in range(parts):
        machine.part()
        scheduled = np.broadcast_to(k % every == 0, (lanes, len(every)))
        read = scheduled | asked[:, None]
        machine.pay_reading(read & ~scheduled)
        first = machine.measure()
        start = time.process_time()
        for i, one in enumerate(ones):
            if shaft.told and noise.pause[i, k]:
                one.pause(float(noise.pause[i, k]))
            one.part()
            for f in np.flatnonzero(read[i]):
                one.reading(int(f), float(first[i, f]))
            if read[i].any():
                asked[i] = settle(one, machine, i)
                if watch is not None:
                    watch(one, machine, i)
        spent += time.process_time() - start
    return Played(
        machine.cost / parts,
        *(float(v.mean() / parts) for v in (machine.out, machine.dresses, machine.offsets)),
        extra=float(machine.extra.mean() / parts),
        ms=1e3 * spent / parts / lanes,
    )


def settle(one: ShaftByContract, machine: ShaftMachine, lane: int) -> bool:
    """Do what is advised until it says to grind on; whether the next part is to be read."""
    here = np.arange(machine.lanes) == lane
    again = np.zeros(len(one.names), dtype=int)
    for _ in range(MOST_ACTS + machine.shaft.registers):
        advice = one.act()
        if advice.action == "measure_again":
            for f in one.seats(advice.subject):
                again[f] = min(again[f] + 1, READINGS - 1)
                where = here[:, None] & (np.arange(len(again)) == f)
                machine.pay_reading(where)
                one.reading(f, float(machine.measure(again=int(again[f]))[lane, f]))
            continue
        if advice.action == "dress":
            machine.dress(here)
            one.dressed()
        elif advice.action != "offset":
            return bool(advice.measure_after == 1)
        if advice.offset_um:
            moved = one.registers(advice)
            where = here[:, None] & np.isin(np.arange(machine.shaft.registers), moved)
            typed = machine.offset(np.full(where.shape, advice.offset_um), where)
            one.moved(moved[0], float(typed[lane, moved[0]]))
    return True


SEVERAL = Bench(play, shaft_rules.cost_of_tuned, cost_of_full_knowledge)
SHAFT_MAKERS: dict[str, Callable[[Shaft], Any]] = {
    "adviser": ShaftByContract,
    "full": ShaftByContract,
}
