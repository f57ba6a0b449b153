"""What truly may have happened at the wheel, given the record: one draw, met by every policy."""

import math
from dataclasses import replace

import numpy as np

from spc.dressing_costs import Form
from spc.measured_cycles import steps_um
from spc.replay.recorded import Recorded
from spc.simulate.streams import generator
from spc.wear_fit import Floats, MeasuredCycle, WearFit, split

#: Share of the variance of young readings that the gauge is believed to make at most, so that
#: parts keep some scatter of their own (our choice).
MOST_GAUGE = 0.8
#: Residuals of about the same age that one is drawn from: at least so many, or a third of them.
_ALIKE = 10


class Wheel:
    """One dress cycle as it may have been, age by age; mirrored so that wear goes up. [µm]"""

    __slots__ = ("gauge", "growth", "level", "scatter")

    def __init__(self, level: float | None, growth: Floats, scatter: Floats, gauge: Floats) -> None:
        self.level = level  # None: nothing was measured in it
        self.growth: list[float] = growth.tolist()
        self.scatter = scatter  # in spreads of the part's age
        self.gauge = gauge


class Truth:
    """
    One draw of the run: its process refitted to cycles drawn at random, then its levels.

    Cycle j of every policy meets wheel j, and its k-th part the scatter and the gauge error of part
    k (common random numbers); as recorded, they give the readings. Only spread hangs on age: were
    scatter tied to the age of a cycle, a policy would meet the very readings that the operator
    met, and its decisions would follow his more closely than they ever could.

    Parameters
    ----------
    record : Recorded
        The run.
    seed, draw : int
        Which draw; equal numbers give equal truths.

    Notes
    -----
    Given the refitted process, level, drift and wave of a recorded cycle are drawn from their
    distribution given its readings (a prior draw corrected by its own residuals: Matheron's rule,
    Journel and Huijbregts, Mining Geostatistics, 1978, from memory). Scatter of parts that nobody
    measured is drawn from the fit's own residuals at about that age.
    """

    def __init__(self, record: Recorded, seed: int, draw: int) -> None:
        self.record = record
        self._key = (seed, "replay", draw)
        self.fit: WearFit = record.fit.drawn(generator(*self._key, "fit"))
        self._last = max(record.known_to, *record.made)
        self._ages = np.arange(1, self._last + 1)
        self._sd = self.fit.sd_at(np.minimum(self._ages, record.known_to))
        gauge = min(record.lead.gauge_sd_um**2, MOST_GAUGE * self.fit.sd_um**2)
        self._own = 1 - gauge / self._sd**2  # share of the variance that is the part's own
        self.gauge_sd_um = math.sqrt(gauge)
        self._curve = self.fit.curve_um(self._ages)
        # One draw of many waves takes one root.
        waves = self.fit.wave_covariance(self._ages, self._ages)
        self._wave_root = np.linalg.cholesky(waves + 1e-9 * np.eye(self._last))
        self._wheels: dict[int, Wheel] = {}
        self._steps = self._recorded_steps()
        self._by_part()
        self._forms = [self._form_of(form, place) for place, form in enumerate(record.forms)]

    def form_um(self, place: int, part: int, age: int) -> float:
        """Value of form `place` of the record on a part (from 0) ground at an age. [µm]"""
        middle, sd, scatter = self._forms[place]
        return math.exp(middle[age - 1] + sd[age - 1] * scatter[part])

    def _form_of(self, form: Form, place: int) -> tuple[list[float], list[float], list[float]]:
        """Middle of the logarithm by age, its spread, and where in it each part lies."""
        random = generator(*self._key, "form", place)
        fit = form.growth.drawn(random)
        scatter = random.standard_normal(self.record.parts)
        series, first = form.series, self.record.first_part
        mine = series.parts >= first
        log, ages = np.log(series.deviation_um[mine]), series.since_dress[mine]
        scatter[series.parts[mine] - first] = (log - fit.middle(ages)) / fit.sd_at(ages)
        return fit.middle(self._ages).tolist(), fit.sd_at(self._ages).tolist(), scatter.tolist()

    def _by_part(self) -> None:
        made = list(enumerate(self.record.made))
        self.scatter: list[float] = np.concatenate(
            [self.wheel(j).scatter[:n] for j, n in made]
        ).tolist()
        self.gauge: list[float] = np.concatenate(
            [self.wheel(j).gauge[:n] for j, n in made]
        ).tolist()
        self.spread: list[float] = (self._sd * np.sqrt(self._own)).tolist()

    def wheel(self, number: int) -> Wheel:
        """The wheel of cycle `number`, from 0."""
        if number not in self._wheels:
            random = generator(*self._key, "cycle", number)
            cycles = self.record.cycles
            cycle = cycles[number] if number < len(cycles) else None
            self._wheels[number] = self._drawn(random, cycle)
        return self._wheels[number]

    def step_um(self, number: int) -> float:
        """What the dress before cycle `number` did to the level, wear that it takes apart."""
        known = self._steps.get(number)
        if known is not None:
            return known
        random = generator(*self._key, "step", number)
        pool = list(self._steps.values())
        return pool[int(random.integers(len(pool)))] if pool else 0.0

    def reread_um(self, part: int, look: int) -> float:
        """The error of another look at one part. [µm]"""
        return float(generator(*self._key, "look", part, look).normal(0, self.gauge_sd_um))

    def first_level_um(self) -> float:
        """Level at which the first cycle begins, offsets taken out."""
        levels = [self.wheel(j).level for j in range(len(self.record.cycles))]
        return next(level for level in levels if level is not None)

    def recorded_sizes(self) -> Floats:
        """True sizes of the parts as they were ground, mirrored, shape (parts,). [µm]"""
        level, found = self.first_level_um(), []
        for number, made in enumerate(self.record.made):
            if number:
                level = self.next_level(level, number, made_before=self.record.made[number - 1])
            wheel = self.wheel(number)
            level = level if wheel.level is None else wheel.level
            spread = np.array(self.spread[:made])
            found.append(level + np.array(wheel.growth[:made]) + spread * wheel.scatter[:made])
        return np.asarray(np.concatenate(found) + self.record.moves_um)

    def next_level(self, level: float, number: int, *, made_before: int) -> float:
        """Level at which cycle `number` begins when the one before began at `level`."""
        if not self.record.way.resets_size:
            level += self.wheel(number - 1).growth[made_before - 1]
        return level + self.step_um(number)

    def _recorded_steps(self) -> dict[int, float]:
        made = self.record.made
        levels = [self.wheel(number).level for number in range(len(made))]
        worn = [
            0.0 if self.record.way.resets_size else self.wheel(number).growth[parts - 1]
            for number, parts in enumerate(made)
        ]
        return steps_um(self.record.dressed, levels, worn)

    def _drawn(self, random: np.random.Generator, cycle: MeasuredCycle | None) -> Wheel:
        fit, ages = self.fit, self._ages
        slope = fit.slope_sd_um * random.standard_normal()
        wave = self._wave_root @ random.standard_normal(self._last)
        scatter = self._resampled(random)
        gauge = self.gauge_sd_um * random.standard_normal(self._last)
        shared = np.sqrt(self._own * (1 - self._own)) * self._sd
        shared = shared * random.standard_normal(self._last)
        normal = self._sd * random.standard_normal(self._last)
        if cycle is None or not len(cycle):
            return Wheel(None, self._curve + slope * ages + wave, scatter, gauge)
        n = cycle.ages
        at = n - 1
        rest = cycle.bare_um - slope * n - wave[at] - normal[at]
        shown = split(fit, replace(cycle, bare_um=rest))
        slope += shown.drift_um
        wave += fit.wave_covariance(ages, n) @ (shown.single_um / fit.sd_at(n) ** 2)
        single = normal[at] + shown.single_um
        own = self._own[at] * single + shared[at]
        gauge[at] = single - own
        scatter[at] = own / (self._sd[at] * np.sqrt(self._own[at]))
        return Wheel(shown.level_um, self._curve + slope * ages + wave, scatter, gauge)

    def _resampled(self, random: np.random.Generator) -> Floats:
        pool = self.record.fit.pool
        order = np.argsort(pool[:, 0], kind="stable")
        alike = min(len(pool), max(_ALIKE, len(pool) // 3))
        place = np.searchsorted(pool[order, 0], self._ages) - alike // 2
        start = np.clip(place, 0, len(pool) - alike)
        return np.asarray(pool[order, 1][start + random.integers(alike, size=self._last)])
