"""Whether "parts left" keeps its word, against the future the grinder really has."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from spc.simulate import unseen
from spc.simulate.contenders import adviser_for, play_policy
from spc.simulate.policies import Policy
from spc.simulate.process import Grinder
from spc.simulate.settings import Setting
from spc.simulate.strange import Strange, StrangeGrinder

Machine = TypeVar("Machine")

#: As "parts left" counts: until one part is out with this probability, at most so many.
RISK, MOST = 0.005, 200


@dataclass(frozen=True)
class Forecast:
    """One forecast and what came."""

    since_dress: int
    life_parts: float  # of this cycle, truly
    low: float
    middle: float
    high: float
    came: int  # parts left in truth, without any act

    @property
    def late(self) -> bool:
        """Whether the wheel had passed four tenths of its life."""
        return self.since_dress > 0.4 * self.life_parts

    @property
    def kept(self) -> bool:
        """Whether at least the promised parts came."""
        return self.came >= self.low


def parts_left(grinder: Grinder) -> int:
    """
    Parts until one is out with probability `RISK` if nothing is done; `MOST` at most.

    The level is the true one of the very future that this seed holds.
    """
    future, setting = grinder.fork(), grinder.setting
    for left in range(MOST):
        future.part()
        if _out(future.truth[-1].level_um, setting.part_sd_um, setting.tolerance_um) > RISK:
            return left
    return MOST


def strange_parts_left(machine: StrangeGrinder) -> int:
    """`parts_left` on a machine of the second family."""
    future = machine.fork()
    for left in range(MOST):
        future.part()
        if _out(future.level_um, future.spread_um, machine.scene.tolerance_um) > RISK:
            return left
    return MOST


def _out(level: float, sd: float, limit: float) -> float:
    return _above((limit - level) / sd) + _above((limit + level) / sd)


def _above(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2))


def forecasts(
    setting: Setting,
    *,
    seeds: Sequence[int],
    parts: int,
    every: int = 5,
    factory: Callable[[Setting], Policy] = adviser_for,
) -> list[Forecast]:
    """
    Forecasts the adviser gives on the way, with what came of them.

    Parameters
    ----------
    setting : Setting
        The process.
    seeds : sequence of int
        Runs.
    parts : int
        Of each run.
    every : int
        Every so-manieth reading is asked for a forecast, before anything is done about it.
    factory : callable
        Makes the adviser.
    """
    made: list[Forecast] = []

    def came(grinder: Grinder) -> tuple[int, float, int]:
        return grinder.cycle.since_dress, grinder.cycle.life_parts, parts_left(grinder)

    ask = _asking(made, every, came)
    for seed in seeds:
        play_policy(factory(setting), setting, seed, parts, watch=ask)
    return made


def strange_forecasts(
    scenes: Sequence[Strange], *, seeds: Sequence[int], parts: int, every: int = 4
) -> list[Forecast]:
    """`forecasts` of the adviser on scenes of the second family."""
    made: list[Forecast] = []

    def came(machine: StrangeGrinder) -> tuple[int, float, int]:
        return machine.since_dress, machine.life_parts, strange_parts_left(machine)

    ask = _asking(made, every, came)
    for scene in scenes:
        for seed in seeds:
            unseen.play(scene, seed, parts, unseen.adviser(scene), watch=ask)
    return made


def _asking(
    made: list[Forecast], every: int, came: Callable[[Machine], tuple[int, float, int]]
) -> Callable[[Policy, Machine], None]:
    """Asks at every so-manieth reading; `came`: parts since the dress, life, parts truly left."""
    looks = 0

    def ask(policy: Policy, machine: Machine) -> None:
        nonlocal looks
        looks += 1
        left = getattr(policy.advise(), "parts_left", None) if looks % every == 0 else None
        if left is not None:
            age, life, rest = came(machine)
            made.append(Forecast(age, life, left.low, left.middle, left.high, rest))

    return ask


def share_kept(made: Sequence[Forecast]) -> float:
    """Share of forecasts whose promised parts came; NaN for none."""
    return float(np.mean([one.kept for one in made])) if made else math.nan
