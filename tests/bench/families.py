"""
Scenes drawn from wide ranges: processes to try an adviser on, with their truth and their money.

Every scene has its own units: lengths hang on the part-to-part spread, which is drawn first, and
prices are each drawn over a decade. Nothing here knows any adviser. All ranges are own choice,
set once from what grinding shops report (wheels that last 35 to 5,000 parts, settling and warm-up
of up to most of a half width, one part in ten measured).

Three sets of scenes: to tune on, to gate on, and to judge by. The seed of the third is drawn fresh
at each judging and printed with the result.
"""

import secrets
from dataclasses import dataclass
from typing import Literal

import numpy as np

Law = Literal["own", "other"]
#: Scene seeds of the two standing sets; a judging set has none.
TUNING_SET, GATE_SET = 11, 22
#: Shapes of wear that are not a straight line, see `machine.Machine`.
WEAR_SHAPES = ("power", "saturating", "two slopes", "late")


@dataclass(frozen=True)
class Scene:
    """
    One process: wear is upward, the middle of the limits is zero. Lengths are µm on diameter.

    A dress takes the wear out of the size and draws the level anew about its mean; the moves made
    since the third part of the cycle leave the register as well where `clears` says so.
    """

    name: str
    law: Law
    # Limits, gauge, schedule
    half_width: float
    part_sd: float
    gauge_sd: float
    gauge_step: float
    every: int  # parts from one scheduled reading to the next
    # Wear and what comes with it
    life: float  # median, parts
    life_log_sd: float  # from cycle to cycle
    wear: float  # over one life
    wear_log_sd: float  # from cycle to cycle
    shape: str  # "line", or one of WEAR_SHAPES where the law is another
    bend: float
    growth: float  # of the level, one life past the life
    dulling: float  # the spread is (1 + dulling) times as wide one life past the life
    settling: float  # of a fresh wheel
    settling_parts: float
    # Level
    setup_sd: float
    dress_sd: float
    walk_sd: float  # from part to part
    walk_stays: bool  # a dress takes the walk out of the size (False) or does not
    step_rate: float  # unexplained steps, per part
    step_sd: float
    alike: float  # correlation of neighbouring parts
    warm_up: float  # how far below (negative: above) a cold machine begins
    warm_parts: float
    pause_every: float  # parts from one pause to the next, on average
    # Readings that are wrong, and the control
    odd_rate: float
    odd_sd: float
    offset_step: float
    clears: bool
    # Money
    scrap: float  # below the limits
    rework: float  # above
    dress: float
    offset: float
    measure: float  # one reading beside the schedule
    off_target: float  # on the limit, growing with the square


def draw(rng: np.random.Generator, name: str, law: Law = "own") -> Scene:
    """
    One scene from the wide ranges.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the draw.
    name : str
        Of the scene.
    law : "own" or "other"
        Whether wear, settling, dulling, warm-up and wander follow the adviser's own model, or
        other laws.
    """

    def log(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    def decade(middle: float) -> float:
        return middle * log(10**-0.5, 10**0.5)

    sd = log(0.3, 1.5)
    half = sd * rng.uniform(4.5, 11)
    wears, warms, steps, alike = rng.random(4)
    return Scene(
        name=name,
        law=law,
        half_width=half,
        part_sd=sd,
        gauge_sd=sd * rng.uniform(0.1, 0.9),
        gauge_step=0.1,
        every=int(rng.choice((1, 2, 4, 5, 10))),
        life=log(35, 5000),
        life_log_sd=rng.uniform(0.05, 0.25),
        wear=0.0 if wears < 1 / 12 else half * log(0.3, 4),
        wear_log_sd=rng.uniform(0.05, 0.35),
        shape="line" if law == "own" else str(rng.choice(WEAR_SHAPES)),
        bend=rng.uniform(0, 1),
        growth=half * rng.uniform(0, 1),
        dulling=rng.uniform(0, 2.5),
        settling=half * rng.uniform(0, 0.5),
        settling_parts=rng.uniform(2, 12),
        setup_sd=half * 0.4,
        dress_sd=half * log(0.05, 0.45),
        walk_sd=sd * log(0.003, 0.1),
        walk_stays=bool(rng.random() < 0.5),
        step_rate=0.0 if steps < 0.5 else log(2e-4, 2e-3),
        step_sd=half * rng.uniform(0.2, 0.6),
        alike=0.0 if alike < 0.5 else rng.uniform(0, 0.6),
        warm_up=0.0 if warms < 0.5 else half * rng.uniform(0, 0.7) * rng.choice((1, 1, 1, -1)),
        warm_parts=rng.uniform(4, 15),
        pause_every=log(100, 500),
        odd_rate=rng.uniform(0, 0.012),
        odd_sd=half * rng.uniform(0.7, 3),
        offset_step=log(0.1, 1.0),
        clears=bool(rng.random() < 0.5),
        scrap=decade(6.0),
        rework=decade(2.0),
        dress=decade(2.0),
        offset=decade(0.15),
        measure=decade(0.06),
        off_target=decade(0.2),
    )


def scenes(count: int, seed: int, law: Law = "own") -> list[Scene]:
    """
    A set of scenes: `TUNING_SET`, `GATE_SET` or the seed of a judging.

    Examples
    --------
    >>> scenes(1, TUNING_SET)[0].every in (1, 2, 4, 5, 10)
    True
    """
    return [
        draw(np.random.default_rng((seed, law == "other", k)), f"{law} {seed}/{k}", law)
        for k in range(count)
    ]


def judging_seed() -> int:
    """A seed that nobody has seen; print it with what it judged."""
    return 1000 + secrets.randbelow(10**6)
