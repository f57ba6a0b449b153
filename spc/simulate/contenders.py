"""Who is scored on the named processes: made, tuned and played on one run."""

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from itertools import product
from typing import Any, Literal

import numpy as np

from spc.plan import Plan
from spc.simulate.oracles import TrueParameters, TrueState
from spc.simulate.play import settle
from spc.simulate.policies import (
    Advice,
    BeyondShare,
    ControlChart,
    EveryReading,
    FirstOff,
    FixedInterval,
    NoMoveAtDress,
    Policy,
)
from spc.simulate.process import Grinder
from spc.simulate.settings import Setting

#: Seeds to tune with. Never judge by them.
TUNING_SEEDS = (101, 102, 103, 104)
ADVISER = "adviser"
RULES = ("chart", "beyond", "every reading", "first off")
ORACLES = ("true parameters", "true state")
ABLATIONS = ("adviser, check every 5", "adviser, no move at dress")
ALL = (ADVISER, *ABLATIONS, *RULES, *ORACLES)


@dataclass(frozen=True)
class Contender:
    """A policy with its tuning; small enough to be sent to another process."""

    name: str
    dress_after: int = 0
    every: int = 0
    beyond: float = 0.0  # share of the tolerance
    rate: float = 0.0  # of an oracle

    def words(self) -> str:
        """Name and what was tuned."""
        if self.name == "beyond":
            return (
                f"beyond {self.beyond:.0%} of tolerance, check {self.every}, "
                f"dress {self.dress_after}"
            )
        if self.name in RULES:
            return f"{self.name}, check {self.every}, dress {self.dress_after}"
        return f"{self.name}, check {self.every}" if self.every else self.name


@dataclass(frozen=True)
class Outcome:
    """One run, per part."""

    seed: int
    parts: int
    cost: float
    lines: dict[str, float]
    out: float
    offsets: float
    looks: float
    dresses: int
    acts: dict[str, int]

    @property
    def without_measuring(self) -> float:
        """Cost without the readings."""
        return self.cost - self.lines["measure"]


def plan_of(
    setting: Setting,
    *,
    gauge_factor: float = 1.0,
    clears: Literal["truly", "wrongly", "unsaid"] = "truly",
) -> Plan:
    """
    The plan a shop would write for a setting.

    Parameters
    ----------
    setting : Setting
        The process.
    gauge_factor : float
        How wrong the plan is about the gauge's spread.
    clears : {"truly", "wrongly", "unsaid"}
        How the plan tells what a dress does to offsets.
    """
    s, prices = setting, setting.prices
    machine: dict[str, Any] = {
        "offset_step_um": s.offset_step_um, "dress_resets_size": s.dress_resets_size,
    }  # fmt: skip
    if clears != "unsaid":
        machine["dress_clears_offsets"] = s.dress_clears_offsets == (clears == "truly")
    table: dict[str, Any] = {
        "job": {"part": "Invented shaft", "minutes_per_part": s.cycle_min},
        "feature": [
            {
                "name": "size", "kind": "bore" if s.bore else "diameter", "nominal": 40.0,
                "unit": "mm", "upper": s.tolerance_um / 1000, "lower": -s.tolerance_um / 1000,
                "lead": True, "gauge_sd_um": s.gauge_sd_um * gauge_factor,
                "gauge_step_um": s.gauge_step_um, "sample": 12,
            },
            {
                "name": "roughness", "kind": "roughness", "upper": s.ra_limit_um, "unit": "um",
                "gauge_sd_um": 0.01, "gauge_step_um": 0.0,
            },
            {
                "name": "roundness", "kind": "roundness", "upper": s.roundness_limit_um,
                "unit": "um", "gauge_sd_um": 0.05, "gauge_step_um": 0.0,
            },
        ],
        "machine": machine,
        "wheel": {"parts_per_dress": round(0.7 * s.life_parts)},
        "cost": {
            "scrap": prices.scrap, "rework": prices.rework, "dress": prices.dress,
            "offset": prices.offset, "measure": prices.measure,
            "machine_minute": prices.minute, "off_target": prices.off_target,
        },
    }  # fmt: skip
    return Plan.model_validate(table)


def adviser_for(setting: Setting, **wrong: Any) -> Policy:
    """The adviser, told the plan of a setting; `wrong` as for `plan_of`."""
    made: Policy = import_module("spc.study").advisor_for(plan_of(setting, **wrong))
    return made


def policy_of(contender: Contender, setting: Setting) -> Policy:
    """A fresh policy; "true state" is none, see `play`."""
    c, s = contender, setting
    rest: dict[str, Any] = {
        "dress_after": c.dress_after, "every": c.every, "clears": s.dress_clears_offsets,
        "recheck_um": s.tolerance_um,
    }  # fmt: skip
    makers: dict[str, Callable[[], Policy]] = {
        ADVISER: lambda: adviser_for(s),
        "adviser, check every 5": lambda: FixedInterval(adviser_for(s), 5),
        "adviser, no move at dress": lambda: NoMoveAtDress(adviser_for(s)),
        "true parameters": lambda: TrueParameters(s, rate=c.rate, every=c.every),
        "chart": lambda: ControlChart(sigma_um=math.hypot(s.part_sd_um, s.gauge_sd_um), **rest),
        "beyond": lambda: BeyondShare(beyond_um=c.beyond * s.tolerance_um, **rest),
        "every reading": lambda: EveryReading(**rest),
        "first off": lambda: FirstOff(**rest),
    }
    return makers[c.name]()


def play(contender: Contender, setting: Setting, seed: int, parts: int) -> Outcome:
    """One policy on one run."""
    if contender.name == "true state":
        return _play_full_knowledge(contender, setting, seed, parts)
    return play_policy(policy_of(contender, setting), setting, seed, parts)


def play_policy(
    policy: Policy,
    setting: Setting,
    seed: int,
    parts: int,
    *,
    watch: Callable[[Policy, Grinder], None] | None = None,
) -> Outcome:
    """
    A policy on one run: it says when to measure next and what to do.

    Parameters
    ----------
    policy : Policy
        Fresh. Size, roughness and roundness are read together at the price of one reading.
    setting : Setting
        The process.
    seed : int
        The run.
    parts : int
        Ground in all.
    watch : callable, optional
        ``watch(policy, grinder)`` after every reading, before anything is done about it.
    """
    grinder, done, looks = Grinder(setting, seed), Counter[str](), 0
    due = 1

    def read(again: bool = False) -> None:
        nonlocal looks
        looks += 1
        reading = grinder.measure()
        policy.reading("size", reading.size_um, again=again)
        policy.reading("roughness", reading.ra_um, again=again)
        policy.reading("roundness", reading.roundness_um, again=again)

    for _ in range(parts):
        for event in grinder.scheduled():
            minutes = None if math.isnan(event.minutes) else event.minutes
            policy.event(event.kind, minutes=minutes)
            due = 1
        grinder.part()
        policy.part(minute=grinder.minute)
        due -= 1
        if due <= 0:
            read()
            if watch:
                watch(policy, grinder)
            advice: Advice = settle(policy, grinder, lambda: read(again=True), done)
            due = max(1, advice.measure_after)
    return _outcome(grinder, seed, looks, done)


def _play_full_knowledge(contender: Contender, setting: Setting, seed: int, parts: int) -> Outcome:
    grinder = Grinder(setting, seed)
    oracle = TrueState(grinder, rate=contender.rate)
    for _ in range(parts):
        if grinder.scheduled():
            oracle.look_ahead()
        oracle.act()
        grinder.part()
    return _outcome(grinder, seed, 0, Counter())


def _outcome(grinder: Grinder, seed: int, looks: int, done: Counter[str]) -> Outcome:
    parts = grinder.number
    kinds = Counter(event.kind for event in grinder.events)
    limit = grinder.setting.tolerance_um
    return Outcome(
        seed=seed,
        parts=parts,
        cost=grinder.ledger.total / parts,
        lines={name: money / parts for name, money in vars(grinder.ledger).items()},
        out=sum(abs(part.size_um) > limit for part in grinder.truth) / parts,
        offsets=kinds["offset"] / parts,
        looks=looks / parts,
        dresses=kinds["dress"],
        acts=dict(done),
    )


def tuned(name: str, setting: Setting, parts: int) -> Contender:
    """A policy with the tuning that is cheapest on the tuning seeds; the adviser has none."""
    if name == "true state":
        rate = 0.15
        for _ in range(3):
            rate = _mean_cost(Contender(name, rate=rate), setting, parts)
        return Contender(name, rate=rate)
    if name == "true parameters":
        rate = 1.5 * tuned("true state", setting, parts).rate
        options = [Contender(name, every=every, rate=rate) for every in (6, 8, 10, 12)]
    elif name in RULES:
        counts = [round(share * setting.life_parts) for share in (0.4, 0.5, 0.6, 0.7, 0.8)]
        shares = (0.4, 0.5, 0.6) if name == "beyond" else (0.0,)
        options = [
            Contender(name, dress_after=count, every=every, beyond=share)
            for count, every, share in product(counts, (5, 8, 12), shares)
        ]
    else:
        return Contender(name)
    return min(options, key=lambda option: _mean_cost(option, setting, parts))


def _mean_cost(contender: Contender, setting: Setting, parts: int) -> float:
    return float(np.mean([play(contender, setting, seed, parts).cost for seed in TUNING_SEEDS]))
