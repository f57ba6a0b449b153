"""Who contends on shafts: any adviser that is told and asked as the contract says."""

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from spc.adviser.adviser import Advisor
from spc.plan import Plan
from tests.bench import shaft_rules
from tests.bench.score import MOST_ACTS, Bench, Played
from tests.bench.shaft_full import cost_of_full_knowledge
from tests.bench.shaft_machine import READINGS, ShaftMachine, ShaftNoise
from tests.bench.shafts import Seat, Shaft

#: What a plan calls the registers.
REGISTERS = ("A", "B", "C", "D")


class ShaftByContract:
    """An adviser of a shaft and an operator who does all it says; stops and checks find nothing."""

    def __init__(self, shaft: Shaft, make: Callable[[Plan], Any] = Advisor) -> None:
        self.advisor = make(plan_of(shaft))
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
        self.advisor.event("offset", um=um, register=REGISTERS[register])

    def act(self) -> Any:
        """The advice of an adviser who was answered whatever it asked."""
        advice = self.advisor.advise()
        if advice.action in ("hold", "check", "swivel"):
            self.advisor.event("cleared" if advice.action == "hold" else "master")
            advice = self.advisor.advise()
        return advice

    def seats(self, subject: str) -> list[int]:
        """Seats that are read again when a part is in doubt."""
        return [self.names.index(subject)] if subject in self.names else [0]


def name_of(seat: int) -> str:
    """A seat as the plan names it."""
    return f"seat {seat + 1}"


def plan_of(shaft: Shaft, habit: int | None = None) -> Plan:
    """What a plan tells of a shaft; None: without a habit."""
    scene = shaft.scene
    return Plan.model_validate(
        {
            "job": {"part": "Invented shaft", "minutes_per_part": 1.0},
            "feature": [_feature(shaft, k, seat) for k, seat in enumerate(shaft.seats)],
            "machine": {
                "offset_step_um": scene.offset_step, "dress_resets_size": True,
                "dress_clears_offsets": scene.clears,
            },
            "wheel": {"parts_per_dress": habit} if habit else {},
            "cost": {
                "scrap": scene.scrap, "rework": scene.rework, "dress": scene.dress,
                "offset": scene.offset, "measure": scene.measure, "off_target": scene.off_target,
            },
        }
    )  # fmt: skip


def _feature(shaft: Shaft, k: int, seat: Seat) -> dict[str, Any]:
    limit = seat.half_width / 1000
    return {
        "name": name_of(k), "kind": "diameter", "nominal": 40.0 + 5 * k, "upper": limit,
        "lower": -limit, "gauge_sd_um": shaft.scene.gauge_sd, "lead": k == 0,
        "gauge_step_um": shaft.scene.gauge_step, "sample": seat.every,
        "register": REGISTERS[seat.register],
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
            r = REGISTERS.index(advice.register)
            where = here[:, None] & (np.arange(machine.shaft.registers) == r)
            typed = machine.offset(np.full(where.shape, advice.offset_um), where)
            one.moved(r, float(typed[lane, r]))
    return True


SEVERAL = Bench(play, shaft_rules.cost_of_tuned, cost_of_full_knowledge)
SHAFT_MAKERS: dict[str, Callable[[Shaft], Any]] = {
    "adviser": ShaftByContract,
    "full": ShaftByContract,
}
