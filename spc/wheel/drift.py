"""Where the size is and how fast it drifts: one linear-Gaussian filter, run at several unrests."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: How far the level wanders per part by itself, in units of the part-to-part spread; the share of
#: that spread's variance which neighbours have in common; and how much each account is believed
#: at first. What fits the readings best wins. Judgement, no source.
UNRESTS = (0.015, 0.05, 0.15, 0.4, 0.03)
SHARED = (0.0, 0.0, 0.0, 0.0, 0.65)
BELIEF = (0.28, 0.35, 0.15, 0.07, 0.15)
#: Correlation of what neighbours have in common, from one part to the next.
ALIKE = 0.75
#: Memory of the beliefs, in readings, so that a process may grow restless later.
BELIEF_MEMORY = 150
#: A residual beyond this many standard deviations moves the level no more than one at the edge
#: (Huber's bound, wider than his 1.345 because a drift must still be followed).
HUBER = 2.5
#: Change of the wear per part over one habitual life, as a share (judgement).
SLOPE_UNREST = 0.3
#: Change of a habit from cycle to cycle that is always reckoned with, of its first uncertainty.
UNSURE = 0.04
#: Share of the habitual life beyond which wear per part is not expected to change any more.
FARTHEST_SHARE = 1.6
#: Parts of the state.
BASE, WORN, SLOPE, WARMTH, BREAK_IN, CURVE, BEND, STRAY = range(8)
STATES = 8
#: Share of the habitual life from which wear per part may bend.
BENDS_FROM = 0.6
TINY = 1e-300

Row = list[float]

_LOG_BELIEF = [math.log(b) for b in BELIEF]
_OWN = 1 - np.array(SHARED)
_SQUARES = np.square(UNRESTS)


def _still() -> Floats:
    """How the state goes from one part to the next, apart from wear."""
    step = np.eye(STATES)
    step[STRAY, STRAY] = ALIKE
    return step


def _stirred() -> Floats:
    """Variance that one part adds to the state of each filter, per noise variance."""
    added = np.zeros((len(UNRESTS), STATES, STATES))
    added[:, BASE, BASE] = added[:, WORN, WORN] = 0.5 * np.square(UNRESTS)
    added[:, STRAY, STRAY] = (1 - ALIKE**2) * np.array(SHARED)
    return added


_STEP, _STIR = _still(), _stirred()


@dataclass(frozen=True)
class DriftPrior:
    """
    What is believed of the level before a reading. Lengths in µm, wear upward.

    `life` is the habitual number of parts per dress; break-in and bend scale with it.
    """

    life: float
    base_sd: float
    slope: float
    slope_sd: float
    warmth: float
    warmth_sd: float
    break_in: float
    break_in_sd: float
    curve_sd: float
    bend_sd: float

    @property
    def break_in_parts(self) -> float:
        """Parts in which a fresh wheel loses most of its dressing-damaged grains."""
        return min(max(3.0, 0.07 * self.life), 30.0)


class Drift:
    """
    Level of the leading diameter, mirrored so that wear makes it rise. [µm]

    The state is base, wear in this cycle, wear per part, size of the warm-up, size of the
    break-in, how wear per part changes over the life and bends late in it (habits of the wheel,
    the same in every cycle but for a little), and what neighbouring parts stray in common,
    which passes by itself and is no level to steer by. Offsets enter the base as known moves.
    Five filters differ in how restless they hold the base and how alike neighbours; each is
    weighed by how well it predicted, so the kind of noise need not be declared.

    `means` has shape (filters, states) and `covs` (filters, states, states). No method changes
    either in place, so a copy of the object shares them.
    """

    def __init__(self, prior: DriftPrior) -> None:
        self.prior = prior
        variances = np.zeros(STATES)
        variances[[BASE, SLOPE, WARMTH, BREAK_IN, CURVE, BEND]] = (
            prior.base_sd**2,
            prior.slope_sd**2,
            prior.warmth_sd**2,
            prior.break_in_sd**2,
            prior.curve_sd**2,
            prior.bend_sd**2,
        )
        start = [0.0, 0.0, prior.slope, prior.warmth, prior.break_in, 0.0, 0.0, 0.0]
        self.means: Floats = np.tile(start, (len(UNRESTS), 1))
        self.covs: Floats = np.tile(np.diag(variances), (len(UNRESTS), 1, 1))
        self._habit_sds = (prior.break_in_sd, prior.curve_sd, prior.bend_sd)
        self.usual = max(abs(prior.slope), 0.3 * prior.slope_sd)  # wear per part, in size
        self.log_belief: Row = [math.log(b) for b in BELIEF]
        self.weights: Floats = np.array(BELIEF)
        self._changed()

    def __copy__(self) -> "Drift":
        # One is made for every part read; the way of `copy.copy` by itself takes ten times as long.
        other = Drift.__new__(Drift)
        other.__dict__.update(self.__dict__)
        return other

    def _changed(self) -> None:
        """What was concluded from the state holds no longer."""
        self._pooled: tuple[Row, Row] | None = None
        self._levels: dict[float, tuple[float, float]] = {}

    # -- what happens to the level -------------------------------------------------------

    def part(self, age: int, aged: int, noise_var: float) -> None:
        """One part was ground, the `age`-th since the dress; the wheel has `aged` so many parts."""
        prior = self.prior
        fresh = math.exp(-age / prior.break_in_parts) * math.expm1(1 / prior.break_in_parts)
        curve, late = rates(aged, prior.life)
        # A wheel that hardly wears has little wear to change.
        wearing = max(abs(self.slope_at(aged)), 0.1 * self.usual)
        step = _STEP.copy()
        step[WORN] = (0.0, 1.0, 1.0, 0.0, fresh, curve, late, 0.0)
        self.means = self.means @ step.T
        self.covs = step @ self.covs @ step.T + noise_var * _STIR
        self.covs[:, SLOPE, SLOPE] += slope_unrest(wearing, prior.life, aged)
        self._changed()

    def move(self, amount: float, variance: float) -> None:
        """The base moved by a known amount, give or take: an offset, a pause, a batch."""
        self.means, self.covs = self.means.copy(), self.covs.copy()
        self.means[:, BASE] += amount
        self.covs[:, BASE, BASE] += variance
        self._changed()

    def loosen(self, base_var: float, worn_var: float) -> None:
        """Base and wear may have moved, nobody knows how far."""
        self.covs = self.covs.copy()
        self.covs[:, BASE, BASE] += base_var
        self.covs[:, WORN, WORN] += worn_var
        self._changed()

    def dress(self, kept: float, slope: float, slope_sd: float) -> None:
        """A new cycle: `kept` is the share of the wear that stays in the size (0: none)."""
        worn = self.means[:, WORN]
        step = np.eye(STATES)
        step[BASE, WORN] = kept
        step[WORN, WORN] = step[SLOPE, SLOPE] = 0.0
        self.means = self.means @ step.T
        self.means[:, SLOPE] = slope
        self.covs = step @ self.covs @ step.T
        self.covs[:, BASE, BASE] += kept * (1 - kept) * worn**2
        self.covs[:, SLOPE, SLOPE] = slope_sd**2
        # Habits of this wheel, yet no two cycles have quite the same.
        for habit, sd in zip((BREAK_IN, CURVE, BEND), self._habit_sds, strict=True):
            own = (0.15 * self.means[:, habit]) ** 2 + (UNSURE * sd) ** 2
            self.covs[:, habit, habit] += own
        self.usual = max(abs(slope), 0.1 * self.prior.slope_sd)
        self._changed()

    def rebase(self, mean: float, variance: float, share: float) -> None:
        """The base is now known to be about `mean` from elsewhere; `share` of its ties are cut."""
        own, _ = self.estimate(BASE)
        self.means, self.covs = self.means.copy(), self.covs.copy()
        self.means[:, BASE] = mean + (1 - share) * (self.means[:, BASE] - own)
        self.covs[:, BASE] *= 1 - share
        self.covs[:, :, BASE] = self.covs[:, BASE]
        self.covs[:, BASE, BASE] = variance
        self._changed()

    def know(self, which: int, mean: float, variance: float) -> None:
        """One part of the state is known from elsewhere, no more surely than `variance`."""
        self.means, self.covs = self.means.copy(), self.covs.copy()
        self.means[:, which] = mean
        self.covs[:, which, which] = variance
        self._changed()

    # -- what is known of it ---------------------------------------------------------------

    def expected(self, warm: float) -> tuple[float, float]:
        """Level now and its variance. [µm, µm²]"""
        if warm not in self._levels:
            look = np.array((1.0, 1.0, 0.0, warm, 0.0, 0.0, 0.0, 0.0))
            levels = self.means @ look
            level = float(self.weights @ levels)
            variance = self.weights @ (self.covs @ look @ look + (levels - level) ** 2)
            self._levels[warm] = level, float(variance)
        return self._levels[warm]

    def slope_at(self, age: float) -> float:
        """Wear per part at an age of this cycle, break-in aside. [µm]"""
        curve, late = rates(age, self.prior.life)
        mean, _ = self._pool()
        return mean[SLOPE] + curve * mean[CURVE] + late * mean[BEND]

    def slope_var_at(self, age: float) -> float:
        """Variance of `slope_at`. [µm²]"""
        look = np.zeros(STATES)
        look[SLOPE] = 1.0
        look[CURVE], look[BEND] = rates(age, self.prior.life)
        slopes = self.means @ look
        inside = self.covs @ look @ look
        return float(self.weights @ (inside + (slopes - self.weights @ slopes) ** 2))

    def slopes_at(self, ages: Floats) -> Floats:
        """`slope_at` of many ages. [µm]"""
        share = np.minimum(ages / self.prior.life, FARTHEST_SHARE)
        mean, _ = self._pool()
        curved = mean[CURVE] * (share - 0.5) + mean[BEND] * np.maximum(0.0, share - BENDS_FROM)
        return np.asarray(mean[SLOPE] + curved)

    def estimate(self, which: int) -> tuple[float, float]:
        """Mean and variance of one part of the state, such as ``SLOPE``."""
        mean, variance = self._pool()
        return mean[which], variance[which]

    def _pool(self) -> tuple[Row, Row]:
        """Mean and variance of every part of the state over all filters."""
        if self._pooled is None:
            mean = self.weights @ self.means
            own = self.covs.reshape(len(UNRESTS), -1)[:, :: STATES + 1]
            variance = self.weights @ (own + (self.means - mean) ** 2)
            self._pooled = mean.tolist(), variance.tolist()
        return self._pooled

    @property
    def unrest(self) -> float:
        """Mean square wander per part, in units of the noise variance."""
        return float(self.weights @ _SQUARES)

    def read(self, value: float, warm: float, noise_var: float) -> None:
        """Take in one measured part: its mean reading and the variance of that."""
        look = np.array((1.0, 1.0, 0.0, warm, 0.0, 0.0, 0.0, 1.0))
        ph = self.covs @ look
        spread = ph @ look + noise_var * _OWN
        gap = value - self.means @ look
        z2 = gap * gap / spread
        scores = (-0.5 * np.log(spread) - 3.5 * np.log1p(z2 / 6)).tolist()
        # Where the level itself is little known, a far reading is more likely true.
        bound = HUBER / noise_var * spread
        pull = gap * np.minimum(1.0, bound / np.sqrt(np.maximum(z2, TINY)))
        gain = ph / spread[:, None]
        self.means = self.means + gain * pull[:, None]
        self.covs = self.covs - gain[:, :, None] * ph[:, None, :]
        self._weigh(scores)
        self._changed()

    def _weigh(self, scores: Row) -> None:
        keep = 1 - 1 / BELIEF_MEMORY
        logs = [
            keep * old + (1 - keep) * first + score
            for old, first, score in zip(self.log_belief, _LOG_BELIEF, scores, strict=True)
        ]
        self.believe(logs)

    def believe(self, logs: Row) -> None:
        """Weigh the filters by these logarithms, up to a constant."""
        top = max(logs)
        self.log_belief = [x - top for x in logs]
        raw = [math.exp(x) for x in self.log_belief]
        self.weights = np.array(raw) / sum(raw)
        self._changed()

    # -- to and from plain numbers ---------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "means": self.means.tolist(),
            "covs": self.covs.tolist(),
            "log_belief": list(self.log_belief),
            "weights": self.weights.tolist(),
            "usual": self.usual,
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.means, self.covs = np.array(state["means"]), np.array(state["covs"])
        self.log_belief = list(state["log_belief"])
        self.weights = np.array(state["weights"])
        self.usual = state["usual"]
        self._changed()


def rates(age: float, life: float) -> tuple[float, float]:
    """Wear per part added at an age, per unit of curve and per unit of bend."""
    share = min(age / life, FARTHEST_SHARE)
    return share - 0.5, max(0.0, share - BENDS_FROM)


def slope_unrest(usual: float, life: float, age: float) -> float:
    """Variance by which wear per part may change from one part to the next."""
    rate = SLOPE_UNREST * usual / math.sqrt(life)
    return rate * rate * (4.0 if age > BENDS_FROM * life else 1.0)
