"""The adviser: told of parts, readings and events as they come, it says the next act."""

import base64
import math
from dataclasses import fields, replace
from typing import Any

import numpy as np

from spc.adviser import explain
from spc.adviser.advice import Advice
from spc.adviser.filter import Belief
from spc.adviser.forecast import LEAST_READ, PartsLeft, parts_left
from spc.adviser.frame import SAMPLE_UNTOLD, frames_of
from spc.adviser.prior import Prior
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
_ARRAYS = ("log_weight", "mean", "dof", "variance")


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
        if plan.lead is None:
            raise PlanError("the plan has no diameter or bore; an adviser needs one to steer by")
        self.plan = plan
        self._frames = frames_of(plan)
        self._holds = {f.name: Hold(f.name, *f.guarded_um) for f in plan.features}
        self._steer = Steer(
            self._frames.sizes,
            prior=Prior.told(plan.wheel.parts_per_dress),
            every=min((f.sample for f in plan.features if f.sample), default=SAMPLE_UNTOLD),
            clears=plan.machine.dress_clears_offsets is not False,
            parts=plan.job.parts,
        )
        self._minute: float | None = None
        self._told_pause = 0.0
        self._unread: list[int] = []  # registers moved of which no size was read since
        self._reads = 0  # parts of which a size was read
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
        size = self._frames.of(feature)
        if size is not None and self._steer.open:
            self._reads += not self._steer.readings
            self._steer.reading(size, self._frames.frames[size].inward(value))
            register = self._frames.sizes.registers[size]
            self._unread = [place for place in self._unread if place != register]

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
            Of the offset, as the plan names it; else that of the leading size.
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
        moved = self._register(register) if kind == "offset" else ""
        self._advice = None
        if kind == "offset" and um:
            for place, name in enumerate(self._frames.registers):
                if name == moved:
                    half = self._frames.frames[0].half_um
                    self._steer.offset(place, self._frames.sign(place) * float(um) / half)
                    self._unread = sorted({*self._unread, place})
        elif kind in ("dress", "wheel"):
            self._steer.dress()
            self._unread = []
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

    def _register(self, told: str | None) -> str:
        """The register an offset was entered in."""
        if told is None:
            assert self.plan.lead is not None
            return self.plan.lead.moved_by
        if told not in self._frames.registers:
            known = ", ".join(name for name in self._frames.registers if name) or "none with a name"
            raise BadRecord(f"there is no offset register {told!r}; the plan has: {known}")
        return told

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
                move = (act.register, act.move) if act.kind == "offset" else None
                text = f"{hold.name} read {_numbers(hold.readings)} µm, outside its guarded limits"
                return self._told("hold", act, hold.name, text, move=move, next_=1)
        for hold in holds:
            if hold.unconfirmed:
                text = f"{hold.name} read {_numbers(hold.readings)} µm, outside its guarded limits"
                return self._told("measure_again", None, hold.name, text, next_=0)
        act = self._steer.act()
        worst = self._frames.frames[self._steer.worst].name
        most = self.plan.wheel.max_parts_per_dress
        if dress_is_forced(self._steer.belief.age, most):
            text = f"{self._steer.belief.age} parts since the dress; the sheet allows {most}"
            return self._told("dress", act, worst, text, move=act.with_dress)
        if act.kind == "measure_again":
            name = self._frames.frames[act.size].name
            text = f"{self._evidence(act.size)}; the last reading does not fit that"
            return self._told("measure_again", None, name, text, next_=0)
        if self._steer.jumped(SURE_JUMP, LEAST_JUMP):
            why = f"the size has jumped and nothing that was done explains it; {self._evidence()}"
            return self._told("check", act, "gauge", why, next_=1)
        if act.kind == "offset" and act.register in self._unread:
            act = replace(act, kind="grind_on", move=0.0)
        acts = act.kind in ("offset", "dress")
        move = (act.register, act.move) if acts else None
        return self._told(act.kind, act, worst, self._evidence(), move=move)

    def _told(
        self,
        action: str,
        act: Act | None,
        subject: str,
        evidence: str,
        *,
        move: tuple[int, float] | None = None,
        next_: int | None = None,
    ) -> Advice:
        um, register = self._as_entered(move)
        typed = explain.as_typed(self.plan.machine, um) if um else (None, None)
        if next_ is None:
            soon = act is None or act.measure_next or any(h.proving for h in self._holds.values())
            next_ = 1 if soon else self._steer.due
        other, difference = (None, None) if act is None else act.runner_up()
        if act is not None and other is not None and difference is not None and action == act.kind:
            currency = self.plan.cost.currency
            evidence += "; " + explain.costs(action.replace("_", " "), other, difference, currency)
        return Advice(
            action=action, subject=subject, register=register, offset_um=um, amount=typed[0],
            amount_unit=typed[1], measure_after=next_, evidence=evidence,
            check_first=explain.LOOK.get(action, ""), runner_up=other,
            cost_difference=difference, _count=self._parts_left,
        )  # fmt: skip

    def _as_entered(self, move: tuple[int, float] | None) -> tuple[float | None, str]:
        """A move as a multiple of the control's step within the largest, and its register."""
        if move is None or not move[1]:
            return None, ""
        place, by = move
        step = self.plan.machine.offset_step_um
        largest = math.floor(self.plan.machine.max_offset_um / step + 1e-9) * step
        um = self._frames.sign(place) * by * self._frames.frames[0].half_um
        um = round(round(capped(um, largest) / step) * step, 9)
        return (um, self._frames.registers[place]) if um else (None, "")

    def _evidence(self, size: int | None = None) -> str:
        steer = self._steer
        size = steer.worst if size is None else size
        frame = self._frames.frames[size]
        if not self._reads:
            return f"nothing of {frame.name} was read yet"
        belief = steer.belief
        level = frame.outward(float(steer.levels(belief)[size]))
        drift = frame.move_out(steer.drift(size))
        doubt = frame.half_um * float(steer.doubts(belief)[size])
        spread = frame.half_um * math.sqrt(float(belief.weight @ belief.part_var[:, size]))
        return explain.stands(frame.name, level, doubt, drift, spread)

    def _parts_left(self) -> PartsLeft | None:
        if self._reads < LEAST_READ:
            return None
        return parts_left(self._steer)

    # -- what it keeps -------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything as plain numbers, ready for JSON; ``Advisor(plan, state=...)`` goes on."""
        steer, before = self._steer, self._steer.before
        arrays = {name: _packed(getattr(before, name)) for name in _ARRAYS}
        arrays["cov"] = _packed(before.cov[:, *np.tril_indices(before.model.states)])
        scalars = {
            f.name: getattr(before, f.name)
            for f in fields(Belief)
            if f.name not in (*_ARRAYS, "cov", "model")
        }
        return {
            "schema": _SCHEMA,
            "belief": arrays | scalars,
            "steer": {name: getattr(steer, name) for name in Steer.KEPT},
            "holds": [[h.name, list(h.readings), h.held, h.to_prove] for h in self._holds.values()],
            "minute": self._minute,
            "told_pause": self._told_pause,
            "unread": self._unread,
            "reads": self._reads,
        }

    def _resume(self, state: dict[str, Any]) -> None:
        if state.get("schema") != _SCHEMA:
            raise BadRecord(
                f"the state is of the form {state.get('schema')!r}, this adviser goes on from "
                f"{_SCHEMA!r} alone; tell it the records of the run instead"
            )
        told, before = dict(state["belief"]), self._steer.before
        for name in _ARRAYS:
            told[name] = _unpacked(told[name]).reshape(getattr(before, name).shape)
        lower = np.zeros_like(before.cov)
        rows, columns = np.tril_indices(before.model.states)
        lower[:, rows, columns] = _unpacked(told["cov"]).reshape(len(lower), -1)
        lower[:, columns, rows] = lower[:, rows, columns]
        told["cov"], told["odd"] = lower, tuple(told["odd"])
        self._steer.resume(replace(before, **told), state["steer"])
        for name, readings, held, to_prove in state["holds"]:
            hold = self._holds[name]
            hold.readings, hold.held, hold.to_prove = tuple(readings), held, to_prove
        self._minute, self._told_pause = state["minute"], state["told_pause"]
        self._unread, self._reads = list(state["unread"]), state["reads"]


def _packed(array: np.ndarray[Any, Any]) -> str:
    """An array as text; every bit comes back."""
    return base64.b64encode(np.ascontiguousarray(array, dtype="<f8").tobytes()).decode("ascii")


def _unpacked(text: str) -> np.ndarray[Any, Any]:
    return np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64)


def _numbers(values: tuple[float, ...]) -> str:
    return " and ".join(f"{value:+.2f}" for value in values)
