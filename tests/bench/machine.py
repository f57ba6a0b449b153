"""
Many runs of one scene at once: lanes that meet equal noise and are acted upon one by one.

Cost is *expected* cost, given the true level and spread of every part: one scrapped part decides a
realised mean of a few hundred parts, and says nothing of who steered.
"""

from functools import cached_property
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.bench.families import Scene

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
#: Dresses that random numbers are kept ready for, as a share of the parts; no policy may pass it.
_MOST_DRESSES = 0.5
#: Moves made up to this part of a cycle belong to the setting and stay at a dress.
SETTING_PARTS = 3


class Noise:
    """
    What chance brings to each seed of a scene, drawn before anything is done.

    Parameters
    ----------
    scene : Scene
        The process.
    seeds : sequence of int
        Runs; each row of every array is one.
    parts : int
        Length of the runs.
    """

    def __init__(self, scene: Scene, seeds: list[int], parts: int) -> None:
        self.scene, self.parts = scene, parts
        rows = [
            self._row(np.random.default_rng((seed, crc32(scene.name.encode())))) for seed in seeds
        ]
        for name in rows[0]:
            setattr(self, name, np.stack([row[name] for row in rows]))

    part: Floats
    gauge: Floats  # two readings of a part
    walk: Floats
    dress: Floats
    slope: Floats
    life: Floats
    pause: Floats  # minutes before each part
    setup: Floats

    def _row(self, rng: np.random.Generator) -> dict[str, Floats]:
        scene, n = self.scene, self.parts
        cycles = int(n * _MOST_DRESSES) + 3
        fresh = rng.standard_normal(n)
        part = np.empty(n)
        last = rng.standard_normal()
        for k in range(n):
            last = scene.alike * last + np.sqrt(1 - scene.alike**2) * fresh[k]
            part[k] = last
        odd = (rng.random((n, 2)) < scene.odd_rate) * rng.standard_normal((n, 2)) * scene.odd_sd
        walk = scene.walk_sd * rng.standard_normal(n)
        if scene.law == "other":  # a wave about a middle instead of a walk from it
            wave = (
                scene.walk_sd * 4 * np.sin(np.arange(n) / rng.uniform(15, 60) + rng.uniform(0, 6))
            )
            walk = np.diff(wave, prepend=wave[0])
        walk += (rng.random(n) < scene.step_rate) * rng.standard_normal(n) * scene.step_sd
        pause = (rng.random(n) < 1 / scene.pause_every) * rng.uniform(30, 600, n)
        pause[0] = 0.0
        return {
            "part": part,
            "gauge": scene.gauge_sd * rng.standard_normal((n, 2)) + odd,
            "walk": walk,
            "dress": scene.dress_sd * rng.standard_normal(cycles),
            "slope": np.exp(scene.wear_log_sd * rng.standard_normal(cycles)),
            "life": scene.life * np.exp(scene.life_log_sd * rng.standard_normal(cycles)),
            "pause": pause,
            "setup": np.array([scene.setup_sd * rng.standard_normal()]),
        }


class Machine:
    """
    Lanes of one scene, ground part by part.

    Parameters
    ----------
    noise : Noise
        Of the scene.
    rows : ndarray of int, shape (lanes,)
        The seed's row in `noise` of each lane.

    Attributes
    ----------
    cost : ndarray, shape (lanes,)
        Expected cost so far, acts and extra readings included.
    level, sd : ndarray, shape (lanes,)
        True level and spread of the part ground last. [µm]
    """

    def __init__(self, noise: Noise, rows: NDArray[np.int64]) -> None:
        lanes = len(rows)
        self.scene, self.noise, self.rows = noise.scene, noise, rows
        self.made = 0
        self.cost, self.walked, self.level, self.register = np.zeros((4, lanes))
        self.since_setting = np.zeros(lanes)  # moves after the third part of the cycle
        self.age = np.zeros(lanes, dtype=np.int64)
        self.cycle = np.zeros(lanes, dtype=np.int64)
        self.cold = np.ones(lanes)
        self.sd = np.full(lanes, self.scene.part_sd)
        self.dresses, self.offsets, self.extra = np.zeros((3, lanes), dtype=np.int64)
        self.out = np.zeros(lanes)  # expected number outside the limits

    def part(self) -> float:
        """Grind one part; the minutes of the pause before it, for the first lane."""
        scene, noise, k = self.scene, self.noise, self.made
        pause = noise.pause[self.rows, k]
        tau = scene.warm_parts
        self.cold = 1 - (1 - self.cold) * np.exp(-pause / (1.5 * tau))
        self.cold = self.cold * np.exp(-1 / tau)
        self.walked = self.walked + noise.walk[self.rows, k]
        self.age += 1
        self.made += 1
        self.level, self.sd = self.now()
        self.cost += self.loss(self.level, self.sd)
        low, high = self._outside(self.level, self.sd)
        self.out += low + high
        return float(pause[0])

    def now(self) -> tuple[Floats, Floats]:
        """True level and spread at this age, in this cycle, as cold as the machine is. [µm]"""
        mean, sd = self.curve(self.age, self.cycle)
        return mean + self.base - self.chill, sd

    @property
    def chill(self) -> Floats:
        """How much smaller the parts come from a cold machine. [µm]"""
        return self.scene.warm_up * self._chill(self.cold)

    @property
    def base(self) -> Floats:
        """Where the level stands, register included, but for wear, settling and warm-up. [µm]"""
        noise = self.noise
        start = noise.setup[self.rows, 0]
        return start + noise.dress[self.rows, self.cycle] + self.walked + self.register

    def _chill(self, cold: Floats) -> Floats:
        # The other law: half of the warm-up takes three times as long.
        return cold if self.scene.law == "own" else 0.5 * (cold + cold ** (1 / 3))

    def curve(
        self, age: Floats | NDArray[np.int64], cycle: NDArray[np.int64]
    ) -> tuple[Floats, Floats]:
        """Level and spread that a wheel brings by its age: wear, settling and dulling. [µm]"""
        worn, settled, grown, sd = self.wheel(age, cycle)
        return worn + settled + grown, sd

    def wheel(
        self, age: Floats | NDArray[np.int64], cycle: NDArray[np.int64]
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Wear, settling, growth past the life, and spread of a wheel by its age. [µm]"""
        scene = self.scene
        life = self.noise.life[self.rows, cycle]
        wear = scene.wear * self.noise.slope[self.rows, cycle]
        past = np.maximum(age - life, 0) / life
        if scene.law == "own":
            settling = scene.settling * -np.expm1(-age / scene.settling_parts)
            widening = scene.dulling * past
        else:
            settling = scene.settling * np.minimum(age / (2 * scene.settling_parts), 1)
            widening = scene.dulling * (np.maximum(age - 0.6 * life, 0) / (1.2 * life)) ** 2
        worn = wear * _shape(scene.shape, scene.bend, age / life)
        return worn, settling, scene.growth * past**2, scene.part_sd * (1 + widening)

    def _outside(self, level: Floats, sd: Floats) -> tuple[Floats, Floats]:
        half = self.scene.half_width
        return ndtr((-half - level) / sd), ndtr((level - half) / sd)

    def loss(self, level: Floats, sd: Floats) -> Floats:
        """Expected cost of a part at a level with a spread."""
        scene = self.scene
        low, high = self._outside(level, sd)
        square = (level**2 + sd**2) / scene.half_width**2
        return scene.off_target * square + scene.scrap * low + scene.rework * high

    def measure(self, again: bool = False) -> Floats:
        """Readings of the part ground last, every lane. [µm]"""
        k = self.made - 1
        size = self.level + self.sd * self.noise.part[self.rows, k]
        step = self.scene.gauge_step
        return np.round((size + self.noise.gauge[self.rows, k, int(again)]) / step) * step

    def pay_reading(self, where: Flags) -> None:
        """Readings beside the schedule are paid for."""
        self.cost += self.scene.measure * where
        self.extra += where

    def offset(self, um: Floats, where: Flags) -> Floats:
        """Move the register where asked to; what was typed after rounding. [µm]"""
        step = self.scene.offset_step
        typed = np.where(where, np.round(um / step) * step, 0.0)
        self.register = self.register + typed
        self.since_setting = self.since_setting + np.where(self.age > SETTING_PARTS, typed, 0.0)
        self.cost += self.scene.offset * (typed != 0)
        self.offsets += typed != 0
        return typed

    def dress(self, where: Flags) -> None:
        """Dress the wheel where asked to."""
        scene = self.scene
        self.cost += scene.dress * where
        self.dresses += where
        self.cycle = self.cycle + where
        self.age = np.where(where, 0, self.age)
        if not scene.walk_stays:
            self.walked = np.where(where, 0.0, self.walked)
        self._begin_setting(where)

    def _begin_setting(self, where: Flags) -> None:
        if self.scene.clears:
            self.register = self.register - np.where(where, self.since_setting, 0.0)
        self.since_setting = np.where(where, 0.0, self.since_setting)

    @cached_property
    def lanes(self) -> int:
        """Number of lanes."""
        return len(self.rows)


def _shape(shape: str, bend: float, u: Floats) -> Floats:
    """Share of a life's wear after `u` lives: 0 at 0, 1 at 1; `bend` from 0 to 1."""
    if shape == "power":
        return u ** (0.6 + 1.1 * bend)
    if shape == "saturating":
        rate = 0.3 + 2 * bend
        return np.expm1(-rate * u) / np.expm1(-rate)
    if shape == "two slopes":
        first = 0.4 + 0.9 * bend
        return first * np.minimum(u, 0.6) + np.maximum(u - 0.6, 0) * (1 - 0.6 * first) / 0.4
    if shape == "late":
        rate = 1 + 2 * bend
        return 0.6 * u + 0.4 * np.expm1(rate * np.minimum(u, 2)) / np.expm1(rate)
    return u
