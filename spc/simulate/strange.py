"""Grinders of another make: other wear curves, other noise, other surprises, to judge fairly."""

import math
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spc.adviser.loss import Stakes
from spc.simulate.process import Event, rounded
from spc.simulate.reference import Outlook
from spc.simulate.streams import Draw, Stream, factor, gamma, gauge_error, generator, normal

Floats = NDArray[np.float64]
Shape = Literal["power", "logistic", "two slopes", "late", "saturating", "lumpy"]
SHAPES: tuple[Shape, ...] = ("power", "logistic", "two slopes", "late", "saturating", "lumpy")


@dataclass(frozen=True)
class Strange:
    """
    One process of the second family. Sizes are µm on diameter about a middle of zero.

    A dress re-references the wheel: its wear leaves the size, and the control takes back the
    moves typed after the third part of the cycle. Readings come on a fixed schedule and are
    free; there is neither form nor finish, so a dull wheel shows in spread and slope alone.
    """

    name: str
    shape: Shape
    bend: float  # what makes the curve of its shape, see `worn`
    tolerance_um: float
    bore: bool = False
    cycle_min: float = 1.0
    every: int = 5  # parts from one reading to the next
    # Wear
    worn_um: float = 10.0  # at the end of a usual life
    worn_log_sd: float = 0.15
    life_parts: float = 80.0
    life_log_sd: float = 0.15
    lumps_cv: float = 0.5
    settle_um: float = 1.0  # climb of a fresh wheel
    settle_parts: float = 4.0
    # Scatter
    part_sd_um: float = 0.9
    dull_spread: float = 0.8  # how much wider at the end of life
    dull_power: float = 3.0
    memory: float = 0.0  # correlation of neighbouring parts
    tails: float | None = None  # degrees of freedom of Student's t
    # Level
    dress_sd_um: float = 1.0
    walk_sd_um: float = 0.05
    wave_sd_um: float = 0.0
    wave_parts: float = 120.0
    step_rate: float = 0.0  # jumps of the level nobody wrote down, per part
    step_sd_um: float = 3.0
    warm_up_um: float = 0.0
    warm_min: float = 40.0
    # Gauge and control
    gauge_sd_um: float = 0.3
    gauge_step_um: float = 0.1
    slip_rate: float = 0.0
    slip_sd_um: float = 8.0
    offset_step_um: float = 0.5
    offset_sd_um: float = 0.1
    clears_all: bool = False  # a dress takes back every move, whatever the plan says
    # Money
    scrap: float = 2.0
    rework: float = 0.7
    dress: float = 1.5
    offset: float = 0.08
    measure: float = 0.05
    off_target: float = 0.08
    machine_minute: float = 0.05
    # What the plan says of the wheel
    habit: int = 70
    most: int | None = None

    @property
    def sign(self) -> int:
        """+1 for an outside diameter, -1 for a bore."""
        return -1 if self.bore else 1

    @property
    def stakes(self) -> Stakes:
        """Limits and money."""
        below, above = (self.rework, self.scrap) if self.bore else (self.scrap, self.rework)
        return Stakes(
            low=below, high=above, off_target=self.off_target, offset=self.offset,
            dress=self.dress, measure=self.measure, step=self.offset_step_um / self.tolerance_um,
        )  # fmt: skip


def worn(shape: Shape, bend: float, u: Floats) -> Floats:
    """
    Share of a life's wear after a share `u` of that life: 0 at 0 and 1 at 1.

    Parameters
    ----------
    shape : str
        "power" ``u^bend``; "logistic" with its middle at `bend`; "two slopes" that meet at 0.6,
        the first `bend` times the mean; "late" straight and then growing like ``e^(bend u)``;
        "saturating" ``1 - e^(-bend u)``; "lumpy" straight, its increments uneven.
    bend : float
        See `shape`.
    u : ndarray
        Shares of life, any shape.
    """
    if shape == "power":
        return np.asarray(u**bend)
    if shape == "logistic":
        raw = 1 / (1 + np.exp(-(np.append(u, [0.0, 1.0]) - bend) / 0.13))
        return np.asarray((raw[:-2] - raw[-2]) / (raw[-1] - raw[-2]))
    if shape == "two slopes":
        first = np.minimum(u, 0.6) * bend
        return np.asarray(first + np.maximum(u - 0.6, 0) * (1 - 0.6 * bend) / 0.4)
    if shape == "late":
        # Beyond twice the life the curve goes on straight; no wheel is ever run that far.
        end = np.minimum(u, 2.0)
        return np.asarray(0.6 * u + 0.4 * np.expm1(bend * end) / np.expm1(bend))
    if shape == "saturating":
        return np.asarray(np.expm1(-bend * u) / np.expm1(-bend))
    return np.asarray(u)


class StrangeGrinder:
    """
    One machine of the second family, part by part.

    Parameters
    ----------
    scene : Strange
        How it behaves.
    seed : int
        The run: equal seeds meet equal noise, whatever is done to the machine.

    Attributes
    ----------
    costs : dict of str to float
        Money spent: size, dress, offset, reread, look, idle.
    out : int
        Parts outside the limits.
    """

    def __init__(self, scene: Strange, seed: int) -> None:
        self.scene = scene
        self.seed = seed
        self.number = 0
        self.minute = 0.0
        self.since_dress = 0
        self.size_um = self.level_um = math.nan
        self.out = 0
        self.costs = dict.fromkeys(("size", "dress", "offset", "reread", "look", "idle"), 0.0)
        self.events: list[Event] = []
        self._stakes = scene.stakes
        self._open_streams()
        self._register = self._cycle_um = 0.0
        self._base = 2 * self._dresses[0]
        self._warm = 0.0
        self._noise = self._fresh[0]
        self._wave = self._waves[0]
        self._wave_keep = math.exp(-1 / scene.wave_parts)
        self._warm_keep = math.exp(-scene.cycle_min / scene.warm_min)
        self._looks = self._dress_count = self._offset_count = 0
        self._new_cycle()

    def _open_streams(self) -> None:
        s, seed = self.scene, self.seed
        self._fresh = Stream(seed, "part", _scatter(s.tails))
        self._walks = Stream(seed, "walk", normal(s.walk_sd_um))
        self._waves = Stream(seed, "wave", normal(s.wave_sd_um))
        self._steps = Stream(seed, "step", _jumps(s.step_rate, s.step_sd_um))
        self._dresses = Stream(seed, "dress", normal(s.dress_sd_um))
        self._amounts = Stream(seed, "worn", factor(s.worn_log_sd, mean_one=True))
        self._lives = Stream(seed, "life", factor(s.life_log_sd, mean_one=False))
        self._entries = Stream(seed, "offset", normal(s.offset_sd_um))
        self._gauges: dict[int, Stream] = {}

    def _new_cycle(self) -> None:
        s, number = self.scene, self._dress_count
        self.since_dress = 0
        self.life_parts = s.life_parts * self._lives[number]
        self._inc = Stream(self.seed, f"inc/{number}", gamma(s.lumps_cv), block=64)
        last = max(int(4 * s.life_parts), 400)
        u = np.arange(last + 1) / self.life_parts
        settled = s.settle_um * -np.expm1(-np.arange(last + 1) / s.settle_parts)
        amount = s.worn_um * self._amounts[number]
        self._path: Floats = amount * worn(s.shape, s.bend, u)
        self._growth: list[float] = np.diff(self._path).tolist()
        self._settled: list[float] = settled.tolist()
        self._spread: list[float] = (
            s.part_sd_um * (1 + s.dull_spread * np.minimum(u, 2.0) ** s.dull_power)
        ).tolist()
        self._worn = 0.0

    def part(self) -> int:
        """The number of the part just ground: 1, 2, 3 ..."""
        s = self.scene
        self.number = k = self.number + 1
        self.minute += s.cycle_min
        self.since_dress = n = self.since_dress + 1
        self._warm += (1 - self._warm) * (1 - self._warm_keep)
        keep = self._wave_keep
        self._wave = keep * self._wave + math.sqrt(1 - keep * keep) * self._waves[k]
        place = min(n, len(self._growth)) - 1
        self._worn += self._growth[place] * self._inc[n]
        self._base += self._walks[k] + self._steps[k]
        fresh = math.sqrt(1 - s.memory**2)
        self._noise = s.memory * self._noise + fresh * self._fresh[k]
        self.level_um = self._level(place + 1)
        self.size_um = self.level_um + self.spread_um * self._noise
        self.costs["size"] += float(self._stakes.loss(self.size_um / s.tolerance_um, 0.0))
        self.out += abs(self.size_um) > s.tolerance_um
        self._looks = 0
        return k

    def _level(self, n: int) -> float:
        s = self.scene
        wheel = s.sign * (self._worn + self._settled[n])
        return self._base + self._register + wheel + s.warm_up_um * self._warm + self._wave

    @property
    def now_um(self) -> float:
        """Where the level stands after whatever was done. Truth, for the reference."""
        return self._level(min(self.since_dress, len(self._growth)))

    def outlook(self, horizon: int) -> Outlook:
        """What full knowledge expects of the next `horizon` parts of this cycle."""
        s, n = self.scene, self.since_dress
        wheel = self._path + np.array(self._settled)
        growth = s.sign * np.diff(wheel)[n : n + horizon]
        warm = 1 - (1 - self._warm) * self._warm_keep ** np.arange(horizon + 1)
        wave = self._wave * self._wave_keep ** np.arange(horizon + 1)
        growth = growth + (s.warm_up_um * np.diff(warm) + np.diff(wave))[: len(growth)]
        swell = s.wave_sd_um * math.sqrt(1 - self._wave_keep**2)
        return Outlook(
            growth_um=growth,
            sd_um=np.array(self._spread[n + 1 : n + 1 + len(growth)]),
            hazard=np.zeros(len(growth)),
            walk_um=math.hypot(s.walk_sd_um, swell),
        )

    @property
    def spread_um(self) -> float:
        """Standard deviation of the last part about its level. Truth. [µm]"""
        return self._spread[min(self.since_dress, len(self._growth))]

    def fork(self) -> "StrangeGrinder":
        """The same machine at the same moment, to see what would come of it."""
        other = copy(self)
        other.costs, other.events, other._gauges = (
            dict(self.costs), list(self.events), dict(self._gauges)
        )  # fmt: skip
        return other

    def measure(self) -> float:
        """A reading of the last part; free the first time. [µm]"""
        s = self.scene
        errors = self._gauges.get(self._looks)
        if errors is None:
            error = gauge_error(s.gauge_sd_um, outlier_rate=s.slip_rate, outlier_sd=s.slip_sd_um)
            errors = self._gauges[self._looks] = Stream(self.seed, f"gauge/{self._looks}", error)
        if self._looks:
            self.costs["reread"] += s.measure
        self._looks += 1
        return rounded(self.size_um + errors[self.number], s.gauge_step_um)

    def offset(self, um: float) -> float:
        """Move the register by `um`, rounded to the control's step; what was typed."""
        typed = rounded(um, self.scene.offset_step_um)
        if typed == 0:
            return 0.0
        self._register += typed + self._entries[self._offset_count]
        self._offset_count += 1
        if self.since_dress > 3:
            self._cycle_um += typed
        self.costs["offset"] += self.scene.offset
        self.events.append(Event(self.number, self.minute, "offset", typed))
        return typed

    def dress(self) -> None:
        """Dress the wheel: its wear and the cycle's offsets leave the size."""
        self._dress_count += 1
        self._base += self._dresses[self._dress_count]
        self._register -= self._register if self.scene.clears_all else self._cycle_um
        self._cycle_um = 0.0
        self._new_cycle()
        self.costs["dress"] += self.scene.dress
        self.events.append(Event(self.number, self.minute, "dress"))

    def pause(self, minutes: float) -> None:
        """Stand still: the machine cools, half as fast again slower than it warms."""
        self._warm *= math.exp(-minutes / (1.5 * self.scene.warm_min))
        self.minute += minutes
        self.events.append(Event(self.number, self.minute, "pause", minutes=minutes))

    def idle(self, minutes: float) -> None:
        """Run without grinding: the machine warms, and the minutes are paid."""
        self._warm += (1 - self._warm) * (1 - math.exp(-minutes / self.scene.warm_min))
        self.minute += minutes
        self.costs["idle"] += self.scene.machine_minute * minutes

    def look(self) -> None:
        """Stop for two minutes and check; nothing is found."""
        self.costs["look"] += 2 * self.scene.machine_minute

    @property
    def cost(self) -> float:
        """All money spent."""
        return sum(self.costs.values())


def _scatter(tails: float | None) -> Draw:
    if tails is None:
        return normal(1.0)
    scale = math.sqrt((tails - 2) / tails)
    return lambda random, size: scale * random.standard_t(tails, size)


def _jumps(rate: float, sd: float) -> Draw:
    def draw(random: np.random.Generator, size: int) -> Floats:
        return (random.random(size) < rate) * (sd * random.standard_normal(size))

    return draw


def drawn(number: int) -> Strange:
    """
    Scene `number` of an endless family: every structure and every figure drawn from it.

    Numbers that follow each other go through the wear curves; all else is independent. Ranges are
    engineering judgement. Keep the numbers you tune on apart from those you judge by.
    """
    random = generator("strange scene", number)
    shape = SHAPES[number % len(SHAPES)]
    bend = {
        "power": random.uniform(0.6, 1.6), "logistic": random.uniform(0.45, 0.8),
        "two slopes": random.uniform(0.5, 1.4), "late": random.uniform(3.0, 6.0),
        "saturating": random.uniform(0.8, 2.5), "lumpy": 1.0,
    }[shape]  # fmt: skip

    def sometimes(share: float, value: Callable[[], float]) -> float:
        # Both draws are always made, so that one more switch never shifts the others.
        chance, drawn_value = random.random(), value()
        return drawn_value if chance < share else 0.0

    tolerance = random.uniform(5, 12)
    part_sd = tolerance * random.uniform(0.11, 0.24)
    life = float(np.exp(random.uniform(np.log(40), np.log(160))))
    scrap = random.uniform(1.5, 4.5)
    every = int(random.choice([2, 3, 4, 5, 6, 8, 10]))
    # Nobody looks so seldom that a third of the half tolerance is worn away in between.
    worn_um = min(tolerance * random.uniform(0.6, 2.5), 0.33 * tolerance * life / every)
    tails = sometimes(0.35, lambda: random.uniform(3.5, 8))
    return Strange(
        name=f"{number} {shape}",
        shape=shape,
        bend=bend,
        tolerance_um=round(tolerance, 1),
        bore=bool(random.random() < 0.25),
        cycle_min=round(random.uniform(0.5, 2.0), 2),
        every=every,
        worn_um=worn_um,
        worn_log_sd=random.uniform(0.05, 0.3),
        life_parts=life,
        life_log_sd=random.uniform(0.05, 0.25),
        lumps_cv=random.uniform(0.8, 1.6) if shape == "lumpy" else random.uniform(0.2, 1.0),
        settle_um=sometimes(0.7, lambda: tolerance * random.uniform(0.05, 0.3)),
        settle_parts=random.uniform(2, 12),
        part_sd_um=part_sd,
        dull_spread=random.uniform(0.3, 1.6),
        dull_power=random.uniform(2, 5),
        memory=sometimes(0.5, lambda: random.uniform(0.2, 0.7)),
        tails=tails or None,
        dress_sd_um=part_sd * random.uniform(0.3, 1.2),
        walk_sd_um=part_sd * random.uniform(0.02, 0.12),
        wave_sd_um=sometimes(0.5, lambda: part_sd * random.uniform(0.3, 0.9)),
        wave_parts=random.uniform(40, 250),
        step_rate=sometimes(0.3, lambda: random.uniform(0.0005, 0.003)),
        step_sd_um=tolerance * random.uniform(0.2, 0.5),
        warm_up_um=sometimes(0.35, lambda: tolerance * random.uniform(-1.2, 0.8)),
        warm_min=random.uniform(15, 70),
        gauge_sd_um=part_sd * random.uniform(0.15, 0.7),
        gauge_step_um=float(random.choice([0.1, 0.2, 0.5, 1.0])),
        slip_rate=sometimes(0.5, lambda: random.uniform(0.002, 0.012)),
        slip_sd_um=tolerance * random.uniform(0.4, 1.5),
        offset_step_um=float(random.choice([0.5, 1.0, 2.0])),
        offset_sd_um=random.uniform(0, 0.3),
        scrap=round(scrap, 2),
        rework=round(scrap * random.uniform(0.2, 0.6), 2),
        dress=round(random.uniform(1.5, 5.0), 2),
        offset=round(random.uniform(0.03, 0.18), 3),
        off_target=round(scrap * random.uniform(0.03, 0.06), 3),
        habit=round(life * random.uniform(0.6, 1.0)),
        most=round(life * 1.5) if random.random() < 0.5 else None,
    )  # fmt: skip
