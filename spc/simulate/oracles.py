"""Two who know more than any shop: the true state at every part, or the true parameters only."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spc.adviser.loss import Stakes
from spc.simulate.cycle import UsualCycle, usual_cycle
from spc.simulate.policies import Act
from spc.simulate.process import Grinder
from spc.simulate.reference import BestActs, Outlook, after_dress
from spc.simulate.settings import Setting

Floats = NDArray[np.float64]


def stakes_of(setting: Setting) -> Stakes:
    """Limits and money of a setting."""
    prices = setting.prices
    below, above = (prices.rework, prices.scrap) if setting.bore else (prices.scrap, prices.rework)
    return Stakes(
        low=below, high=above, off_target=prices.off_target, offset=prices.offset,
        dress=prices.dress, measure=prices.measure,
        step=setting.offset_step_um / setting.tolerance_um,
    )  # fmt: skip


def outlook_of(grinder: Grinder, parts: int) -> Outlook:
    """What full knowledge expects of the next `parts` parts of the present cycle."""
    s, now = grinder.setting, grinder.cycle
    n = now.since_dress
    usual = usual_cycle(s, wear_um=now.wear_um, life_parts=now.life_parts, parts=n + parts)
    return _outlook(s, usual, s.part_sd_um, since=n, heat_um=grinder.drift_ahead(parts))


def _outlook(
    s: Setting, usual: UsualCycle, sd_um: float, *, since: int = 0, heat_um: Floats | float = 0.0
) -> Outlook:
    """A cycle from `since` parts after its dress on, as it is expected."""
    growth = s.sign * np.diff(usual.wheel_um)[since:] + heat_um
    return Outlook(
        growth_um=growth,
        sd_um=np.full(len(growth), sd_um),
        hazard=usual.hazard[since + 1 :],
        walk_um=_wander(s),
        drop_um=s.sign * usual.wheel_um[since:-1],
    )


@lru_cache(maxsize=8)
def _begin(setting: Setting, rate: float, parts: int) -> tuple[float, ...]:
    """Worth of the level a dress leaves, by a usual cycle; see `reference.after_dress`."""
    s = setting
    usual = usual_cycle(s, wear_um=s.wear_um, life_parts=s.life_parts, parts=parts)
    worth = after_dress(
        _outlook(s, usual, s.part_sd_um), stakes_of(s), s.tolerance_um, rate=rate,
        bias_um=s.dress_bias_um, sd_um=s.dress_sd_um,
    )  # fmt: skip
    return tuple(worth)


def _wander(setting: Setting) -> float:
    """What the level does from part to part besides wear and heat, one standard deviation."""
    swell = setting.wave_sd_um * math.sqrt(-math.expm1(-2 * setting.cycle_min / setting.wave_min))
    lumps = setting.wear_um * setting.wear_within_cv
    return math.sqrt(setting.walk_sd_um**2 + swell**2 + lumps**2)


class TrueState:
    """
    Full knowledge on one grinder: the true level, wear and life of the cycle, and no readings.

    Parameters
    ----------
    grinder : Grinder
        Whose truth it sees.
    rate : float
        Long-run cost per part, see `reference.BestActs`.

    Notes
    -----
    It acts by backward induction over the cycle, so it is nearer to the best possible than a
    greedy rule, but it cannot foresee noise: a near-bound, not a proven one.
    """

    def __init__(self, grinder: Grinder, *, rate: float) -> None:
        self._grinder = grinder
        self._rate = rate
        # At twice the usual life any wheel is long past its dress.
        self._horizon = round(2.2 * grinder.setting.life_parts)
        self.look_ahead()

    def look_ahead(self) -> None:
        """Reckon anew after a dress, a pause or a new batch."""
        outlook = outlook_of(self._grinder, self._horizon)
        setting = self._grinder.setting
        begin = None
        if not setting.dress_clears_offsets:
            begin = np.array(_begin(setting, self._rate, self._horizon))
        self._best = BestActs(
            outlook, stakes_of(setting), setting.tolerance_um, rate=self._rate, begin=begin
        )
        self._start = self._grinder.cycle.since_dress

    def act(self) -> None:
        """Do what is best before the next part."""
        grinder = self._grinder
        act, move = self._advice()
        if act == "dress" and grinder.cycle.since_dress > 0:
            grinder.dress()
            self.look_ahead()
            act, move = self._advice()
        if act == "offset":
            grinder.offset(move)

    def _advice(self) -> tuple[str, float]:
        n = self._grinder.cycle.since_dress
        return self._best.act(n - self._start, self._grinder.level_um())


#: Normal quantiles that stand for the lives a cycle may have.
_LIVES = (-1.5, -0.9, -0.43, 0.0, 0.43, 0.9, 1.5)


@dataclass(frozen=True, eq=False)
class Course:
    """One life a cycle may have: its expected path, its form, and the best acts along it."""

    log_prior: float
    wheel_um: Floats
    log_ra: Floats
    log_roundness: Floats
    best: BestActs


@lru_cache(maxsize=8)
def courses(setting: Setting, rate: float) -> tuple[Course, ...]:
    """The courses a cycle may take, with the acts that full knowledge of the life would choose."""
    s, last = setting, round(3 * setting.life_parts)
    made = []
    for z in _LIVES:
        life = s.life_parts * math.exp(z * s.life_log_sd)
        usual = usual_cycle(s, wear_um=s.wear_um, life_parts=life, parts=last)
        # The level is known to about half the scatter of parts: sqrt(1 + 1/4) = 1.12.
        outlook = _outlook(s, usual, 1.12 * s.part_sd_um)
        made.append(
            Course(
                log_prior=-z * z / 2,
                wheel_um=s.sign * usual.wheel_um,
                log_ra=np.log(usual.ra_um),
                log_roundness=np.log(usual.roundness_um),
                best=BestActs(outlook, stakes_of(s), s.tolerance_um, rate=rate),
            )
        )
    return tuple(made)


class TrueParameters:
    """
    A filter that knows every parameter of the process and sees only readings.

    It isolates what estimating the state costs: what it loses against `TrueState` is the price of
    measuring, and what the adviser loses against it is the price of learning.

    Parameters
    ----------
    setting : Setting
        The process.
    rate : float
        Long-run cost per part, see `reference.BestActs`.
    every : int
        Parts from one check to the next in the first half of a usual life, half as many later;
        two checks after the start and after a dress.

    Notes
    -----
    The level is a Kalman filter over base, slow wave and the cycle's wear as a share of the usual;
    the life is a posterior over a few lives, fed by roughness and roundness. The act is the one
    with the least cost on average over the lives, as if the life became known right after it.
    """

    def __init__(self, setting: Setting, *, rate: float, every: int = 5) -> None:
        self._setting = s = setting
        self._courses = courses(setting, rate)
        self._every = every
        self._mean = np.array([0.0, 0.0, 1.0])
        self._cov = np.diag([s.start_sd_um**2, s.wave_sd_um**2, s.wear_between_cv**2])
        self._prior = np.array([course.log_prior for course in self._courses])
        self._log_weights = self._prior.copy()
        self._wheels = np.stack([course.wheel_um for course in self._courses])
        self._fast = self._slow = 0.0
        self._n = 0
        self._cycle_um = 0.0
        self._first_offs = 2
        self._gross = False
        self._wave_keep = math.exp(-s.cycle_min / s.wave_min)
        lumps = s.wear_um * s.wear_within_cv
        self._walk_var = s.walk_sd_um**2 + lumps**2

    def part(self, minute: float | None = None) -> None:
        """A part was ground."""
        s, keep = self._setting, self._wave_keep
        self._n += 1
        self._fast += (1 - self._fast) * -math.expm1(-s.cycle_min / s.warm_fast_min)
        self._slow += (1 - self._slow) * -math.expm1(-s.cycle_min / s.warm_slow_min)
        self._mean[1] *= keep
        self._cov[1, :] *= keep
        self._cov[:, 1] *= keep
        self._cov[1, 1] += s.wave_sd_um**2 * (1 - keep**2)
        self._cov[0, 0] += self._walk_var
        self._gross = False

    def reading(self, feature: str, value_um: float, again: bool = False) -> None:
        """A deviation of that part was read, or its roughness or roundness. [µm]"""
        if feature == "size":
            self._size(value_um, again)
        elif feature == "roughness" and value_um > 0:
            self._form(np.array([c.log_ra[self._place] for c in self._courses]),
                       math.log(value_um), self._setting.ra_cv)  # fmt: skip
        elif feature == "roundness" and value_um > 0:
            self._form(np.array([c.log_roundness[self._place] for c in self._courses]),
                       math.log(value_um), self._setting.roundness_cv)  # fmt: skip

    def _form(self, medians: Floats, seen: float, log_sd: float) -> None:
        self._log_weights = self._log_weights - ((seen - medians) / log_sd) ** 2 / 2
        self._log_weights -= self._log_weights.max()

    def _size(self, value_um: float, again: bool) -> None:
        s = self._setting
        h = np.array([1.0, 1.0, self._wheel_um])
        surprise = value_um - self._heat_um - float(h @ self._mean)
        noise = s.part_sd_um**2 + s.gauge_sd_um**2 + s.gauge_step_um**2 / 12
        spread = float(h @ self._cov @ h) + noise
        self._gross = abs(surprise) > 3.5 * math.sqrt(spread) and not again
        if self._gross:
            return
        gain = self._cov @ h / spread
        self._mean = self._mean + gain * surprise
        self._cov = self._cov - np.outer(gain, h @ self._cov)
        self._first_offs -= 1

    def event(self, kind: str, *, um: float | None = None, minutes: float | None = None) -> None:
        """Something was done to the machine."""
        s = self._setting
        if kind == "offset" and um is not None:
            self._mean[0] += um
            self._cov[0, 0] += s.offset_sd_um**2
            self._cycle_um += um if self._n > 3 else 0.0
        elif kind == "dress":
            self._dress()
        elif kind == "pause" and minutes is not None:
            self._fast *= math.exp(-minutes / (s.warm_fast_min * s.cooling))
            self._slow *= math.exp(-minutes / (s.warm_slow_min * s.cooling))
            self._cov[1, 1] = s.wave_sd_um**2
        elif kind == "batch":
            self._cov[0, 0] += s.batch_sd_um**2
            self._first_offs = 3

    def _dress(self) -> None:
        s = self._setting
        self._mean[0] += s.dress_bias_um - (self._cycle_um if s.dress_clears_offsets else 0.0)
        self._mean[2] = 1.0
        self._cov[2, :] = self._cov[:, 2] = 0.0
        self._cov[2, 2] = s.wear_between_cv**2
        self._cov[0, 0] += s.dress_sd_um**2
        self._log_weights = self._prior.copy()
        self._n = 0
        self._cycle_um = 0.0
        self._first_offs = 2

    def advise(self) -> Act:
        """The act with the least cost on average over the lives."""
        if self._gross:
            return Act("measure_again", None, 0)
        wait = self._wait
        # What is decided now holds until the next check, so it is weighed at the middle of it.
        place = min(self._place + (wait - 1) // 2, len(self._courses[0].best) - 1)
        growth = self._weights @ (self._wheels[:, place] - self._wheels[:, self._place])
        level = self._level_um + float(growth)
        costs = np.array([course.best.costs(place, level) for course in self._courses])
        keep, move, dress = self._weights @ costs
        if dress < min(keep, move) and self._n > 0:
            return Act("dress", None, 1)
        if move >= keep:
            return Act("grind_on", None, wait)
        aims = np.array([course.best.aim_um(self._place) for course in self._courses])
        return Act("offset", float(self._weights @ aims) - self._level_um, wait)

    @property
    def _wait(self) -> int:
        if self._first_offs > 0:
            return 1
        late = self._n > 0.5 * self._setting.life_parts
        return max(1, self._every // 2) if late else self._every

    @property
    def _place(self) -> int:
        return min(self._n, len(self._courses[0].best) - 1)

    @property
    def _weights(self) -> Floats:
        weights = np.exp(self._log_weights)
        return np.asarray(weights / weights.sum())

    @property
    def _wheel_um(self) -> float:
        return float(self._weights @ self._wheels[:, self._place])

    @property
    def _heat_um(self) -> float:
        s = self._setting
        share = s.warm_fast_share
        return s.warm_up_um * (share * self._fast + (1 - share) * self._slow)

    @property
    def _level_um(self) -> float:
        base, wave, amount = self._mean
        return float(base + wave + amount * self._wheel_um + self._heat_um)
