"""What cycles teach the coming one, and what a run hands on to later runs of the same job."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from spc.wheel.dresser import Dresser
from spc.wheel.drift import BEND, BREAK_IN, CURVE, SLOPE, WARMTH, Drift, DriftPrior
from spc.wheel.frames import Companion
from spc.wheel.health import FormGrowth, SpreadGrowth

#: Cycles that teach the next one.
CYCLES_KEPT = 15
#: Habits of wheel and machine that a later run starts from.
HABITS = (("warmth", WARMTH), ("break_in", BREAK_IN), ("curve", CURVE), ("bend", BEND))


def usual_slope(prior: DriftPrior, cycles: Sequence[dict[str, Any]]) -> tuple[float, float]:
    """Mean and spread of the coming cycle's wear per part; the entry prior counts as two. [µm]"""
    known = [c for c in cycles if c["slope"] is not None]
    if not known:
        return prior.slope, prior.slope_sd
    # Each cycle weighs by how well its readings fixed it; the entry prior fades with them.
    between = (0.15 * sum(abs(c["slope"]) for c in known) / len(known)) ** 2
    weights = [1 / (c["slope_var"] + between + 1e-12) for c in known]
    first = 1 / prior.slope_sd**2
    total = sum(weights) + first
    mean = (
        first * prior.slope + sum(w * c["slope"] for w, c in zip(weights, known, strict=True))
    ) / total
    scatter = sum((c["slope"] - mean) ** 2 for c in known) / len(known)
    floor = 0.1 * abs(mean) + 0.02 * prior.slope_sd
    spread = math.sqrt((floor**2 * 2 + scatter * len(known)) / (2 + len(known)) + 1 / total)
    return mean, min(max(1.1 * spread, floor), prior.slope_sd)


@dataclass(frozen=True)
class HandedOn:
    """What outlives a run: the habits of wheel, dresser, machine and of the other features."""

    life: float  # parts per dress that the job is scaled by
    drift: Drift
    growth: SpreadGrowth
    dresser: Dresser
    companions: dict[str, Companion]
    forms: dict[str, FormGrowth]

    def told(self, cycles: Sequence[dict[str, Any]]) -> dict[str, Any]:
        """What a later run may start from, as plain numbers."""
        return {
            "life": self.life,
            "life_told": self.growth.told,
            "cycles": [dict(c) for c in cycles[-CYCLES_KEPT:]],
            "spread": self.growth.state(),
            "dresser": self.dresser.state(),
            "unrest": list(self.drift.log_belief),
            "habits": {name: list(self.drift.estimate(which)) for name, which in HABITS},
            "forms": {name: form.state() for name, form in self.forms.items()},
            "companions": {name: other.state() for name, other in self.companions.items()},
        }

    def inherit(
        self, record: dict[str, Any], cycles: Sequence[dict[str, Any]], half_width: float
    ) -> None:
        """Start from what an earlier run told: its habits, held a little less firmly."""
        if (record["life"], record.get("life_told", True)) == (self.life, self.growth.told):
            self.growth.resume(record["spread"])
            self.growth.count = min(self.growth.count, 60.0)
        self.dresser.inherit(record["dresser"], half_width)
        self.drift.believe([0.5 * x for x in record["unrest"]])
        for name, which in HABITS:
            mean, var = record["habits"][name]
            _, own = Drift(self.drift.prior).estimate(which)
            self.drift.know(which, mean, min(1.5 * var + 0.01 * own, own))
        for name, form in self.forms.items():
            if name in record["forms"]:
                form.resume(record["forms"][name])
                form.dress()
        for name, other in self.companions.items():
            if name in record["companions"]:
                other.resume(record["companions"][name])
                other.var += other.noise
        slope, sd = usual_slope(self.drift.prior, cycles)
        self.drift.know(SLOPE, slope, (1.5 * sd) ** 2)
