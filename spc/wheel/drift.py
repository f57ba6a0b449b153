"""Where the size is and how fast it drifts: one linear-Gaussian filter, run at several unrests."""

import math
from dataclasses import dataclass
from typing import Any

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
_SIZE = range(8)

Row = list[float]


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
    """

    def __init__(self, prior: DriftPrior) -> None:
        self.prior = prior
        variances = (
            prior.base_sd**2,
            0.0,
            prior.slope_sd**2,
            prior.warmth_sd**2,
            prior.break_in_sd**2,
            prior.curve_sd**2,
            prior.bend_sd**2,
            0.0,
        )
        start = [0.0, 0.0, prior.slope, prior.warmth, prior.break_in, 0.0, 0.0, 0.0]
        self.means: list[Row] = [list(start) for _ in UNRESTS]
        self.covs: list[list[Row]] = [
            [[variances[i] if i == j else 0.0 for j in _SIZE] for i in _SIZE] for _ in UNRESTS
        ]
        self._habit_sds = (prior.break_in_sd, prior.curve_sd, prior.bend_sd)
        self.usual = max(abs(prior.slope), 0.3 * prior.slope_sd)  # wear per part, in size
        self.log_belief: Row = [math.log(b) for b in BELIEF]
        self.weights: Row = list(BELIEF)

    # -- what happens to the level -------------------------------------------------------

    def part(self, age: int, noise_var: float) -> None:
        """One part was ground, the `age`-th since the dress."""
        prior = self.prior
        fresh = math.exp(-age / prior.break_in_parts) * math.expm1(1 / prior.break_in_parts)
        curve, late = rates(age, prior.life)
        # A wheel that hardly wears has little wear to change.
        wearing = max(abs(self.slope_at(age)), 0.1 * self.usual)
        slope_var = slope_unrest(wearing, prior.life, age)
        for mean, cov, unrest, shared in zip(self.means, self.covs, UNRESTS, SHARED, strict=True):
            mean[WORN] += mean[SLOPE] + fresh * mean[BREAK_IN]
            mean[WORN] += curve * mean[CURVE] + late * mean[BEND]
            c = [
                s + fresh * b + curve * x + late * e
                for s, b, x, e in zip(cov[SLOPE], cov[BREAK_IN], cov[CURVE], cov[BEND], strict=True)
            ]
            own = c[SLOPE] + fresh * c[BREAK_IN] + curve * c[CURVE] + late * c[BEND] + 2 * c[WORN]
            worn = [w + x for w, x in zip(cov[WORN], c, strict=True)]
            wander = unrest * unrest * noise_var
            worn[WORN] = cov[WORN][WORN] + own + 0.5 * wander
            cov[WORN] = worn
            for j in _SIZE:
                cov[j][WORN] = worn[j]
            cov[BASE][BASE] += 0.5 * wander
            cov[SLOPE][SLOPE] += slope_var
            if shared:
                mean[STRAY] *= ALIKE
                stray = [ALIKE * s for s in cov[STRAY]]
                stray[STRAY] = ALIKE * stray[STRAY] + (1 - ALIKE**2) * shared * noise_var
                cov[STRAY] = stray
                for j in _SIZE:
                    cov[j][STRAY] = stray[j]

    def move(self, amount: float, variance: float) -> None:
        """The base moved by a known amount, give or take: an offset, a pause, a batch."""
        for mean, cov in zip(self.means, self.covs, strict=True):
            mean[BASE] += amount
            cov[BASE][BASE] += variance

    def loosen(self, base_var: float, worn_var: float) -> None:
        """Base and wear may have moved, nobody knows how far."""
        for cov in self.covs:
            cov[BASE][BASE] += base_var
            cov[WORN][WORN] += worn_var

    def dress(self, kept: float, slope: float, slope_sd: float) -> None:
        """A new cycle: `kept` is the share of the wear that stays in the size (0: none)."""
        for mean, cov in zip(self.means, self.covs, strict=True):
            spread = kept * (1 - kept) * mean[WORN] ** 2
            mean[BASE] += kept * mean[WORN]
            for j in _SIZE:
                cov[BASE][j] += kept * cov[WORN][j]
            for j in _SIZE:
                cov[j][BASE] += kept * cov[j][WORN]
            cov[BASE][BASE] += spread
            mean[WORN], mean[SLOPE] = 0.0, slope
            for j in _SIZE:
                cov[WORN][j] = cov[j][WORN] = 0.0
                cov[SLOPE][j] = cov[j][SLOPE] = 0.0
            cov[SLOPE][SLOPE] = slope_sd**2
            # Habits of this wheel, yet no two cycles have quite the same.
            for habit, sd in zip((BREAK_IN, CURVE, BEND), self._habit_sds, strict=True):
                cov[habit][habit] += (0.15 * mean[habit]) ** 2 + (UNSURE * sd) ** 2
        self.usual = max(abs(slope), 0.1 * self.prior.slope_sd)

    def rebase(self, mean: float, variance: float, share: float) -> None:
        """The base is now known to be about `mean` from elsewhere; `share` of its ties are cut."""
        own, _ = self.estimate(BASE)
        for state, cov in zip(self.means, self.covs, strict=True):
            state[BASE] = mean + (1 - share) * (state[BASE] - own)
            for j in _SIZE:
                cov[BASE][j] *= 1 - share
            for j in _SIZE:
                cov[j][BASE] = cov[BASE][j]
            cov[BASE][BASE] = variance

    # -- what is known of it ---------------------------------------------------------------

    def expected(self, warm: float) -> tuple[float, float]:
        """Level now and its variance. [µm, µm²]"""
        levels, variances = [], []
        for mean, cov in zip(self.means, self.covs, strict=True):
            levels.append(mean[BASE] + mean[WORN] + warm * mean[WARMTH])
            b, w, t = cov[BASE], cov[WORN], cov[WARMTH]
            variances.append(
                b[BASE]
                + w[WORN]
                + 2 * b[WORN]
                + warm * (2 * (b[WARMTH] + w[WARMTH]) + warm * t[WARMTH])
            )
        level = sum(w * x for w, x in zip(self.weights, levels, strict=True))
        variance = sum(
            w * (v + (x - level) ** 2)
            for w, x, v in zip(self.weights, levels, variances, strict=True)
        )
        return level, variance

    def slope_at(self, age: float) -> float:
        """Wear per part at an age of this cycle, break-in aside. [µm]"""
        curve, late = rates(age, self.prior.life)
        return sum(
            w * (m[SLOPE] + curve * m[CURVE] + late * m[BEND])
            for w, m in zip(self.weights, self.means, strict=True)
        )

    def estimate(self, which: int) -> tuple[float, float]:
        """Mean and variance of one part of the state, such as ``SLOPE``."""
        mean = sum(w * m[which] for w, m in zip(self.weights, self.means, strict=True))
        variance = sum(
            w * (c[which][which] + (m[which] - mean) ** 2)
            for w, m, c in zip(self.weights, self.means, self.covs, strict=True)
        )
        return mean, variance

    @property
    def unrest(self) -> float:
        """Mean square wander per part, in units of the noise variance."""
        return sum(w * u * u for w, u in zip(self.weights, UNRESTS, strict=True))

    def read(self, value: float, warm: float, noise_var: float) -> None:
        """Take in one measured part: its mean reading and the variance of that."""
        scores: Row = []
        for k, shared in enumerate(SHARED):
            mean, cov = self.means[k], self.covs[k]
            ph = [
                b + w + warm * t + s
                for b, w, t, s in zip(cov[BASE], cov[WORN], cov[WARMTH], cov[STRAY], strict=True)
            ]
            own = noise_var * (1 - shared)
            spread = ph[BASE] + ph[WORN] + warm * ph[WARMTH] + ph[STRAY] + own
            gap = value - mean[BASE] - mean[WORN] - warm * mean[WARMTH] - mean[STRAY]
            z2 = gap * gap / spread
            scores.append(-0.5 * math.log(spread) - 3.5 * math.log1p(z2 / 6))
            # Where the level itself is little known, a far reading is more likely true.
            bound = HUBER * spread / noise_var
            if z2 > bound * bound:
                gap *= bound / math.sqrt(z2)
            gain = [p / spread for p in ph]
            self.means[k] = [x + g * gap for x, g in zip(mean, gain, strict=True)]
            self.covs[k] = [
                [c - g * p for c, p in zip(row, ph, strict=True)]
                for row, g in zip(cov, gain, strict=True)
            ]
        self._weigh(scores)

    def _weigh(self, scores: Row) -> None:
        keep = 1 - 1 / BELIEF_MEMORY
        logs = [
            keep * old + (1 - keep) * math.log(first) + score
            for old, first, score in zip(self.log_belief, BELIEF, scores, strict=True)
        ]
        top = max(logs)
        self.log_belief = [x - top for x in logs]
        raw = [math.exp(x) for x in self.log_belief]
        total = sum(raw)
        self.weights = [x / total for x in raw]

    # -- to and from plain numbers ---------------------------------------------------------

    def snapshot(self) -> tuple[Any, ...]:
        """What `restore` needs to forget later readings of the same part."""
        return self.means, self.covs, self.log_belief, self.weights

    def restore(self, snapshot: tuple[Any, ...]) -> None:
        """Go back to a snapshot taken since the last part."""
        self.means, self.covs, self.log_belief, self.weights = snapshot

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "means": [list(m) for m in self.means],
            "covs": [[list(r) for r in c] for c in self.covs],
            "log_belief": list(self.log_belief),
            "weights": list(self.weights),
            "usual": self.usual,
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.means = [list(m) for m in state["means"]]
        self.covs = [[list(r) for r in c] for c in state["covs"]]
        self.log_belief = list(state["log_belief"])
        self.weights = list(state["weights"])
        self.usual = state["usual"]


def rates(age: float, life: float) -> tuple[float, float]:
    """Wear per part added at an age, per unit of curve and per unit of bend."""
    share = min(age / life, FARTHEST_SHARE)
    return share - 0.5, max(0.0, share - 0.6)


def slope_unrest(usual: float, life: float, age: float) -> float:
    """Variance by which wear per part may change from one part to the next."""
    rate = SLOPE_UNREST * usual / math.sqrt(life)
    return rate * rate * (4.0 if age > 0.6 * life else 1.0)
