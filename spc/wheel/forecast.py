"""Parts left: how long the size stays inside if nothing is done."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spc.wheel.drift import BEND, BENDS_FROM, BREAK_IN, CURVE, FARTHEST_SHARE, SLOPE, WARMTH
from spc.wheel.health import growth
from spc.wheel.loss import Zone
from spc.wheel.track import Track

Floats = NDArray[np.float64]

#: A part is as good as out when it is out with this probability.
CHANCE = 0.005
#: Farther than this nothing is foretold.
FARTHEST = 200
#: Draws of the unknowns, the same in every forecast.
DRAWS = 192
#: Spread of the life of one wheel about the next, as a share (common practice, no source).
LIFE_SPREAD = 0.25
#: A wheel is dressed before it is worn out: life to dull against the habit.
LIFE_OVER_HABIT = 1.15
#: Variance of the level over what the filters claim, where forecasts of readings err as claimed:
#: on processes with steps and waves levels err longer than one reading shows (seen on the tuning
#: scenes of the second family).
UNCLAIMED = 1.5
#: Power that sharpens beliefs on how wheels dull before parts are counted (judgement).
CANDOUR = 1.5
#: Forecast errors that count as seen from the start, and bounds on their mean square.
ASSUMED, LEAST_ERROR, MOST_ERROR = 10, 0.8, 3.0


@dataclass(frozen=True)
class PartsLeft:
    """Parts until one is outside its guarded limits with probability 0.5 %: 10, 50 and 90 %."""

    low: int
    middle: int
    high: int

    @property
    def open_ended(self) -> bool:
        """Whether even the cautious figure reaches the end of the forecast."""
        return self.low >= FARTHEST

    @property
    def gone(self) -> bool:
        """Whether even the hopeful figure leaves no part."""
        return self.high == 0


@dataclass(frozen=True, eq=False)
class Outlook:
    """What a forecast needs to know, as it was when the advice was given. [µm, parts]"""

    known: bool
    made: int  # since the dress
    age: int  # as far as a sharp wheel ages by them
    life: float
    life_told: bool
    level: tuple[float, float]  # mean and variance, as the next two
    slope: tuple[float, float]
    curve: tuple[float, float]
    bend: tuple[float, float]
    unlearnt: float  # variance of the bend over that before a reading
    break_in: float
    break_in_parts: float
    warm_to_come: float
    parts_to_warm: float
    wander: float
    fresh: Floats
    belief: Floats
    gauge_var: float
    zones: tuple[Zone, ...]


def outlook(track: Track) -> Outlook:
    """The present state as `parts_left` wants it; cheap, so that the rest can wait until asked."""
    taught = sum(cycle["slope"] is not None for cycle in track.cycles)
    warmth, _ = track.drift.estimate(WARMTH)
    break_in, _ = track.drift.estimate(BREAK_IN)
    level, level_var = track.level()
    settings = track.settings
    return Outlook(
        # A gauge at the wheel corrects for wear as it comes: sizes say nothing of it.
        known=not settings.machine.in_process_gauge
        and (track.read_in_cycle >= 3 or (taught >= 4 and track.read_in_cycle >= 1)),
        made=track.age,
        age=track.cutting_age,
        life=track.life,
        life_told=track.growth.told,
        level=(level, UNCLAIMED * _error(track.errors) * level_var),
        slope=track.drift.estimate(SLOPE),
        curve=track.drift.estimate(CURVE),
        bend=track.drift.estimate(BEND),
        unlearnt=min(track.drift.estimate(BEND)[1] / track.drift.prior.bend_sd**2, 1.0),
        break_in=break_in,
        break_in_parts=track.drift.prior.break_in_parts,
        warm_to_come=warmth * (1 - track.warm),
        parts_to_warm=settings.machine.warm_up_minutes / settings.minutes_per_part,
        wander=track.drift.unrest * track.noise,
        fresh=track.growth.fresh,
        belief=track.growth.sharpened(CANDOUR),
        gauge_var=track.gauge_var,
        zones=track.stakes().zones,
    )


def _error(errors: Sequence[float]) -> float:
    """Mean square of the last forecast errors, in units of what was claimed."""
    square = (ASSUMED + sum(e * e for e in errors)) / (ASSUMED + len(errors))
    return min(max(square, LEAST_ERROR), MOST_ERROR)


def parts_left(now: Outlook) -> PartsLeft | None:
    """
    Parts left without any further act.

    Returns
    -------
    PartsLeft or None
        None before three readings in the cycle, unless four cycles have taught the drift, and
        with a gauge at the wheel, which hides its wear.
    """
    if not now.known:
        return None
    lives = np.sort(_lives(now))
    low, middle, high = (int(lives[int(q * (DRAWS - 1))]) for q in (0.1, 0.5, 0.9))
    return PartsLeft(low, middle, high)


def _lives(now: Outlook) -> Floats:
    from scipy.special import ndtr

    normal, uniform = _draws()
    ahead = np.arange(1, FARTHEST + 1)
    level = now.level[0] + math.sqrt(now.level[1]) * normal[:, 0:1]
    level = level + np.cumsum(_wear(now, normal, now.age + ahead), axis=1) + _settling(now, ahead)
    grown = growth((now.age + ahead).astype(float), now.life, told=now.life_told)
    cases = now.fresh[:, None, None] * grown
    cases = cases.reshape(-1, ahead.size)
    which = np.searchsorted(np.cumsum(now.belief), uniform).clip(0, len(cases) - 1)
    part_var = np.maximum(cases - now.gauge_var, 0.3 * cases)[which]
    sd = np.sqrt(part_var + now.wander * ahead)
    chance = np.zeros_like(sd)
    for zone in now.zones:
        own = sd * zone.spread_ratio
        place = level + zone.shift
        out = ndtr((zone.lower - place) / own) + ndtr((place - zone.upper) / own)
        chance = np.maximum(chance, out)
    outside = chance > CHANCE
    return np.where(outside.any(axis=1), outside.argmax(axis=1), FARTHEST).astype(float)


def _wear(now: Outlook, normal: Floats, ages: NDArray[np.int64]) -> Floats:
    """Wear per part of each draw: its own slope, its own life, its own bend."""
    life = now.life * LIFE_OVER_HABIT * np.exp(LIFE_SPREAD * normal[:, 3:4])
    steeper = _steepening(ages, life) / _steepening(np.array([max(now.age, 1)]), life)
    # Once earlier wheels have shown how they bend, nothing more is feared of this one.
    steeper = 1 + now.unlearnt * (steeper - 1)
    slope = now.slope[0] + math.sqrt(now.slope[1]) * normal[:, 1:2]
    bend = now.bend[0] + math.sqrt(now.bend[1]) * normal[:, 2:3]
    share = np.minimum(ages / now.life, FARTHEST_SHARE)
    return np.asarray(
        slope * steeper + now.curve[0] * (share - 0.5) + bend * np.maximum(0.0, share - BENDS_FROM)
    )


def _steepening(ages: NDArray[np.int64], life: Floats) -> Floats:
    """How much faster a wheel of this life wears at an age: up to twice by its end, then on."""
    return 1 + np.maximum(0.0, ages - 0.8 * life) / (0.2 * life)


def _settling(now: Outlook, ahead: NDArray[np.int64]) -> Floats:
    """Break-in and warm-up still to come."""
    spent = math.exp(-now.made / now.break_in_parts)
    fresh = now.break_in * spent * -np.expm1(-ahead / now.break_in_parts)
    return np.asarray(fresh + now.warm_to_come * -np.expm1(-ahead / now.parts_to_warm))


@lru_cache(maxsize=1)
def _draws() -> tuple[Floats, Floats]:
    """Normal draws in four dimensions and one uniform: a Halton sequence, the same every time."""
    from scipy.special import ndtri

    points = np.array(
        [[_radical_inverse(i, base) for base in (2, 3, 5, 7, 11)] for i in range(1, DRAWS + 1)]
    )
    return ndtri(points[:, :4]), points[:, 4]


def _radical_inverse(number: int, base: int) -> float:
    value, scale = 0.0, 1.0 / base
    while number:
        number, digit = divmod(number, base)
        value += digit * scale
        scale /= base
    return value
