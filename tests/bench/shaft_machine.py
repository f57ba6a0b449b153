"""
Many runs of one shaft at once: the machine of `machine` with a level for each seat.

A part is charged once, however many of its seats are out: as scrap where any is below its limits,
else as rework where any is above. What is common to the noise of all seats is integrated over.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.bench.machine import SETTING_PARTS, Flags, Floats, Machine, Noise
from tests.bench.shafts import Shaft

#: Readings of one seat of one part that differ; any further one repeats the last.
READINGS = 4
#: Points of the Gauss-Hermite rule over the common noise.
_POINTS = 11


class ShaftNoise(Noise):
    """What chance brings to each seed of a shaft; arrays end with the seats where they differ."""

    dress_own: Floats
    setup_own: Floats

    def __init__(self, shaft: Shaft, seeds: list[int], parts: int) -> None:
        self.shaft = shaft
        super().__init__(shaft.scene, seeds, parts)

    def _row(self, rng: np.random.Generator) -> dict[str, Floats]:
        row = super()._row(rng)
        scene, n, seats = self.scene, self.parts, self.shaft.seats
        count, cycles = len(seats), len(row["dress"])
        own = rng.standard_normal((n, count))
        for k in range(1, n):
            own[k] = scene.alike * own[k - 1] + np.sqrt(1 - scene.alike**2) * own[k]
        c = self.shaft.together
        odd = rng.random((n, count, READINGS)) < np.array([s.odd_rate for s in seats])[:, None]
        wrong = odd * rng.standard_normal(odd.shape) * scene.odd_sd
        row["part"] = np.sqrt(c) * row["part"][:, None] + np.sqrt(1 - c) * own
        row["gauge"] = scene.gauge_sd * rng.standard_normal(odd.shape) + wrong
        steps = rng.standard_normal((n, count)) * [s.walk_sd for s in seats]
        lag = np.array([s.drift_parts for s in seats])
        drift = -np.expm1(-np.arange(n + 1)[:, None] / lag) * [s.drift for s in seats]
        row["own"] = np.cumsum(steps, axis=0) + drift[1:]
        row["dress_own"] = rng.standard_normal((cycles, count)) * [s.dress_sd for s in seats]
        row["setup_own"] = rng.standard_normal(count) * [s.setup_sd for s in seats]
        row["setup"] = scene.setup_sd * rng.standard_normal(self.shaft.registers)
        return row


class ShaftMachine(Machine):
    """
    Lanes of one shaft, ground part by part.

    Parameters
    ----------
    noise : ShaftNoise
        Of the shaft.
    rows : ndarray of int, shape (lanes,)
        The seed's row in `noise` of each lane.

    Attributes
    ----------
    level : ndarray, shape (lanes, seats)
        True levels of the part ground last. [µm]
    register, since_setting : ndarray, shape (lanes, registers)
        Moves in all, and since the third part of the cycle. [µm]
    """

    noise: ShaftNoise

    def __init__(self, noise: ShaftNoise, rows: NDArray[np.int64]) -> None:
        super().__init__(noise, rows)
        self.shaft = shaft = noise.shaft
        self.half = np.array([s.half_width for s in shaft.seats])
        self.share = np.array([s.share for s in shaft.seats])
        self.of = np.array([s.register for s in shaft.seats])
        self.register, self.since_setting = np.zeros((2, len(rows), shaft.registers))
        nodes, weights = np.polynomial.hermite_e.hermegauss(_POINTS if shaft.together else 1)
        self._nodes, self._weights = nodes, weights / weights.sum()

    def alone(self, lane: int) -> "ShaftMachine":
        """One lane as it stands, on the same noise."""
        one = ShaftMachine(self.noise, self.rows[lane : lane + 1])
        one.made = self.made
        for name in ("age", "cycle", "cold", "walked", "register", "since_setting"):
            setattr(one, name, getattr(self, name)[lane : lane + 1].copy())
        return one

    def now(self) -> tuple[Floats, Floats]:
        """True levels, shape (lanes, seats), and spread, shape (lanes,), as things stand. [µm]"""
        worn, settled, grown, sd = self.wheel(self.age, self.cycle)
        common = settled - self.chill
        return self.seat_base + common[:, None] + (worn + grown)[:, None] * self.share, sd

    @property
    def stand(self) -> Floats:
        """Where each register stands, shape (lanes, registers), see `base`. [µm]"""
        common = self.noise.dress[self.rows, self.cycle] + self.walked
        return self.noise.setup[self.rows] + self.register + common[:, None]

    @property
    def seat_base(self) -> Floats:
        """Where each seat stands, register included, but for wear, settling and warm-up. [µm]"""
        return self.stand[:, self.of] + self.own

    @property
    def own(self) -> Floats:
        """What each seat has apart from the others, without its share of the wear. [µm]"""
        noise, rows = self.noise, self.rows
        walked = noise.own[rows, max(self.made - 1, 0)]
        return noise.setup_own[rows] + noise.dress_own[rows, self.cycle] + walked

    def _outside(
        self, level: Floats, sd: Floats, seats: slice | NDArray[np.int64] = slice(None)
    ) -> tuple[Floats, Floats]:
        """Chance that any seat of a part is below; that none is, and any above."""
        halves = self.half[seats]
        if len(halves) == 1:
            half, level = halves[0], level[..., 0]
            return ndtr((-half - level) / sd), ndtr((level - half) / sd)
        c = self.shaft.together
        z = np.sqrt(c) * self._nodes
        scale = sd[..., None] * np.sqrt(1 - c)
        inside = above_low = np.ones(1)
        for f, half in enumerate(halves):
            away = level[..., f, None] + sd[..., None] * z
            low = ndtr((-half - away) / scale)
            high = ndtr((away - half) / scale)
            above_low = above_low * (1 - low)
            inside = inside * (1 - low - high)
        below = 1 - above_low @ self._weights
        return below, (above_low - inside) @ self._weights

    def loss(
        self, level: Floats, sd: Floats, seats: slice | NDArray[np.int64] = slice(None)
    ) -> Floats:
        """Expected cost of a part at the levels of some seats, shape (..., seats)."""
        scene = self.scene
        low, high = self._outside(level, sd, seats)
        square = ((level**2 + sd[..., None] ** 2) / self.half[seats] ** 2).sum(axis=-1)
        return scene.off_target * square + scene.scrap * low + scene.rework * high

    def outside(self, level: Floats, sd: Floats) -> Floats:
        """Chance that any seat of a part is outside its limits."""
        low, high = self._outside(level, sd)
        return low + high

    def measure(self, again: int = 0) -> Floats:
        """Readings of the part ground last, every lane and seat; `again` counts repeats. [µm]"""
        k = self.made - 1
        size = self.level + self.sd[:, None] * self.noise.part[self.rows, k]
        step = self.scene.gauge_step
        read = size + self.noise.gauge[self.rows, k, :, min(again, READINGS - 1)]
        return np.round(read / step) * step

    def pay_reading(self, where: Flags) -> None:
        """Readings beside the schedule, shape (lanes, seats), are paid for one by one."""
        super().pay_reading(where.sum(axis=1))

    def offset(self, um: Floats, where: Flags) -> Floats:
        """Move registers, shape (lanes, registers), where asked; what was typed. [µm]"""
        step = self.scene.offset_step
        typed = np.where(where, np.round(um / step) * step, 0.0)
        self.register = self.register + typed
        late = (self.age > SETTING_PARTS)[:, None]
        self.since_setting = self.since_setting + np.where(late, typed, 0.0)
        moved = (typed != 0).sum(axis=1)
        self.cost += self.scene.offset * moved
        self.offsets += moved
        return typed

    def _begin_setting(self, where: Flags) -> None:
        super()._begin_setting(where[:, None])
