"""The adviser: told of parts, readings and events as they come, it says the next act."""

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from spc.errors import BadRecord
from spc.wheel.act import ACTIONS, Advice, uncounted
from spc.wheel.dress_effect import SURE
from spc.wheel.dress_rule import calm_parts, dress_case, too_young
from spc.wheel.forecast import PartsLeft, outlook, parts_left
from spc.wheel.rules import CALM, Case, Habits, Move, after_dress, measure_after, weigh
from spc.wheel.settings import (
    CostSettings,
    FeatureSettings,
    MachineSettings,
    Settings,
    WheelSettings,
)
from spc.wheel.track import Track
from spc.wheel.watch import Finding, Watch
from spc.wheel.wording import (
    LOOK,
    UNREAD,
    as_typed,
    dress_words,
    drift_words,
    level_words,
    limit_words,
    money,
    since_words,
    um,
)

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
STATE_FORMAT = 6
#: A move beyond this share of the half tolerance is not made on one reading (judgement).
LARGE = 0.5
#: A reading this many standard deviations from its forecast may make a dress due at once.
STARTLING = 1.5
#: Level unsettled by a new batch, in half widths of the tolerance, and by a swivel. [µm]
BATCH_UNREST, SWIVEL_UNREST = 0.35, 3.0


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
    ) -> None:
        self.settings = settings
        self._features = {feature.name: feature for feature in settings.features}
        past = [record["track"] for record in history if record.get("track") is not None]
        self._track = Track(settings, past) if settings.lead is not None else None
        self._watch = Watch(settings)
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
            track.dress() if kind == "dress" else track.wheel()
            self._habits.dress()
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
            self._habits.since_leap = 0
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
        track, watch = self._track, self._watch
        case = self._weighed()
        finding = watch.verdict(
            can_steer=case is not None and (case.wise or bool(case.dress.reason))
        )
        if finding is not None:
            return self._say(*finding, case=case)
        if track is None or case is None:
            return self._say("grind_on", "", "no diameter or bore to steer; nothing is out", case)
        return self._steer(track, case)

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

    def _steer(self, track: Track, case: Case) -> Advice:
        words = self._where(track, case)
        drift = drift_words(case.slope * track.frame.mirror, case.slope_sd)
        if self.settings.machine.in_process_gauge:
            drift = "the gauge at the wheel hides its wear, so no parts left are told"
        if case.dress.reason and track.age > 0:
            fresh = after_dress(track, self._habits)
            why = self._also_held(self._why_dress(track, case))
            return self._say("dress", "wheel", why, case, fresh)
        if case.wise:
            move = um(track.frame.mirror * case.move.amount)
            if self._rests_on_one_reading(track, case):
                why = f"{words}; a move of {move} would rest on one reading of this part"
                return self._say("measure_again", track.lead.name, why, case)
            saves = (
                f"a move of {move} saves {money(case.move.saving)} {self.settings.cost.currency}"
            )
            why = self._also_held(f"{words}, {drift}; {saves}")
            return self._say("offset", track.lead.name, why, case, case.move)
        if track.made == 0:
            return self._say("grind_on", "", "no part was ground yet", case)
        if self._habits.unread_change:
            what = UNREAD[self._habits.unread_change]
            return self._say("grind_on", "", f"{what}, and no part was read since; {words}", case)
        pays = "waits for the next reading" if case.waits else "would not pay"
        return self._say("grind_on", "", f"{words}, {drift}; a move {pays}", case)

    def _rests_on_one_reading(self, track: Track, case: Case) -> bool:
        amount = case.move.amount
        return (
            abs(amount) > LARGE * track.frame.half_width
            and self._watch.read_once(track.lead.name)
            and abs(track.news) > 0.5 * abs(amount)
        )

    @staticmethod
    def _where(track: Track, case: Case) -> str:
        name, place = track.lead.name, track.frame.outward(case.level)
        if track.frame.aimed_by_limit:
            limit = next(end for end in track.lead.guarded_um if end is not None)
            return limit_words(name, place, case.sd, limit)
        return level_words(name, place, case.sd, track.frame.target)

    def _also_held(self, evidence: str) -> str:
        held = self._watch.held_words
        return f"{evidence}; {held}" if held else evidence

    def _why_dress(self, track: Track, case: Case) -> str:
        reason, since = case.dress.reason, since_words(track.age, track.begun_by)
        if reason == "limit":
            return f"{since}; the limit is {self.settings.max_parts}"
        if reason != "cost":
            return f"{reason} is likely to leave its limit soon, {since}"
        currency, began = self.settings.cost.currency, self._habits.due_since
        return dress_words(since, case.dress.coming, case.dress.average, currency, began)

    def _say(
        self, action: str, subject: str, evidence: str, case: Case | None, move: Move | None = None
    ) -> Advice:
        track = self._track
        offset = amount = unit = None
        if track is not None and move is not None and move.amount:
            step = self.settings.machine.offset_step_um
            offset = round(round(track.frame.mirror * move.amount / step) * step, 9)
            amount, unit = as_typed(self.settings.machine, offset)
        runner, difference = self._runner_up(action, case)
        after = 1
        if action == "measure_again":
            after = 0
        elif track is not None and case is not None and action == "grind_on":
            after = measure_after(track, self._habits, case, self._watch.open_question)
        look = LOOK.get(subject if action == "check" else action, "")
        return Advice(
            action=action,
            subject=subject,
            offset_um=offset,
            amount=amount,
            amount_unit=unit,
            measure_after=after,
            evidence=evidence,
            check_first=look,
            runner_up=runner,
            cost_difference=difference,
            _count=self._counter(track),
        )

    def _runner_up(self, action: str, case: Case | None) -> tuple[str | None, float | None]:
        if case is None or self._made == 0:
            return None, None
        if action == "offset":
            return "grind_on", round(max(case.move.saving, 0.0), 4)
        ahead = max(case.dress.coming - case.dress.average, 0.0)
        if action == "dress":
            return "grind_on", round(ahead, 4)
        if action == "grind_on" and case.waits:
            return None, None
        if action == "grind_on" and case.move.amount and not case.wise:
            return "offset", round(max(-case.move.saving, 0.0), 4)
        if action == "grind_on":
            return "dress", round(max(case.dress.average - case.dress.coming, 0.0), 4)
        return None, None

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
    def doubt(self) -> str:
        """What the plan says of a dress and the dresses of this run deny; "" for nothing."""
        track, said = self._track, self.settings.machine.dress_clears_offsets
        if track is None or said is None or track.dresser.effect.plan_belief > 1 - SURE:
            return ""
        does = "takes offsets back" if said else "leaves offsets in force"
        return (
            f"the plan says that a dress {does} (dress_clears_offsets = {str(said).lower()}), the "
            "sizes after the dresses say that it does not; look at the control's offset page "
            "before and after the next dress"
        )

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
        self._made = state["made"]
        self._habits = Habits(**{**state["habits"], "offsets": list(state["habits"]["offsets"])})
        self._watch.resume(state["watch"])
        if self._track is not None and state["track"] is not None:
            self._track.resume(state["track"])

    def _counter(self, track: Track | None) -> Callable[[], PartsLeft | None]:
        """How `Advice.parts_left` is counted when it is read; can be pickled."""
        if track is None:
            return uncounted
        now, sizes = outlook(track), (track.lead.name, *track.companions)
        if self._watch.out_now(sizes) and not self.settings.machine.in_process_gauge:
            return partial(PartsLeft, 0, 0, 0)
        if self._watch.in_doubt(sizes):
            return uncounted
        return partial(parts_left, now)
