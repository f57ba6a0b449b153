"""A plunge grinder with known truth: wear, dulling, dresses, heat, and the gauge beside it."""

import math
from copy import copy
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spc.dress_cycles import SETUP_PARTS
from spc.simulate.cycle import GLAZED
from spc.simulate.settings import PRESETS, Setting
from spc.simulate.streams import Stream, factor, gamma, gauge_error, normal, uniform

__all__ = ["PRESETS", "Cycle", "Event", "Grinder", "GroundPart", "Ledger", "Reading", "Setting"]


class GroundPart(NamedTuple):
    """The truth of one part. No shop ever sees it."""

    number: int
    minute: float
    since_dress: int
    level_um: float
    size_um: float
    ra_um: float
    roundness_um: float
    burnt: bool


class Reading(NamedTuple):
    """What a look at one part shows."""

    size_um: float
    ra_um: float
    roundness_um: float


class Event(NamedTuple):
    """What was done, as the shop writes it down."""

    after_part: int
    minute: float
    kind: str
    amount_um: float = math.nan
    minutes: float = math.nan


@dataclass
class Ledger:
    """Money spent, line by line."""

    scrap: float = 0.0
    rework: float = 0.0
    roughness: float = 0.0
    roundness: float = 0.0
    burn: float = 0.0
    off_target: float = 0.0
    measure: float = 0.0
    offset: float = 0.0
    dress: float = 0.0
    look: float = 0.0
    idle: float = 0.0

    @property
    def total(self) -> float:
        """Sum of all lines."""
        return sum(vars(self).values())

    @property
    def economic(self) -> float:
        """What is paid in money: all but the off-target loss."""
        return self.total - self.off_target


@dataclass
class Cycle:
    """One dress cycle as it truly is."""

    number: int
    wear_um: float
    life_parts: float
    since_dress: int = 0
    worn_um: float = 0.0
    offsets_um: float = 0.0


class Grinder:
    """
    One machine, part by part, with its truth kept apart from its record.

    Parameters
    ----------
    setting : Setting
        How the process behaves.
    seed : int
        The run: equal seeds meet equal noise, whatever is done to the machine.

    Attributes
    ----------
    truth : list of GroundPart
        What really came out.
    events : list of Event
        What the shop would write down.
    ledger : Ledger
        What it cost; true sizes are judged against the limits without a guard.

    Notes
    -----
    With ``n`` parts since the dress, dullness ``q = (n/N)^p_q`` and warmth ``θ`` between 0 and 1,
    the level of a part is ``B + O + s·[w + W_b·(1 - e^(-n/n_b)) + D_q·q]
    + A_th·(w1·θ1 + (1 - w1)·θ2) + A``: base, register, wear, break-in, deflection, heat, wave.

    Examples
    --------
    >>> grinder = Grinder(PRESETS["S1"], seed=1)
    >>> grinder.part()
    1
    >>> grinder.offset(-2.3)
    -2.0
    >>> sorted(event.kind for event in grinder.events)
    ['offset']
    """

    def __init__(self, setting: Setting, seed: int) -> None:
        self.setting = setting
        self.seed = seed
        self.truth: list[GroundPart] = []
        self.events: list[Event] = []
        self.ledger = Ledger()
        self.minute = 0.0
        self.number = 0
        self._open_streams()
        self._register = 0.0
        self._warm_fast = self._warm_slow = 0.0
        self._counts = dict.fromkeys(("dress", "offset", "pause", "batch"), 0)
        self._looks = 0
        self._base = self._starts[0]
        self._wave = self._waves[0]
        s = setting
        self._keep_fast = math.exp(-s.cycle_min / s.warm_fast_min)
        self._keep_slow = math.exp(-s.cycle_min / s.warm_slow_min)
        self._wave_keep = math.exp(-s.cycle_min / s.wave_min)
        self._wave_gain = math.sqrt(1 - self._wave_keep**2)
        self.cycle = self._new_cycle(0)

    def _open_streams(self) -> None:
        s, seed = self.setting, self.seed
        self._starts = Stream(seed, "start", normal(s.start_sd_um))
        self._setups = Stream(seed, "batch", normal(s.batch_sd_um))
        self._parts = Stream(seed, "part", normal(s.part_sd_um))
        self._walks = Stream(seed, "rw", normal(s.walk_sd_um))
        self._waves = Stream(seed, "ou", normal(s.wave_sd_um))
        self._pause_waves = Stream(seed, "ou pause", normal(s.wave_sd_um))
        self._wears = Stream(seed, "cycle wear", factor(s.wear_between_cv, mean_one=True))
        self._lives = Stream(seed, "cycle life", factor(s.life_log_sd, mean_one=False))
        self._dresses = Stream(seed, "dress", normal(s.dress_sd_um))
        self._entries = Stream(seed, "offset", normal(s.offset_sd_um))
        self._ra = Stream(seed, "form Ra", factor(s.ra_cv, mean_one=False))
        self._round = Stream(seed, "form R", factor(s.roundness_cv, mean_one=False))
        self._burns = Stream(seed, "form burn", uniform())
        self._gauges: dict[int, Stream] = {}

    def _new_cycle(self, number: int) -> Cycle:
        s = self.setting
        # One stream a cycle: the n-th increment of cycle c is the same whenever c begins.
        self._steps = Stream(self.seed, f"inc/{number}", gamma(s.wear_within_cv), block=64)
        self._break_in_left = 1.0
        self._break_in_keep = math.exp(-1 / s.break_in_parts)
        return Cycle(
            number=number,
            wear_um=s.wear_um * self._wears[number],
            life_parts=s.life_parts * self._lives[number],
        )

    def part(self) -> int:
        """The number of the part just ground: 1, 2, 3 ..."""
        s, cycle = self.setting, self.cycle
        self.number = k = self.number + 1
        self.minute += s.cycle_min
        self._warm_fast += (1 - self._warm_fast) * (1 - self._keep_fast)
        self._warm_slow += (1 - self._warm_slow) * (1 - self._keep_slow)
        self._wave = self._wave_keep * self._wave + self._wave_gain * self._waves[k]
        cycle.since_dress = n = cycle.since_dress + 1
        cycle.worn_um += cycle.wear_um * quickening(n, cycle.life_parts, s.onset) * self._steps[n]
        self._break_in_left *= self._break_in_keep
        self._base += self._walks[k]
        q = (n / cycle.life_parts) ** s.dull_power
        level = self.level_um(q)
        ra = s.ra_um * (1 + s.ra_break_in * self._break_in_left) * max(1 + s.ra_dull * q, GLAZED)
        part = GroundPart(
            k, self.minute, n, level, level + self._parts[k], ra * self._ra[k],
            s.roundness_um * (1 + s.roundness_dull * q * q) * self._round[k],
            self._burns[k] < self._burn_risk(q),
        )  # fmt: skip
        self.truth.append(part)
        self._book(part)
        return k

    def level_um(self, dullness: float | None = None) -> float:
        """Where the last part stood without its own scatter. Truth, for reference policies."""
        s, cycle = self.setting, self.cycle
        if dullness is None:
            dullness = (cycle.since_dress / cycle.life_parts) ** s.dull_power
        wheel = cycle.worn_um + s.break_in_um * (1 - self._break_in_left)
        heat = s.warm_fast_share * self._warm_fast + (1 - s.warm_fast_share) * self._warm_slow
        return (
            self._base
            + self._register
            + s.sign * (wheel + s.dull_growth_um * dullness)
            + s.warm_up_um * heat
            + self._wave
        )

    def drift_ahead(self, parts: int) -> NDArray[np.float64]:
        """Change of level that heat and wave are expected to bring part by part, shape (parts,)."""
        s, ahead = self.setting, np.arange(parts + 1)
        fast = 1 - (1 - self._warm_fast) * self._keep_fast**ahead
        slow = 1 - (1 - self._warm_slow) * self._keep_slow**ahead
        heat = s.warm_fast_share * fast + (1 - s.warm_fast_share) * slow
        return np.asarray(np.diff(s.warm_up_um * heat + self._wave * self._wave_keep**ahead))

    def _burn_risk(self, dullness: float) -> float:
        away = (self.setting.burn_dullness - dullness) / self.setting.burn_width
        return 0.0 if away > 500 else 1 / (1 + math.exp(away))

    def _book(self, part: GroundPart) -> None:
        s, prices, ledger = self.setting, self.setting.prices, self.ledger
        ledger.off_target += prices.off_target * (part.size_um / s.tolerance_um) ** 2
        if abs(part.size_um) > s.tolerance_um:
            if part.size_um * s.sign < 0:
                ledger.scrap += prices.scrap
            else:
                ledger.rework += prices.rework
        if part.ra_um > s.ra_limit_um:
            ledger.roughness += prices.roughness
        if part.roundness_um > s.roundness_limit_um:
            ledger.roundness += prices.roundness
        if part.burnt:
            ledger.burn += prices.burn
        self._looks = 0

    def fork(self) -> "Grinder":
        """
        The same machine at the same moment, to see what would come of it.

        Its `truth` begins empty; what it grinds, spends and writes down stays its own.
        """
        other = copy(self)
        other.truth = []
        other.events = list(self.events)
        other.ledger = replace(self.ledger)
        other.cycle = replace(self.cycle)
        other._counts = dict(self._counts)
        return other

    def measure(self) -> Reading:
        """A reading of the last part; asked again, a new one of the same part."""
        if not self.truth:
            raise ValueError("no part has been ground yet")
        s, part = self.setting, self.truth[-1]
        errors = self._gauges.get(self._looks)
        if errors is None:
            error = gauge_error(s.gauge_sd_um, outlier_rate=s.slip_rate, outlier_sd=s.slip_sd_um)
            errors = self._gauges[self._looks] = Stream(self.seed, f"gauge/{self._looks}", error)
        self._looks += 1
        self.ledger.measure += s.prices.measure
        size = part.size_um + errors[part.number]
        return Reading(rounded(size, s.gauge_step_um), part.ra_um, part.roundness_um)

    def offset(self, um: float) -> float:
        """Move the register by `um`, on diameter, rounded to the control's step; what was typed."""
        s = self.setting
        typed = rounded(um, s.offset_step_um)
        if typed == 0:
            return 0.0
        self._register += typed + self._entries[self._count("offset")]
        if self.cycle.since_dress > SETUP_PARTS:
            self.cycle.offsets_um += typed
        self.ledger.offset += s.prices.offset
        self._note("offset", amount_um=typed)
        return typed

    def dress(self) -> None:
        """Dress the wheel and begin a new cycle."""
        s = self.setting
        if not s.dress_resets_size:
            self._base += s.sign * self.cycle.worn_um
        self._base += s.dress_bias_um + self._dresses[self._count("dress")]
        if s.dress_clears_offsets:
            self._register -= self.cycle.offsets_um
        self.cycle = self._new_cycle(self.cycle.number + 1)
        self.ledger.dress += s.prices.dress
        self._note("dress")

    def pause(self, minutes: float) -> None:
        """Stand still: the machine cools."""
        s = self.setting
        self._warm_fast *= math.exp(-minutes / (s.warm_fast_min * s.cooling))
        self._warm_slow *= math.exp(-minutes / (s.warm_slow_min * s.cooling))
        self._wait(minutes)
        self._note("pause", minutes=minutes)

    def idle(self, minutes: float) -> None:
        """Run without grinding: the machine warms, and the minutes are paid."""
        s = self.setting
        self._warm_fast += (1 - self._warm_fast) * (1 - math.exp(-minutes / s.warm_fast_min))
        self._warm_slow += (1 - self._warm_slow) * (1 - math.exp(-minutes / s.warm_slow_min))
        self._wait(minutes)
        self.ledger.idle += s.prices.minute * minutes
        self._note("note", minutes=minutes)

    def look(self) -> None:
        """Stop and check one thing: it is found in order, and the stop is paid."""
        self.ledger.look += self.setting.prices.look

    def batch(self) -> None:
        """A new set-up of the same part: the base is drawn anew."""
        self._base = self._setups[self._count("batch")]
        self._note("batch")

    def scheduled(self) -> tuple[Event, ...]:
        """What the day brings before the next part: a night, a break, a new batch; mostly ()."""
        s, made = self.setting, self.number
        if made == 0:
            return ()
        before = len(self.events)
        if s.batch_parts and made % s.batch_parts == 0:
            self.batch()
        in_shift = made % s.shift_parts
        for after, minutes in ((0, s.night_min), *s.breaks):
            if in_shift == after:
                self.pause(minutes)
        return tuple(self.events[before:])

    def _wait(self, minutes: float) -> None:
        keep = math.exp(-minutes / self.setting.wave_min)
        fresh = self._pause_waves[self._count("pause")]
        self._wave = keep * self._wave + math.sqrt(1 - keep**2) * fresh
        self.minute += minutes

    def _count(self, kind: str) -> int:
        self._counts[kind] += 1
        return self._counts[kind] - 1

    def _note(self, kind: str, *, amount_um: float = math.nan, minutes: float = math.nan) -> None:
        self.events.append(Event(self.number, self.minute, kind, amount_um, minutes))


def quickening(n: float, life: float, onset: float) -> float:
    """
    How much faster than steadily the wheel wears at part `n` of a life of `life` parts.

    Examples
    --------
    >>> quickening(40, 50, 0.8), quickening(50, 50, 0.8)
    (1.0, 2.0)
    """
    return 1.0 + max(0.0, n - onset * life) / ((1 - onset) * life)


def rounded(value: float, step: float) -> float:
    """
    The nearest multiple of `step`; the value itself when `step` is 0.

    Examples
    --------
    >>> rounded(-2.3, 0.5), rounded(1.23, 0)
    (-2.5, 1.23)
    """
    return value if step == 0 else round(round(value / step) * step, 9)
