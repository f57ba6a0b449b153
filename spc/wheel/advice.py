"""The adviser: told of parts, readings and events as they come, it says the next act."""

import math
from collections.abc import Sequence
from typing import Any

from spc.errors import BadRecord
from spc.wheel.act import ACTIONS, Advice
from spc.wheel.dress_effect import SURE
from spc.wheel.dress_rule import calm_parts, dress_case, too_young
from spc.wheel.forecast import PartsLeft
from spc.wheel.next_act import Standing, next_act
from spc.wheel.rules import CALM, Case, Habits, after_dress, weigh
from spc.wheel.settings import (
    CostSettings,
    FeatureSettings,
    MachineSettings,
    Settings,
    WheelSettings,
)
from spc.wheel.track import Track
from spc.wheel.watch import Finding, Watch
from spc.wheel.wording import denied_words

__all__ = [
    "ACTIONS",
    "EVENTS",
    "Advice",
    "Advisor",
    "CostSettings",
    "FeatureSettings",
    "MachineSettings",
    "PartsLeft",
    "Settings",
    "WheelSettings",
]

#: What may be told besides parts and readings.
EVENTS = (
    "dress", "offset", "wheel", "swivel", "pause", "master", "batch", "coolant", "regrind",
    "cleared", "note",
)  # fmt: skip
#: Raised whenever the same readings would leave an adviser with another state: other keys, or other
#: numbers. A state that was kept by an adviser of another format is not gone on from.
STATE_FORMAT = 11
#: A reading this many standard deviations from its forecast may make a dress due at once.
STARTLING = 1.5
#: Level unsettled by a new batch, in half widths of the tolerance, and by a swivel. [µm]
BATCH_UNREST, SWIVEL_UNREST = 0.75, 3.0


class Advisor:
    """
    The next act at one grinder, from what it was told so far. Memory does not grow with the run.

    Parameters
    ----------
    settings : Settings
        The job in plain numbers.
    history : sequence of dict, optional
        What earlier advisers of the same job had `learned`, oldest first.
    state : dict, optional
        An earlier adviser's `state()`; this one goes on exactly there.
    before : int
        Parts ground before the first it is told of; what it says numbers parts from there.

    Examples
    --------
    >>> seat = FeatureSettings("seat A", lower_um=-8, upper_um=8, target_um=0)
    >>> advisor = Advisor(Settings((seat,)))
    >>> advisor.part()
    >>> advisor.reading("seat A", 6.5)
    >>> advisor.advise().action
    'measure_again'
    >>> advisor.reading("seat A", 6.3)
    >>> advisor.advise().action
    'offset'
    """

    def __init__(
        self,
        settings: Settings,
        history: Sequence[dict[str, Any]] = (),
        state: dict[str, Any] | None = None,
        before: int = 0,
    ) -> None:
        self.settings = settings
        self._features = {feature.name: feature for feature in settings.features}
        past = [record["track"] for record in history if record.get("track") is not None]
        self._track = Track(settings, past) if settings.lead is not None else None
        self._watch = Watch(settings, before)
        self._habits = Habits()
        self._made = 0
        self._advice: Advice | None = None
        self._case: Case | None = None  # as weighed for that
        if state is not None:
            self._resume(state)

    # -- what it is told -----------------------------------------------------------------------

    def part(self, minute: float | None = None) -> None:
        """
        A part was ground, measured or not.

        Parameters
        ----------
        minute : float, optional
            Clock at that part, any origin. [min]
        """
        if minute is not None:
            minute = float(minute)
            if not math.isfinite(minute):
                raise BadRecord(f"minute = {minute} is not a time; leave it out when unknown")
        self._note_due()
        self._advice = self._case = None
        self._settle()
        self._made += 1
        self._watch.part()
        if self._track is not None and self._track.part(minute):
            self._habits.since_pause = 0

    def reading(self, feature: str, value_um: float, again: bool = False) -> None:
        """
        One reading of the part ground last.

        Parameters
        ----------
        feature : str
            As in the plan.
        value_um : float
            Deviation from nominal; for form, finish and taper the value itself. [µm]
        again : bool
            A repeat; any further reading of the same part is one, marked or not.
        """
        if feature not in self._features:
            known = ", ".join(self._features)
            raise BadRecord(f"there is no feature {feature!r}; the features are: {known}")
        value = float(value_um)
        if not math.isfinite(value):
            raise BadRecord(f"the reading of {feature} is {value_um!r}; give a number of µm")
        if self._made == 0:
            raise BadRecord(f"a reading of {feature} came before any part; tell of the part first")
        self._advice = self._case = None
        self._read(self._features[feature], value)

    def event(self, kind: str, um: float | None = None, minutes: float | None = None) -> None:
        """
        Something was done or happened after the part ground last.

        Parameters
        ----------
        kind : str
            One of `EVENTS`.
        um : float, optional
            Move on diameter, + bigger; an offset needs it. [µm]
        minutes : float, optional
            Length of a pause.
        """
        if kind not in EVENTS:
            raise BadRecord(f"there is no event {kind!r}; the events are: {', '.join(EVENTS)}")
        if kind == "offset" and um is None:
            raise BadRecord("an offset came without its amount; give um, on diameter, + bigger")
        for name, value in (("um", um), ("minutes", minutes)):
            if value is not None and not math.isfinite(float(value)):
                raise BadRecord(f"{name} = {value!r} of {kind} is not a number")
        if minutes is not None and minutes < 0:
            raise BadRecord(f"minutes = {minutes!r} of {kind} is below zero")
        self._note_due()
        self._advice = self._case = None
        self._watch.event(kind)
        if kind in ("cleared", "master", "swivel"):
            self._habits.since_leap = CALM
        if self._track is not None:
            self._act(self._track, kind, um, minutes)

    def _act(self, track: Track, kind: str, um: float | None, minutes: float | None) -> None:
        if kind == "offset" and um is not None:
            amount = track.frame.mirror * float(um)
            if amount:
                self._moved(track)
                track.offset(amount)
                self._habits.offset(amount)
                self._watch.moved(float(um))
        elif kind in ("dress", "wheel"):
            self._moved(track)
            told = after_dress(track, self._habits) if kind == "dress" else None
            track.dress() if kind == "dress" else track.wheel()
            self._habits.dress(told)
            self._habits.unread_change = "wheel" if kind == "wheel" else ""
            self._watch.forget()
        elif kind == "pause":
            self._moved(track)
            if minutes:
                track.told_pause += float(minutes)
                track.pause(float(minutes))
            self._habits.since_pause = 0
        elif kind == "batch":
            self._moved(track)
            track.unsettle(BATCH_UNREST * track.frame.half_width)
            self._habits.unread_change = self._habits.unread_change or "batch"
        elif kind == "swivel":
            self._moved(track)
            track.unsettle(SWIVEL_UNREST)
            self._habits.unread_change = self._habits.unread_change or "swivel"
            self._watch.forget()

    def _moved(self, track: Track) -> None:
        self._settle()
        track.close_part()

    # -- readings ------------------------------------------------------------------------------

    def _read(self, feature: FeatureSettings, value: float) -> None:
        track = self._track
        steered = track is not None and (
            feature.name == track.lead.name or feature.name in track.companions
        )
        forecast = None
        if track is not None and steered:
            place, var = track.forecast(feature.name)
            frame = self._frame(track, feature)
            forecast = (frame.outward(place), math.sqrt(var))
        heard = self._watch.reading(feature, value, forecast)
        if track is not None and feature.name == track.lead.name and not heard.first:
            track.gauge_var = self._watch.gauge_sd(feature) ** 2 + feature.gauge_step_um**2 / 12
        if heard.taken is not None:
            self._take(feature, heard)

    def _frame(self, track: Track, feature: FeatureSettings) -> Any:
        return (
            track.frame if feature.name == track.lead.name else track.companions[feature.name].frame
        )

    def _take(self, feature: FeatureSettings, heard: Finding) -> None:
        track = self._track
        assert heard.taken is not None
        if track is None:
            return
        if feature.name in track.forms:
            if heard.first:
                track.forms[feature.name].read(heard.taken, max(track.age, 1))
            return
        if feature.name != track.lead.name and feature.name not in track.companions:
            return
        if track.closed:
            return
        frame = self._frame(track, feature)
        if feature.name == track.lead.name and heard.first:
            self._habits.read(held=self._watch.holds)
        if (heard.jump or heard.check) and feature.name == track.lead.name:
            up = frame.inward(heard.taken) > track.level()[0]
            self._habits.leap(up=up, new=heard.check)
        if heard.jump:
            if feature.name == track.lead.name:
                track.jump(heard.jump)
            else:
                track.companions[feature.name].var += heard.jump**2
        if heard.check and feature.name == track.lead.name:
            self._habits.since_jump = 0
        track.take(feature.name, [frame.inward(v) for v in heard.values])

    def _settle(self) -> None:
        """Take in readings whose repeat never came, if they were no surprise."""
        for feature, heard in self._watch.unanswered():
            self._take(feature, heard)

    # -- what it says --------------------------------------------------------------------------

    def advise(self) -> Advice:
        """The next act as things stand; asking changes nothing."""
        if self._advice is None:
            self._advice = self._decide()
        return self._advice

    def _decide(self) -> Advice:
        case = self._weighed()
        return next_act(Standing(self.settings, self._watch, self._habits, self._track, case))

    def _weighed(self) -> Case | None:
        if self._case is None and self._track is not None:
            self._case = weigh(self._track, self._habits)
        return self._case

    def _note_due(self) -> None:
        """Whether a dress was due at the part read last, asked for or not: it then stays due."""
        track, habits = self._track, self._habits
        if track is None or track.age == 0 or track.last_read < track.made:
            return
        if too_young(track):
            habits.dress_due("", track.made)
            return
        if track.made < habits.look_at and abs(track.errors[-1]) < STARTLING:
            return
        case = self._case.dress if self._case else None
        case = case or dress_case(track, due=habits.due, leapt=habits.leapt)
        reason = "" if case.reason == "limit" else case.reason
        habits.dress_due(reason, track.made, calm=calm_parts(track, case))

    # -- what it keeps -------------------------------------------------------------------------

    def learned(self) -> dict[str, Any]:
        """What a later adviser of the same job may start from: plain numbers, ready for JSON."""
        return {
            "schema": "spc.wheel.learned/1",
            "track": None if self._track is None else self._track.learned(),
        }

    def self_check(self) -> dict[str, Any]:
        """
        How well readings were foretold: number of forecasts, their standardised spread, share out.

        A spread of 1 and a share of about 0.05 beyond 1.96 mean that the stated uncertainty holds.
        """
        errors = [] if self._track is None else self._track.errors
        if len(errors) < 2:
            return {"n": len(errors), "spread": None, "beyond": None}
        mean = sum(errors) / len(errors)
        var = sum((e - mean) ** 2 for e in errors) / (len(errors) - 1)
        beyond = sum(abs(e) > 1.96 for e in errors) / len(errors)
        return {"n": len(errors), "spread": math.sqrt(var), "beyond": beyond}

    @property
    def proves(self) -> bool:
        """Whether a hold was cleared and waits for good parts alone, for nothing anybody does."""
        return self._watch.proves

    @property
    def doubt(self) -> str:
        """What the plan says of a dress and the dresses of this run deny; "" for nothing."""
        track, said = self._track, self.settings.machine.dress_clears_offsets
        if track is None or said is None or track.dresser.effect.plan_belief > 1 - SURE:
            return ""
        return denied_words(said)

    def state(self) -> dict[str, Any]:
        """Everything as plain numbers, ready for JSON; ``Advisor(settings, state=...)`` goes on."""
        return {
            "schema": f"spc.wheel.state/{STATE_FORMAT}",
            "made": self._made,
            "habits": self._habits.state(),
            "watch": self._watch.state(),
            "track": None if self._track is None else self._track.state(),
        }

    def _resume(self, state: dict[str, Any]) -> None:
        schema = f"spc.wheel.state/{STATE_FORMAT}"
        if state.get("schema") != schema:
            raise BadRecord(
                f"the state is of the form {state.get('schema')!r}, this adviser goes on from "
                f"{schema!r} alone; tell it the records of the run instead"
            )
        self._made = state["made"]
        self._habits = Habits.kept(state["habits"])
        self._watch.resume(state["watch"])
        if self._track is not None and state["track"] is not None:
            self._track.resume(state["track"])
