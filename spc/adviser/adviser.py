"""
The adviser: told of parts, readings and events as they come, it says the next act.

It steers the leading diameter; the other features are watched for parts outside their limits.
"""

import base64
import math
from dataclasses import fields, replace
from typing import Any

import numpy as np

from spc.adviser import explain
from spc.adviser.advice import Advice
from spc.adviser.filter import Belief
from spc.adviser.forecast import LEAST_READ, PartsLeft, parts_left
from spc.adviser.frame import SAMPLE_UNTOLD, frame_of, stakes_of
from spc.adviser.safety import LEAST_JUMP, SURE_JUMP, Hold, capped, dress_is_forced
from spc.adviser.steer import Act, Steer
from spc.errors import BadRecord, PlanError
from spc.plan import Plan

#: What may be told besides parts and readings.
EVENTS = (
    "dress", "offset", "wheel", "swivel", "pause", "master", "batch", "coolant", "regrind",
    "cleared", "note",
)  # fmt: skip
#: Raised whenever the same entries would leave another state.
STATE_FORMAT = 1
_SCHEMA = f"spc.adviser.state/{STATE_FORMAT}"
#: An untold gap in the clock is a pause from this on. [min, cycle times]
GAP_MINUTES, GAP_CYCLES = 5.0, 5.0
#: Level unsettled by what changes the set-up. [half widths] Judgement.
UNSETTLED = {"wheel": 0.5, "batch": 0.3, "swivel": 0.5}
_ARRAYS = ("log_weight", "mean", "cov", "dof", "variance")


class Advisor:
    """
    The next act at one grinder, from what it was told so far. Memory does not grow with the run.

    Parameters
    ----------
    plan : Plan
        Limits, machine, wheel and costs.
    state : dict, optional
        An earlier adviser's `state()`; this one goes on exactly there.

    Raises
    ------
    PlanError
        When the plan has no diameter or bore.
    BadRecord
        When the state is of another form.
    """

    def __init__(self, plan: Plan, state: dict[str, Any] | None = None) -> None:
        lead = plan.lead
        if lead is None:
            raise PlanError("the plan has no diameter or bore; an adviser needs one to steer by")
        self.plan = plan
        self._lead = lead
        self._frame = frame = frame_of(lead)
        self._holds = {f.name: Hold(f.name, *f.guarded_um) for f in plan.features}
        gauge_var = (lead.gauge_sd_um**2 + lead.gauge_step_um**2 / 12) / frame.half_um**2
        self._steer = Steer(
            stakes_of(plan, lead, frame), habit=plan.wheel.parts_per_dress, gauge_var=gauge_var,
            every=lead.sample or SAMPLE_UNTOLD,
            clears=plan.machine.dress_clears_offsets is not False,
            parts=getattr(plan.job, "parts", None),
        )  # fmt: skip
        self._minute: float | None = None
        self._told_pause = 0.0
        self._moved_unread = False  # an offset was entered and nothing read since
        self._reads = 0
        self._advice: Advice | None = None
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
        if minute is not None and not math.isfinite(float(minute)):
            raise BadRecord(f"minute = {minute} is not a time; leave it out when unknown")
        self._advice = None
        stood = self._untold_pause(minute)
        if stood:
            self._steer.pause(stood / self.plan.job.minutes_per_part)
        self._steer.part()
        for hold in self._holds.values():
            hold.part()
        self._told_pause = 0.0

    def _untold_pause(self, minute: float | None) -> float:
        """Minutes that the clock shows beyond a cycle and the pauses told."""
        before, self._minute = self._minute, None if minute is None else float(minute)
        if before is None or minute is None or minute < before:
            return 0.0
        cycle = self.plan.job.minutes_per_part
        gap = float(minute) - before - cycle - self._told_pause
        return gap if gap > max(GAP_MINUTES, GAP_CYCLES * cycle) else 0.0

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
        if feature not in self._holds:
            known = ", ".join(self._holds)
            raise BadRecord(f"there is no feature {feature!r}; the features are: {known}")
        value = float(value_um)
        if not math.isfinite(value):
            raise BadRecord(f"the reading of {feature} is {value_um!r}; give a number of µm")
        if self._steer.made == 0:
            raise BadRecord(f"a reading of {feature} came before any part; tell of the part first")
        self._advice = None
        self._holds[feature].reading(value)
        if feature == self._lead.name and self._steer.open:
            self._steer.reading(self._frame.inward(value))
            self._moved_unread = False
            self._reads += len(self._steer.readings) == 1

    def event(
        self,
        kind: str,
        um: float | None = None,
        minutes: float | None = None,
        register: str | None = None,
    ) -> None:
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
        register : str, optional
            Of the offset; there is one so far.
        """
        del register
        if kind not in EVENTS:
            raise BadRecord(f"there is no event {kind!r}; the events are: {', '.join(EVENTS)}")
        if kind == "offset" and um is None:
            raise BadRecord("an offset came without its amount; give um, on diameter, + bigger")
        for name, value in (("um", um), ("minutes", minutes)):
            if value is not None and not math.isfinite(float(value)):
                raise BadRecord(f"{name} = {value!r} of {kind} is not a number")
        if minutes is not None and minutes < 0:
            raise BadRecord(f"minutes = {minutes!r} of {kind} is below zero")
        self._advice = None
        if kind == "offset" and um:
            self._steer.offset(self._frame.move_in(float(um)))
            self._moved_unread = True
        elif kind in ("dress", "wheel"):
            self._steer.dress()
            self._moved_unread = False
        elif kind == "pause" and minutes:
            self._told_pause += float(minutes)
            self._steer.pause(float(minutes) / self.plan.job.minutes_per_part)
        elif kind in ("cleared", "master"):
            self._steer.answered()
            for hold in self._holds.values():
                if kind == "cleared":
                    hold.cleared()
        if kind in UNSETTLED:
            self._steer.unsettle(UNSETTLED[kind])

    # -- what it says --------------------------------------------------------------------------

    def advise(self) -> Advice:
        """The next act as things stand; asking changes nothing."""
        if self._advice is None:
            self._advice = self._decide()
        return self._advice

    def _decide(self) -> Advice:
        holds = self._holds.values()
        for hold in holds:
            if hold.held:
                act = self._steer.act()
                move = act.move if act.kind == "offset" else 0.0
                text = f"{hold.name} read {_numbers(hold.readings)} µm, outside its guarded limits"
                return self._told("hold", act, hold.name, text, move=move, next_=1)
        for hold in holds:
            if hold.unconfirmed:
                text = f"{hold.name} read {_numbers(hold.readings)} µm, outside its guarded limits"
                return self._told("measure_again", None, hold.name, text, next_=0)
        act = self._steer.act()
        most = self.plan.wheel.max_parts_per_dress
        if dress_is_forced(self._steer.belief.age, most):
            text = f"{self._steer.belief.age} parts since the dress; the sheet allows {most}"
            return self._told("dress", act, self._lead.name, text, move=act.with_dress)
        if act.kind == "measure_again":
            text = f"{self._evidence()}; the last reading does not fit that"
            return self._told("measure_again", None, self._lead.name, text, next_=0)
        if self._steer.jumped(SURE_JUMP, LEAST_JUMP):
            text = f"the size has jumped and nothing that was done explains it; {self._evidence()}"
            return self._told("check", act, "gauge", text, next_=1)
        if act.kind == "offset" and self._moved_unread:
            act = replace(act, kind="grind_on", move=0.0)
        move = act.move if act.kind in ("offset", "dress") else 0.0
        return self._told(act.kind, act, self._lead.name, self._evidence(), move=move)

    def _told(
        self,
        action: str,
        act: Act | None,
        subject: str,
        evidence: str,
        *,
        move: float = 0.0,
        next_: int | None = None,
    ) -> Advice:
        step = self.plan.machine.offset_step_um
        largest = math.floor(self.plan.machine.max_offset_um / step + 1e-9) * step
        um = round(capped(self._frame.move_out(move), largest) / step) * step
        offset_um = round(um, 9) if um else None
        typed = explain.as_typed(self.plan.machine, um) if um else (None, None)
        if next_ is None:
            soon = act is None or act.measure_next or any(h.proving for h in self._holds.values())
            next_ = 1 if soon else self._steer.due
        other, difference = (None, None) if act is None else act.runner_up()
        if act is not None and other is not None and difference is not None and action == act.kind:
            currency = self.plan.cost.currency
            evidence += "; " + explain.costs(action.replace("_", " "), other, difference, currency)
        return Advice(
            action=action, subject=subject, register=self._lead.name if um else "",
            offset_um=offset_um, amount=typed[0], amount_unit=typed[1], measure_after=next_,
            evidence=evidence, check_first=explain.LOOK.get(action, ""), runner_up=other,
            cost_difference=difference, _count=self._parts_left,
        )  # fmt: skip

    def _evidence(self) -> str:
        steer, frame = self._steer, self._frame
        if not self._reads:
            return f"nothing of {self._lead.name} was read yet"
        weight = steer.belief.weight
        level = frame.outward(steer.level(steer.belief, steer.register))
        drift = frame.move_out(steer.drift)
        doubt = frame.half_um * math.sqrt(steer.value(steer.belief).doubt)
        spread = frame.half_um * math.sqrt(float(weight @ steer.belief.part_var))
        return explain.stands(self._lead.name, level, doubt, drift, spread)

    def _parts_left(self) -> PartsLeft | None:
        if self._reads < LEAST_READ:
            return None
        return parts_left(self._steer.belief, self._steer.register, self._steer.stakes)

    # -- what it keeps -------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything as plain numbers, ready for JSON; ``Advisor(plan, state=...)`` goes on."""
        steer = self._steer
        scalars = {
            f.name: getattr(steer.before, f.name)
            for f in fields(Belief)
            if f.name not in (*_ARRAYS, "model")
        }
        return {
            "schema": _SCHEMA,
            "belief": {name: _packed(getattr(steer.before, name)) for name in _ARRAYS} | scalars,
            "steer": {name: getattr(steer, name) for name in Steer.KEPT},
            "holds": [[h.name, list(h.readings), h.held, h.to_prove] for h in self._holds.values()],
            "minute": self._minute,
            "told_pause": self._told_pause,
            "moved_unread": self._moved_unread,
            "reads": self._reads,
        }

    def _resume(self, state: dict[str, Any]) -> None:
        if state.get("schema") != _SCHEMA:
            raise BadRecord(
                f"the state is of the form {state.get('schema')!r}, this adviser goes on from "
                f"{_SCHEMA!r} alone; tell it the records of the run instead"
            )
        told = dict(state["belief"])
        before = self._steer.before
        for name in _ARRAYS:
            told[name] = _unpacked(told[name]).reshape(getattr(before, name).shape)
        self._steer.resume(replace(before, **told), state["steer"])
        for name, readings, held, to_prove in state["holds"]:
            hold = self._holds[name]
            hold.readings, hold.held, hold.to_prove = tuple(readings), held, to_prove
        self._minute, self._told_pause = state["minute"], state["told_pause"]
        self._moved_unread, self._reads = state["moved_unread"], state["reads"]


def _packed(array: np.ndarray[Any, Any]) -> str:
    """An array as text; every bit comes back."""
    return base64.b64encode(np.ascontiguousarray(array, dtype="<f8").tobytes()).decode("ascii")


def _unpacked(text: str) -> np.ndarray[Any, Any]:
    return np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64)


def _numbers(values: tuple[float, ...]) -> str:
    return " and ".join(f"{value:+.2f}" for value in values)
