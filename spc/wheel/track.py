"""What is known of the process so far: level, drift, spread, warmth, registers and cycles."""

import math
from collections.abc import Sequence
from copy import deepcopy
from typing import Any

from spc.dress_cycles import SETUP_PARTS
from spc.wheel.at_stake import at_stake
from spc.wheel.dress_effect import DressEffect
from spc.wheel.dresser import Dresser
from spc.wheel.drift import BASE, BENDS_FROM, BREAK_IN, SLOPE, WARMTH, WORN, Drift
from spc.wheel.frames import Companion, frame_of
from spc.wheel.handed_on import CYCLES_KEPT, HandedOn, usual_slope
from spc.wheel.health import FormGrowth, SpreadGrowth
from spc.wheel.loss import Stakes
from spc.wheel.one_off import OneOff, Unread
from spc.wheel.priors import entry_prior, habitual_life, life_told
from spc.wheel.settings import Settings
from spc.wheel.thermal import cooled, warmed

#: Execution error of one offset, in steps (a fifth of a step; judgement).
MOVE_ERROR = 0.2
#: A wheel is not taken for sharp when readings, those of earlier runs too, raised the odds that its
#: spread grows so many times (judgement).
DENIES = 3.0
#: A part this many standard deviations from its forecast says nothing of how far parts spread: a
#: part that stands alone, or a level that leapt.
ODD = 6.0
#: Forecast errors kept for the self-check.
CHECKED = 50


class Track:
    """Everything estimated, fed with what was done and what was read; it decides nothing."""

    def __init__(self, settings: Settings, history: Sequence[dict[str, Any]] = ()) -> None:
        lead = settings.lead
        assert lead is not None  # the adviser keeps no track without a size to steer
        self.settings = settings
        self.lead = lead
        self.frame = frame_of(lead)
        width = self.frame.half_width
        past = [cycle for record in history for cycle in record["cycles"]][-CYCLES_KEPT:]
        step = settings.machine.offset_step_um
        self.gauge_var = lead.gauge_var
        self._scale(habitual_life(settings, past), told=life_told(settings, past))
        machine = settings.machine
        effect = DressEffect(machine.dress_resets_size, machine.dress_clears_offsets)
        self.dresser = Dresser(effect, max(0.15 * width, 0.5 * step), width)
        self.move_var = (MOVE_ERROR * step) ** 2
        self.companions = {
            f.name: Companion(frame_of(f), self.growth.variance(1))
            for f in settings.features
            if f.is_size and f.kind == lead.kind and f.name != lead.name
        }
        self.made = 0
        self.age = 0
        self.age_known = False
        self.cycle = 1
        self.begun_by = "start"
        self.warm = 0.0
        self.minute: float | None = None
        self.unclocked = 0  # parts since the clock was last read
        self.told_pause = 0.0
        self.read_in_cycle = 0
        self.last_read = 0  # part of the last lead reading taken in
        self.spacing = float(lead.sample or 3)  # parts between readings, smoothed
        self.slope_note: list[float] | None = None  # slope and its variance in the steady stretch
        self.cycles: list[dict[str, Any]] = list(past)
        self.errors: list[float] = []
        self.sharp = False  # `stays_sharp` before the part ground last
        self.closed = False  # something moved the level since the part was ground
        self._before: Unread | None = None
        self._from = (0.0, 0.0)  # level and variance from which the last part was taken in
        self.news = 0.0  # how far the part read last moved the level [µm]
        self.times = 0  # and how often it was read
        self._stakes: Stakes | None = None  # as they are; None when something they hang on changed
        self.one_off = OneOff()
        if history:
            self._handed_on().inherit(history[-1], self.cycles, width)
        self.usual_slope = usual_slope(self.drift.prior, self.cycles)
        self.odds_at_start = self.growth.odds_of_growth  # that spread grows, before any reading

    def _scale(self, life: float, *, told: bool) -> None:
        """Begin with everything that goes by the parts that a wheel does."""
        width, gauge = self.frame.half_width, self.lead.gauge_var
        self.life = life
        self.drift = Drift(entry_prior(life, width))
        start, most = ((share * width) ** 2 + gauge for share in (0.15, 0.7))
        self.growth = SpreadGrowth(start, life, most, told=told)
        self.forms = {
            f.name: FormGrowth(f.upper_um, life)
            for f in self.settings.features
            if f.kind in ("roundness", "runout", "roughness") and f.upper_um is not None
        }

    # -- what was done -------------------------------------------------------------------------

    def part(self, minute: float | None) -> float:
        """One part was ground; returns the minutes of an untold pause before it, if any."""
        gap = self._clock(minute)
        if gap:
            self.pause(gap)
        self.made += 1
        self.age += 1
        self._before = self._stakes = None
        self.closed = False
        self.warm = warmed(
            self.warm, self.settings.minutes_per_part, self.settings.machine.warm_up_minutes
        )
        # Judged by the parts before, so that the order of this part's features changes nothing.
        self.sharp = self.stays_sharp()
        aged = self.cutting_age
        self.drift.part(self.age, aged, self.growth.variance(aged))
        self.one_off.part(self.age, aged, self.growth.variance(aged))
        for companion in self.companions.values():
            companion.part()
        return gap

    def _clock(self, minute: float | None) -> float:
        cycle = self.settings.minutes_per_part
        self.unclocked += 1
        if minute is None:
            return 0.0
        before, self.minute = self.minute, minute
        parts, self.unclocked = self.unclocked, 0
        told, self.told_pause = self.told_pause, 0.0
        if before is None or minute < before:
            return 0.0
        untold = minute - before - parts * cycle - told
        return untold if untold > max(5.0, 5 * cycle) else 0.0

    def pause(self, minutes: float) -> None:
        """The machine stood."""
        self.warm = cooled(self.warm, minutes, self.settings.machine.warm_up_minutes)
        self._moved(0.0, self.gauge_var + 0.3 * self.noise * min(0.6, minutes / 90))

    def offset(self, amount: float) -> None:
        """An offset was entered, mirrored."""
        self.dresser.offset(amount, late=self.age > SETUP_PARTS)
        self._moved(amount, self.move_var)

    def _moved(self, amount: float, variance: float) -> None:
        self.drift.move(amount, variance)
        self.one_off.move(amount, variance)

    def dress(self) -> None:
        """The wheel was dressed."""
        self._end_cycle("dress")
        worn, _ = self.drift.estimate(WORN)
        slope, sd = self.usual_slope = usual_slope(self.drift.prior, self.cycles)
        self.drift.dress(self.dresser.effect.kept, slope, sd)
        base, var = self.dresser.dressed(*self.drift.estimate(BASE), worn)
        self.drift.rebase(base, var, self.dresser.belief)
        self._begin("dress")

    def wheel(self) -> None:
        """A new wheel was mounted: little of the old one holds."""
        self._end_cycle("wheel")
        slope, sd = self.usual_slope = usual_slope(self.drift.prior, self.cycles)
        self.drift.dress(0.0, slope, 2 * sd)
        self.drift.move(0.0, self.frame.half_width**2)
        self._begin("wheel")
        self.dresser.unknown(*self.drift.estimate(BASE))

    def _begin(self, by: str) -> None:
        self.one_off.forget()
        self.growth.new_cycle()
        for companion in self.companions.values():
            companion.dress()
        for form in self.forms.values():
            form.dress()
        self.age, self.age_known = 0, True
        self.cycle += 1
        self.begun_by = by
        self.sharp = False
        self.read_in_cycle = 0
        self.slope_note = None
        self._before = self._stakes = None

    def close_part(self) -> None:
        """Something moves the level: later readings of this part say nothing of the next."""
        self.closed = True
        self._before = None

    def unsettle(self, sd: float) -> None:
        """The level may have moved, nobody knows how far: new set-up, batch, swivel, jump."""
        self._moved(0.0, sd * sd)

    def jump(self, size: float) -> None:
        """The level leapt for no logged cause: the base moved, or an old wheel broke down."""
        self.one_off.forget()
        broke = min(0.8, 0.2 + 0.5 * self.age / self.life)
        self.drift.loosen((1 - broke) * size * size, broke * size * size)

    # -- what was read -------------------------------------------------------------------------

    @property
    def read_in_run(self) -> int:
        """Parts whose leading diameter was read in this run, counted up to `CHECKED`."""
        return len(self.errors)

    @property
    def noise(self) -> float:
        """Variance of one reading about the level now. [µm²]"""
        return self.growth.variance(max(self.cutting_age, 1))

    def stays_sharp(self) -> bool:
        """Whether form and finish say that the wheel cuts as it did, and no spread denies it."""
        if not self.forms:
            return False
        growth = self.growth
        denied = growth.odds_of_growth > DENIES * growth.odds_before_readings
        stays = all(form.stays for form in self.forms.values())
        return stays and not denied and not self.glazing()

    def glazing(self, *, before: bool = False) -> str:
        """
        The roughness that gets finer as the wheel works, in this cycle so far; "" for none.

        A worn grain that does not break rubs, heats and burns while finish and size look ever
        better (common practice, no source). `before`: it was seen to at the part read before.
        """
        for feature in self.settings.features:
            form = self.forms.get(feature.name)
            if form is not None and feature.kind == "roughness" and form.falls(before=before):
                return feature.name
        return ""

    @property
    def cutting_age(self) -> int:
        """Parts since the dress, as far as a wheel that stays sharp ages by them."""
        return min(self.age, int(BENDS_FROM * self.life)) if self.sharp else self.age

    def spread_grows(self, times: float) -> bool:
        """Whether this run's readings raised the odds that the spread grows so many times."""
        return self.growth.odds_of_growth > times * self.odds_at_start

    @property
    def part_var(self) -> float:
        """Variance of true sizes about the level now: the gauge taken out. [µm²]"""
        noise = self.noise
        return max(noise - self.gauge_var, 0.3 * noise)

    def level(self) -> tuple[float, float]:
        """Level of the leading diameter now and its variance, mirrored from target."""
        return self.drift.expected(self.warm)

    def forecast(self, name: str) -> tuple[float, float]:
        """Forecast of a reading of this part and the variance of that, mirrored from target."""
        if name == self.lead.name:
            level, var = self.level() if self._before is None else self._from
            return level, var + self.noise
        return self.companions[name].expected(*self.level())

    def take(self, name: str, values: Sequence[float]) -> None:
        """All readings so far of one feature of this part, mirrored; earlier ones are replaced."""
        self._stakes = None
        if name in self.companions:
            if len(values) == 1:
                self.companions[name].read(values[0], *self.level(), self.noise)
            return
        mean = sum(values) / len(values)
        averaged = self.gauge_var * (1 - 1 / len(values))
        first = self._before is None
        if self._before is None:
            self._before = Unread(self.drift, self.one_off.kept, self.growth.snapshot())
        else:
            self.growth.restore(self._before.growth)
        # All readings of the part are taken in as one, from where things stood before the first.
        self.drift, self.one_off.kept = self._before.filters()
        self.drift = self.one_off.settle(self.drift, mean, self.warm, self.noise)
        self._from = level, var = self.level()
        noise = self.noise
        if first:
            self.read_in_cycle += 1
            self.spacing += 0.1 * (min(self.made - self.last_read, 50) - self.spacing)
            self.last_read = self.made
            self.errors = [*self.errors, (mean - level) / math.sqrt(var + noise)][-CHECKED:]
            self.dresser.effect.weigh(mean - level, var + noise)
        if (mean - level) ** 2 <= ODD * ODD * (var + noise):
            self.growth.read(mean - level, var, self.age, averaged)
        self.drift.read(mean, self.warm, max(noise - averaged, 0.2 * noise))
        self.news, self.times = self.level()[0] - level, len(values)
        self._note(first)

    def _note(self, first: bool) -> None:
        steady = self.age <= 0.75 * self.life or self.slope_note is None
        if self.read_in_cycle >= 3 and steady:
            self.slope_note = list(self.drift.estimate(SLOPE))

    # -- what was learnt -----------------------------------------------------------------------

    def _end_cycle(self, by: str) -> None:
        if self.age < 1:
            return
        if self.read_in_cycle >= 2:
            self.dresser.learn(*self.drift.estimate(BASE))
        self.cycles.append(self._cycle(by))
        del self.cycles[:-CYCLES_KEPT]

    def _cycle(self, ended_by: str) -> dict[str, Any]:
        slope = self.slope_note
        return {
            "parts": self.age,
            "begun_by": self.begun_by,
            "ended_by": ended_by,
            "age_known": self.age_known,
            "slope": None if slope is None else slope[0],
            "slope_var": None if slope is None else slope[1],
        }

    def learned(self) -> dict[str, Any]:
        """What a later run may start from, as plain numbers."""
        now = [] if self.slope_note is None else [self._cycle("end of run")]
        return self._handed_on().told(self.cycles + now)

    def _handed_on(self) -> HandedOn:
        return HandedOn(
            self.life, self.drift, self.growth, self.dresser, self.companions, self.forms
        )

    # -- what follows --------------------------------------------------------------------------

    @property
    def just_dressed(self) -> bool:
        """Whether the wheel was dressed and has not ground since."""
        return self.age == 0 and self.begun_by == "dress"

    def dressed(self) -> "Track":
        """What would be known after a dress now."""
        after = deepcopy(self, {id(self.settings): self.settings})
        after.dress()
        return after

    def dress_move(self) -> tuple[float, float]:
        """Level expected right after a dress now, mirrored from target, and its variance."""
        base, var = self.drift.estimate(BASE)
        worn, _ = self.drift.estimate(WORN)
        after, after_var, _ = self.dresser.forecast(base + self.dresser.effect.kept * worn, var)
        warmth, _ = self.drift.estimate(WARMTH)
        return after + self.warm * warmth, after_var

    def to_come(self, age: int) -> float:
        """Break-in still ahead at an age: the level it will add. [µm]"""
        size, _ = self.drift.estimate(BREAK_IN)
        return size * math.exp(-age / self.drift.prior.break_in_parts)

    def stakes(self) -> Stakes:
        """What the job risks now, as `loss` wants it."""
        if self._stakes is None:
            self._stakes = at_stake(self.settings.cost, self.frame, self.companions.values())
        return self._stakes

    # -- to and from plain numbers -------------------------------------------------------------

    _PLAIN = (
        "made", "age", "age_known", "cycle", "begun_by", "warm", "minute",
        "unclocked", "told_pause", "read_in_cycle", "last_read", "spacing", "slope_note",
        "gauge_var", "closed", "odds_at_start", "sharp",
        "news", "times",
    )  # fmt: skip

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        plain = {name: getattr(self, name) for name in self._PLAIN}
        return {
            **{k: list(v) if isinstance(v, list) else v for k, v in plain.items()},
            "life": self.life,
            "life_told": self.growth.told,
            "drift": self.drift.state(),
            "one_off": self.one_off.state(),
            "growth": self.growth.state(),
            "dresser": self.dresser.state(),
            "companions": {name: other.state() for name, other in self.companions.items()},
            "forms": {name: form.state() for name, form in self.forms.items()},
            "cycles": [dict(c) for c in self.cycles],
            "errors": list(self.errors),
            "usual_slope": list(self.usual_slope),
            "before": None if self._before is None else self._before.state(),
            "from": list(self._from),
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self._stakes = None
        for name in self._PLAIN:
            value = state[name]
            setattr(self, name, list(value) if isinstance(value, list) else value)
        self._scale(state["life"], told=state["life_told"])
        self.drift.resume(state["drift"])
        self.one_off.resume(self.drift, state["one_off"])
        self.growth.resume(state["growth"])
        before = state["before"]
        self._before = None if before is None else Unread.resumed(self.drift, before)
        self._from = (state["from"][0], state["from"][1])
        self.dresser.resume(state["dresser"])
        for name, other in self.companions.items():
            other.resume(state["companions"][name])
        for name, form in self.forms.items():
            form.resume(state["forms"][name])
        self.cycles = [dict(c) for c in state["cycles"]]
        self.errors = list(state["errors"])
        self.usual_slope = (state["usual_slope"][0], state["usual_slope"][1])
