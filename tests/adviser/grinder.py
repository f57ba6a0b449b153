"""A small invented grinder for the tests of this room: true size known, control obeyed."""

import numpy as np

from spc.adviser.adviser import Advisor
from spc.plan import Plan


def plan_of(*features, kind="diameter", sample=5, habit=60, step=0.5, clears=True, resets=True,
            most=None, gauge_sd=0.3, cost=None, seat=None, **machine):  # fmt: skip
    """One diameter or bore of ±8 µm about its nominal, and further features as told."""
    lead = {
        "name": "seat", "kind": kind, "nominal": 40.0, "upper": 0.008, "lower": -0.008,
        "gauge_sd_um": gauge_sd, "gauge_step_um": 0.1, "sample": sample,
    } | (seat or {})  # fmt: skip
    wheel = {"parts_per_dress": habit, "max_parts_per_dress": most}
    told = {"dress_resets_size": resets, "dress_clears_offsets": clears}
    return Plan.model_validate(
        {
            "job": {"part": "Ring"},
            "feature": [_told(lead), *features],
            "machine": {"offset_step_um": step} | _told(told) | machine,
            "wheel": _told(wheel),
            "cost": cost
            or {"scrap": 4.0, "rework": 1.5, "dress": 2.5, "offset": 0.1, "measure": 0.05},
        }
    )


def _told(table):
    return {key: value for key, value in table.items() if value is not None}


class Grinder:
    """Steady wear, spread that grows with it, a dress that strays; OD unless mirrored."""

    def __init__(
        self, seed, *, drift=0.15, sd=0.9, dull=1.0, life=80, dress_sd=1.0, start=2.0, mirror=1.0,
        clears=True,
    ):  # fmt: skip
        self.random = np.random.default_rng(seed)
        self.drift, self.sd, self.dull, self.life = drift, sd, dull, life
        self.dress_sd, self.mirror, self.clears = dress_sd, mirror, clears
        self.base, self.register, self.late, self.age = start, 0.0, 0.0, 0
        self.made = self.out = 0
        self.acts = []

    def part(self):
        self.made += 1
        self.age += 1
        level = self.base + self.register + self.mirror * self.drift * self.age
        spread = self.sd * (1 + self.dull * (self.age / self.life) ** 3)
        self.size = level + spread * self.random.standard_normal()
        self.out += abs(self.size) > 8

    def read(self):
        return round(float(self.size + 0.3 * self.random.standard_normal()), 1)

    def offset(self, um):
        self.register += um
        self.late += um if self.age > 3 else 0.0
        self.acts.append((self.made, "offset", um))

    def dress(self):
        self.acts.append((self.made, "dress", self.age))
        self.register -= self.late if self.clears else 0.0
        self.late, self.age = 0.0, 0
        self.base += self.dress_sd * self.random.standard_normal()


def run(advisor, grinder, parts, *, every=5):
    """Grind, read on a schedule, ask where a part was read, obey; every advice that was given."""
    said = []
    for _ in range(parts):
        grinder.part()
        advisor.part()
        if grinder.made % every and grinder.made != 1:
            continue
        advisor.reading("seat", grinder.read())
        advice = advisor.advise()
        if advice.action == "measure_again":
            advisor.reading("seat", grinder.read(), again=True)
            advice = advisor.advise()
        said.append(advice)
        if advice.action == "dress":
            grinder.dress()
            advisor.event("dress")
        elif advice.action == "hold":
            advisor.event("cleared")
        if advice.offset_um:
            grinder.offset(advice.offset_um)
            advisor.event("offset", um=advice.offset_um)
    return said


def adviser(**more):
    return Advisor(plan_of(**more))


#: Readings of a process on target. [µm]
QUIET = [0.3, -0.4, 0.6, -0.5, 0.2, 0.1, -0.7, 0.4, -0.1, 0.5, -0.3, 0.2]
DEAR = {"scrap": 15.0, "rework": 5.0, "dress": 2.5, "offset": 0.1, "measure": 0.05}


def tell(advisor, *values):
    """Parts of one reading each, or of several where a tuple stands."""
    for value in values:
        advisor.part()
        for reading in value if isinstance(value, tuple) else (value,):
            advisor.reading("seat", reading)


def fed(*values, **more):
    advisor = adviser(**more)
    tell(advisor, *values)
    return advisor


def settled(**more):
    """A process long on target, read at every part."""
    return fed(*QUIET, *QUIET, **more)


def said(advisor):
    advice = advisor.advise()
    return advice.action, advice.offset_um
