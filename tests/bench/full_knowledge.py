"""What full knowledge would cost: the true level, this wheel's own curve, no readings."""

from dataclasses import replace

import numpy as np

from spc.adviser.loss import Stakes
from spc.simulate.reference import BestActs, Outlook
from tests.bench.families import Scene
from tests.bench.machine import Machine, Noise

#: Farthest look ahead from a fresh wheel. [lives, parts]
_LIVES, _PARTS = 2.2, 900
#: Halvings of the bracket of the rate.
_ROUNDS = 9


def cost_of_full_knowledge(scene: Scene, seeds: list[int], parts: int) -> np.ndarray:
    """
    Expected cost a part on each seed.

    Parameters
    ----------
    scene : Scene
        The process.
    seeds : list of int
        Runs.
    parts : int
        Length of each.
    """
    usual = replace(scene, life_log_sd=0.0, wear_log_sd=0.0)
    machine = Machine(Noise(usual, [0], 1), np.array([0]))
    rate = _rate(machine)
    return np.array([_play(scene, seed, parts, rate) for seed in seeds])


def _rate(machine: Machine) -> float:
    """Cost a part of usual cycles: a fresh wheel is then worth nothing (bisection)."""
    low = float(machine.loss(np.zeros(1), np.array([machine.scene.part_sd]))[0])
    high = low + 4 * machine.scene.dress / min(machine.scene.life, 100)
    for _ in range(_ROUNDS):
        rate = (low + high) / 2
        worth = float(_best(machine, 0.0, rate).value.min())
        low, high = (rate, high) if worth > 0 else (low, rate)
    return high


def _play(scene: Scene, seed: int, parts: int, rate: float) -> float:
    noise = Noise(scene, [seed], parts)
    machine = Machine(noise, np.array([0]))
    here = np.array([True])
    best, begun, cold = None, 0, 1.0
    for k in range(parts):
        if best is None or noise.pause[0, k]:
            cold = float(machine.cold[0])
            if noise.pause[0, k]:
                cold = 1 - (1 - cold) * np.exp(-noise.pause[0, k] / (1.5 * scene.warm_parts))
            best, begun = _best(machine, cold, rate), int(machine.age[0])
        level = _level(machine, float(machine.cold[0]))
        act, move = best.act(int(machine.age[0]) - begun, level)
        if act == "dress" and machine.age[0] > 0:
            machine.dress(here)
            best, begun = _best(machine, float(machine.cold[0]), rate), 0
            act, move = best.act(0, _level(machine, float(machine.cold[0])))
        if act == "offset":
            machine.offset(np.array([move]), here)
        machine.part()
    return float(machine.cost[0] / parts)


def _level(machine: Machine, cold: float) -> float:
    """Level now: of the part ground last, or of a fresh wheel before its first."""
    mean, _ = machine.curve(machine.age, machine.cycle)
    warm = machine.scene.warm_up * machine._chill(np.array([cold]))
    return float((mean + machine.base - warm)[0])


def _best(machine: Machine, cold: float, rate: float) -> BestActs:
    scene = machine.scene
    age = int(machine.age[0])
    life = float(machine.noise.life[0, machine.cycle[0]])
    count = int(min(max(_LIVES * life - age, 60), _PARTS))
    ages = age + np.arange(count + 1)
    level, sd = machine.curve(ages, machine.cycle)
    chill = machine._chill(cold * np.exp(-np.arange(count + 1) / scene.warm_parts))
    level = level - scene.warm_up * chill
    stakes = Stakes(
        low=scene.scrap, high=scene.rework, off_target=scene.off_target, offset=scene.offset,
        dress=scene.dress, step=scene.offset_step / scene.half_width,
    )  # fmt: skip
    outlook = Outlook(
        growth_um=np.diff(level), sd_um=sd[1:], hazard=np.zeros(count), walk_um=scene.walk_sd
    )
    return BestActs(outlook, stakes, scene.half_width, rate=rate)
