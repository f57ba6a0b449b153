"""How the wheel dulls: spread that grows with parts since the dress, and form and finish."""

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Growth of the spread by the habitual life, and the power of age by which it comes. A family wide
#: enough for slow fanning and for sudden breakdown; the readings choose. Judgement, no source.
AMOUNTS = (0.0, 0.25, 0.6, 1.2, 2.5, 5.0)
POWERS = (1.0, 2.0, 4.0)
#: Each shape's share of belief before a reading, by amount: most wheels dull a little.
AMOUNT_BELIEF = (0.2, 0.25, 0.25, 0.15, 0.1, 0.05)
#: The same where nobody told how many parts a wheel does: shares of the assumed life at which the
#: spread has doubled, each with every power, and the belief in them (judgement).
DOUBLED_AT = (2.4, 1.6, 1.1, 0.75, 0.5)
DOUBLED_BELIEF = (0.16, 0.22, 0.2, 0.14, 0.08)
#: Readings that one estimate of spread remembers.
SPREAD_MEMORY = 250
#: Beyond this share of the habitual life, and this many times the variance of a fresh wheel, no
#: shape goes on growing: an absurd forecast, however unlikely, must not outweigh the likely ones.
FARTHEST_SHARE, MOST = 3.0, 50.0
#: Log belief below the best at which a shape still counts.
LOWEST = -30.0
#: Residuals beyond this many standard deviations count as one at the edge.
EDGE = 3.0


#: Life of one cycle's wheel against the usual, and the spread of that (judgement).
LIVES = (0.65, 0.82, 1.0, 1.22, 1.5)
LIFE_SPREAD = 0.14

#: Fall of the logarithm of form or finish over one habitual life that is one, and how many of its
#: standard deviations that has to be; half as much keeps it one (judgement).
FALL, FALL_SDS = 0.15, 2.5
#: A feature stays when its growth over one habitual life is below so many of its standard
#: deviations, and with one of them below this (judgement).
STAYS_SDS, STAYS_BELOW = 3.0, 0.45
#: Until this share of the habitual life a fresh wheel settles: values of those first parts count
#: as if they scattered so many times as far (judgement).
SETTLES, SETTLING = 0.1, 1.5
#: Cycles that make a habit of a feature's growth (judgement).
TAUGHT = 3


def _shapes(told: bool) -> list[tuple[float, float, float]]:
    shapes = [(0.0, 1.0, AMOUNT_BELIEF[0])]
    if told:
        for amount, belief in zip(AMOUNTS[1:], AMOUNT_BELIEF[1:], strict=True):
            shapes += [(amount, power, belief / len(POWERS)) for power in POWERS]
        return shapes
    for doubled, belief in zip(DOUBLED_AT, DOUBLED_BELIEF, strict=True):
        shapes += [(doubled**-power, power, belief / len(POWERS)) for power in POWERS]
    return shapes


# By whether a life was told. Axes: shape of growth, life of this cycle, and (where ages come in)
# age. The powers are the same.
_POWER = np.array([shape[1] for shape in _shapes(True)])[:, None]
_LOG_SHAPE = {told: np.log([shape[2] for shape in _shapes(told)]) for told in (True, False)}
_LOG_LIFE = -0.5 * (np.log(LIVES) / LIFE_SPREAD) ** 2
_LOG_LIFE = _LOG_LIFE - np.log(np.exp(_LOG_LIFE).sum())
_REACH = {
    told: np.array([shape[0] for shape in _shapes(told)])[:, None] / np.array(LIVES) ** _POWER
    for told in (True, False)
}


def growth(age: float | Floats, life: float, *, told: bool) -> Floats:
    """
    Variance over that of a fresh wheel.

    Parameters
    ----------
    age : float or ndarray, shape (n,)
        Parts since the dress.
    life : float
        Habitual parts per dress, or what is assumed.
    told : bool
        Whether plan or history say so.

    Returns
    -------
    ndarray, shape (shapes, lives) or (shapes, lives, n)
    """
    share = np.minimum(np.asarray(age, dtype=float) / life, FARTHEST_SHARE)
    reach = _REACH[told]
    if share.ndim == 0:
        return np.asarray(np.minimum((1 + reach * share**_POWER) ** 2, MOST))
    return np.asarray(np.minimum((1 + reach[..., None] * share ** _POWER[..., None]) ** 2, MOST))


@lru_cache(maxsize=2048)
def _growth_at(age: int, life: float, told: bool) -> Floats:
    return growth(age, life, told=told)


class SpreadGrowth:
    """
    Variance of one reading about the level, for a fresh wheel and as the wheel dulls.

    Every shape of growth keeps its own estimate of the fresh variance and is weighed by how
    well it foretold the residuals of all cycles so far; within a cycle the readings also say
    whether this wheel lasts shorter or longer than usual.

    Parameters
    ----------
    variance : float
        To start from. [µm²]
    life : float
        Habitual parts per dress.
    ceiling : float
        Variance beyond which residuals are no longer taken for spread. [µm²]
    told : bool
        Whether plan or history say what the habitual life is, or it is assumed.
    """

    def __init__(self, variance: float, life: float, ceiling: float, *, told: bool = True) -> None:
        self.life = life
        self.told = told
        self.ceiling = ceiling
        self.count = 2.0
        middle = LIVES.index(1.0)
        self.fresh: Floats = variance / growth(0.4 * life, life, told=told)[:, middle]
        self._weigh(_LOG_SHAPE[told][:, None] + _LOG_LIFE[None, :])

    def _weigh(self, logs: Floats) -> None:
        self.log_belief: Floats = np.maximum(logs - logs.max(), LOWEST)
        raw = np.exp(self.log_belief)
        self.belief: Floats = raw / raw.sum()
        self._mean = self.belief * self.fresh[:, None]
        self._variances: dict[int, float] = {}

    def variance(self, age: int) -> float:
        """Variance of a reading at an age, over all shapes and lives. [µm²]"""
        if age not in self._variances:
            foretold = float((_growth_at(age, self.life, self.told) * self._mean).sum())
            self._variances[age] = min(foretold, self.ceiling)
        return self._variances[age]

    def sharpened(self, power: float) -> Floats:
        """
        Belief in each shape and life for decisions and forecasts.

        What is merely possible weighs less than what is likely, the more the higher the power:
        readings will show it in time, and a wheel dressed for fear of it never would.
        """
        sharp = self.belief**power
        return np.asarray(sharp / sharp.sum())

    @property
    def odds_before_readings(self) -> float:
        """`odds_of_growth` of a job nothing is known of."""
        return 1 / AMOUNT_BELIEF[0] - 1

    @property
    def odds_of_growth(self) -> float:
        """Odds that the spread grows at all."""
        steady = float(self.belief[0].sum())
        return (1 - steady) / max(steady, 1e-15)

    def read(self, gap: float, level_var: float, age: int, averaged: float = 0.0) -> None:
        """
        Learn from one residual.

        Parameters
        ----------
        gap : float
            Reading minus forecast. [µm]
        level_var : float
            Variance of the forecast level. [µm²]
        age : int
            Parts since the dress.
        averaged : float
            Variance that repeats of the part have taken away. [µm²]
        """
        shape = _growth_at(age, self.life, self.told)
        fresh = self.fresh[:, None]
        own = fresh * shape
        if averaged:
            own = np.maximum(own - averaged, 0.05 * fresh)
        total = level_var + own
        z2 = gap * gap / total
        self._weigh(self.log_belief - 0.5 * np.log(total) - 4.5 * np.log1p(z2 / 8))
        seen = own / total * (own * np.minimum(z2, EDGE * EDGE) + level_var) + averaged
        each = self.belief.sum(axis=1)
        mean = (self.belief * (seen / shape)).sum(axis=1) / each
        self.count = min(self.count + 1, SPREAD_MEMORY)
        self.fresh = self.fresh + (mean - self.fresh) / self.count
        self._mean = self.belief * self.fresh[:, None]
        self._variances = {}

    def new_cycle(self) -> None:
        """Keep what is known of the shape, a little faded, and forget this cycle's life."""
        shapes = np.log(np.exp(self.log_belief - self.log_belief.max()).sum(axis=1))
        shapes = 0.98 * shapes + 0.02 * _LOG_SHAPE[self.told]
        self._weigh(shapes[:, None] + _LOG_LIFE[None, :])

    def snapshot(self) -> tuple[Any, ...]:
        """What `restore` needs to forget later readings of the same part."""
        return self.fresh, self.log_belief, self.count

    def restore(self, snapshot: tuple[Any, ...]) -> None:
        """Go back to a snapshot."""
        self.fresh, logs, self.count = snapshot
        self._weigh(logs)

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "fresh": self.fresh.tolist(),
            "log_belief": self.log_belief.tolist(),
            "count": self.count,
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.fresh = np.array(state["fresh"])
        self.count = state["count"]
        self._weigh(np.array(state["log_belief"]))


class FormGrowth:
    """
    A form or finish feature along the dress cycle: log value = a + g (n/life)^1.5 + noise.

    Start and growth of the running cycle are drawn from those of earlier cycles; the spread of
    single values is estimated. Values are in µm, above zero.
    """

    POWER = 1.5

    def __init__(self, limit: float, life: float) -> None:
        self.limit = limit
        self.life = life
        # From half the limit to four fifths of it within the habit: a shop that had values beyond
        # the limit by then would dress sooner (judgement, as is the spread of single values).
        self.mean = [math.log(0.5 * limit), math.log(1.6)]
        self.sd = [0.7, 0.35]
        self.noise = 0.08**2
        self.count = 3.0
        self.cycles = 0
        self.taught = 0.0  # growth of the cycles folded in, on average
        self._begin()

    def _begin(self) -> None:
        self.a, self.g = self.mean
        self.caa, self.cgg, self.cag = self.sd[0] ** 2, self.sd[1] ** 2, 0.0
        self.seen = 0
        self.read_at, self.last = 0, math.nan

    def read(self, value: float, age: int) -> None:
        """Take in one value of the part that is `age` parts from the dress."""
        self.read_at, self.last = age, value
        x = (age / self.life) ** self.POWER
        gap = math.log(max(value, 1e-3 * self.limit)) - self.a - self.g * x
        pa, pg = self.caa + x * self.cag, self.cag + x * self.cgg
        model = pa + x * pg
        settling = age <= SETTLES * self.life
        noise = self.noise * (SETTLING**2 if settling else 1.0)
        total = model + noise
        gap = math.copysign(min(abs(gap), EDGE * math.sqrt(total)), gap)
        if not settling:
            self.count = min(self.count + 1, SPREAD_MEMORY)
            share = noise / total
            self.noise += (share * share * gap * gap + share * model - noise) / self.count
        self.a += pa / total * gap
        self.g += pg / total * gap
        self.caa -= pa * pa / total
        self.cag -= pa * pg / total
        self.cgg -= pg * pg / total
        self.seen += 1

    def dress(self) -> None:
        """Fold the finished cycle into what the next one is expected to be."""
        if self.seen >= 3:
            self.cycles += 1
            part = 1 / (1 + min(self.cycles, 15))
            self.taught += (self.g - self.taught) / min(self.cycles, 15)
            for i, (value, var) in enumerate(((self.a, self.caa), (self.g, self.cgg))):
                step = value - self.mean[i]
                self.mean[i] += part * step
                self.sd[i] = math.sqrt(
                    max((1 - part) * self.sd[i] ** 2 + part * (step * step + var), 0.05**2)
                )
        self._begin()

    @property
    def growth_now(self) -> float:
        """Growth of the logarithm over one habitual life, as this cycle's values have it."""
        return self.g

    def falls(self, *, before: bool = False) -> bool:
        """Whether the values of this cycle clearly get smaller; `before`: they were seen to."""
        ease = 0.5 if before else 1.0
        return self.seen >= 3 and self.g < -ease * max(FALL, FALL_SDS * self.growth_sd)

    @property
    def stays(self) -> bool:
        """Whether the values of this cycle clearly stay as they were, three of them at least."""
        sd = self.growth_sd
        return self.seen >= 3 and self.g < STAYS_SDS * sd and self.g + sd < STAYS_BELOW

    @property
    def growth_sd(self) -> float:
        """Standard deviation of `growth_now`."""
        return math.sqrt(self.cgg)

    def ahead_of_habit(self, age: float, habit: float) -> bool:
        """Whether a value that falls is at this age where it usually was only at the habit."""
        if self.cycles < TAUGHT or self.taught > -FALL:
            return False
        usual = self.taught * (habit / self.life) ** self.POWER
        return self.g * (age / self.life) ** self.POWER <= usual

    def chance_outside(self, age: float) -> float:
        """Probability that the part of this age is beyond the limit."""
        if self.seen + self.cycles == 0:
            return 0.0
        x = (age / self.life) ** self.POWER
        spread = self.caa + 2 * x * self.cag + x * x * self.cgg + self.noise
        gap = math.log(self.limit) - self.a - self.g * x
        return 0.5 * math.erfc(gap / math.sqrt(2 * spread))

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "mean": list(self.mean),
            "sd": list(self.sd),
            "noise": self.noise,
            "count": self.count,
            "cycles": self.cycles,
            "taught": self.taught,
            "last": [self.read_at, None if math.isnan(self.last) else self.last],
            "now": [self.a, self.g, self.caa, self.cgg, self.cag, self.seen],
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.mean, self.sd = list(state["mean"]), list(state["sd"])
        self.noise, self.count, self.cycles = state["noise"], state["count"], state["cycles"]
        # Earlier runs that were kept before these were known lack them.
        self.taught = state.get("taught", 0.0)
        self.read_at, last = state.get("last", (0, None))
        self.last = math.nan if last is None else last
        self.a, self.g, self.caa, self.cgg, self.cag, self.seen = state["now"]
