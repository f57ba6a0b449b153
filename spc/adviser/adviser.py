"""
The adviser: told of parts, readings and events as they come, it says the next act.

It steers all diameters and bores; the other features are watched for parts outside their limits. A
plan without any size is watched alone.
"""

import base64
import math
from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from functools import partial
from typing import Any

import numpy as np

from spc.adviser import explain
from spc.adviser.advice import Advice, uncounted
from spc.adviser.filter import Belief
from spc.adviser.forecast import LEAST_READ, PartsLeft, parts_left
from spc.adviser.form import Form
from spc.adviser.frame import SAMPLE_UNTOLD, Frames, frames_of
from spc.adviser.history import learned_of, pooled
from spc.adviser.prior import Prior
from spc.adviser.safety import (
    LARGE_MOVE,
    LEAST_JUMP,
    SURE_JUMP,
    Hold,
    capped,
    dress_is_forced,
    glazes,
)
from spc.adviser.steer import Act, Steer
from spc.errors import BadRecord
from spc.plan import Plan

#: What may be told besides parts and readings.
EVENTS = (
    "dress", "offset", "wheel", "swivel", "pause", "master", "batch", "coolant", "regrind",
    "cleared", "note",
)  # fmt: skip
#: Raised whenever the same entries would leave another state.
STATE_FORMAT = 3
_SCHEMA = f"spc.adviser.state/{STATE_FORMAT}"
#: An untold gap in the clock is a pause from this on. [min, cycle times]
GAP_MINUTES, GAP_CYCLES = 5.0, 5.0
#: Level unsettled by what changes the set-up. [half widths] Judgement.
UNSETTLED = {"wheel": 0.5, "batch": 0.3, "swivel": 0.5}
_ARRAYS = ("log_weight", "mean", "dof", "variance")
_OF_FORM = ("log_weight", "mean", "cov", "dof", "variance")
#: A forecast misses by more than this in one of twenty cases, if it errs as it says. [sd]
BEYOND = 1.96


class Advisor:
    """
    The next act at one grinder, from what it was told so far. Memory does not grow with the run.

    Parameters
    ----------
    plan : Plan
        Limits, machine, wheel and costs.
    history : sequence of dict, optional
        What earlier advisers of the same job had `learned()`, oldest first. Records of another form
        teach nothing.
    state : dict, optional
        An earlier adviser's `state()`; this one goes on exactly there.
    before : int
        Parts ground before the first it is told of; what it says numbers parts from there.

    Raises
    ------
    BadRecord
        When the state is of another form.
    """

    def __init__(
        self,
        plan: Plan,
        history: Sequence[dict[str, Any]] = (),
        state: dict[str, Any] | None = None,
        before: int = 0,
    ) -> None:
        self.plan = plan
        self._made = before
        self._holds = {f.name: Hold(f.name, *f.guarded_um) for f in plan.features}
        self._frames: Frames | None = None
        self._steer: Steer | None = None
        self._every = min((f.sample for f in plan.features if f.sample), default=None)
        #: Name and guarded upper limit of each form and finish. [µm]
        self._forms = [(f.name, f.guarded_um[1]) for f in plan.features if f.zero_bounded]
        if plan.lead is not None:
            self._frames = frames = frames_of(plan)
            self._steer = Steer(
                frames.sizes,
                prior=pooled(Prior.told(plan.wheel.parts_per_dress), history, frames.half_um),
                every=self._every or SAMPLE_UNTOLD,
                resets=plan.machine.dress_resets_size,
                clears=plan.machine.dress_clears_offsets,
                forms=tuple(upper for _, upper in self._forms),
                parts=plan.job.parts,
            )
        self._minute: float | None = None
        self._told_pause = 0.0
        self._unread: list[int] = []  # registers moved of which no size was read since
        self._moved_far = False  # a large move or another wheel, and no part read since
        self._reads = 0  # parts of which a size was read
        self._begun = False  # whether any part was told of
        #: Forecasts of first readings: how many, sums of the standardised misses and of their
        #: squares, and how many were off by more than `BEYOND`.
        self._misses = [0.0, 0.0, 0.0, 0.0]
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
        self._made += 1
        self._begun = True
        if self._steer is not None:
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
        if not self._begun:
            raise BadRecord(f"a reading of {feature} came before any part; tell of the part first")
        self._advice = None
        self._holds[feature].reading(value)
        if self._steer is not None and self._frames is not None and self._steer.open:
            size = self._frames.of(feature)
            forms = [name for name, _ in self._forms]
            if size is not None:
                self._read(self._steer, self._frames, size, value)
            elif feature in forms:
                self._steer.reading_of_form(forms.index(feature), value)

    def _read(self, steer: Steer, frames: Frames, size: int, um: float) -> None:
        value = frames.frames[size].inward(um)
        if all(read != size for read, _ in steer.readings):
            level, var = steer.foretold(size)
            miss = (value - level) / math.sqrt(var)
            for k, more in enumerate((1.0, miss, miss * miss, float(abs(miss) > BEYOND))):
                self._misses[k] += more
        self._reads += not steer.readings
        steer.reading(size, value)
        register = frames.sizes.registers[size]
        self._unread = [place for place in self._unread if place != register]
        self._moved_far = False

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
        if kind == "offset" and register is not None:
            self._check_register(register)
        self._advice = None
        if kind == "cleared":
            for hold in self._holds.values():
                hold.cleared()
        if kind == "pause" and minutes:
            self._told_pause += float(minutes)
        if self._steer is None or self._frames is None:
            return
        if kind == "offset" and um:
            self._moved(self._steer, self._frames, float(um), register)
        elif kind in ("dress", "wheel"):
            self._steer.dress()
            # A new wheel stands nobody knows where, until a part of it was read.
            fresh = range(len(self._frames.registers)) if kind == "wheel" else ()
            self._unread, self._moved_far = list(fresh), kind == "wheel"
        elif kind == "pause" and minutes:
            self._steer.pause(float(minutes) / self.plan.job.minutes_per_part)
        elif kind in ("cleared", "master"):
            self._steer.answered()
        if kind in UNSETTLED:
            self._steer.unsettle(UNSETTLED[kind])

    def _moved(self, steer: Steer, frames: Frames, um: float, register: str | None) -> None:
        """An offset of a register by name; without one, of that of the leading size."""
        lead = self.plan.lead
        name = register if register is not None or lead is None else lead.moved_by
        for place, known in enumerate(frames.registers):
            if known == name:
                steer.offset(place, frames.sign(place) * um / frames.half_um)
                self._unread = sorted({*self._unread, place})
                self._moved_far |= abs(um) > LARGE_MOVE * frames.half_um

    def _check_register(self, told: str) -> None:
        names = dict.fromkeys(f.moved_by for f in self.plan.features if f.is_size)
        if told not in names:
            known = ", ".join(filter(None, names)) or "none with a name"
            raise BadRecord(f"there is no offset register {told!r}; the plan has: {known}")

    # -- what it says --------------------------------------------------------------------------

    def advise(self) -> Advice:
        """The next act as things stand; asking changes nothing."""
        if self._advice is None:
            self._advice = self._decide()
        return self._advice

    def _decide(self) -> Advice:
        holds = self._holds.values()
        for hold in holds:
            if hold.unconfirmed and not (hold.held and hold.doubtful):
                return self._told("measure_again", None, hold.name, self._outside(hold), next_=0)
        for hold in holds:
            if hold.held:
                return self._held(hold)
        if self._steer is None or self._frames is None:
            text = "no diameter or bore to steer; nothing is out"
            return self._told("grind_on", None, "", text, next_=1)
        return self._steered(self._steer, self._frames)

    def _held(self, hold: Hold) -> Advice:
        """Parts are held; what brings the size back, or a dress that is due, goes with it."""
        text = self._outside(hold)
        if self._steer is None or self._frames is None:
            return self._told("hold", None, hold.name, text, next_=1)
        act = self._steer.act(self._unread)
        if act.kind == "measure_again":
            return self._again(act, self._steer, self._frames)
        if dress_is_forced(self._steer.belief.age, self.plan.wheel.max_parts_per_dress):
            act = replace(act, kind="dress")
        move = None
        if act.kind == "offset" and self._frames.of(hold.name) is not None:
            # A move that would not bring the part back is none: it is to be set up anew.
            um, _ = self._as_entered((act.register, act.move))
            if hold.inside(um or 0.0):
                move = (act.register, act.move)
        return self._told("hold", act, hold.name, text, move=move, next_=1)

    def _again(self, act: Act, steer: Steer, frames: Frames) -> Advice:
        """A second reading of the part, before anything rests on the first."""
        frame = frames.frames[act.size]
        level, var = steer.foretold(act.size)
        last = next(value for size, value in reversed(steer.readings) if size == act.size)
        text = explain.surprise(
            frame.name, frame.outward(last), frame.outward(level), frame.half_um * math.sqrt(var)
        )
        return self._told("measure_again", None, frame.name, text, next_=0)

    def _steered(self, steer: Steer, frames: Frames) -> Advice:
        """The act of the sizes, when nothing is held."""
        act, age = steer.act(self._unread), steer.belief.age
        worst = frames.frames[steer.worst].name
        wheel = self.plan.wheel
        if dress_is_forced(age, wheel.max_parts_per_dress):
            text = f"{age} parts since {self._since}; the sheet allows {wheel.max_parts_per_dress}"
            return self._told("dress", act, worst, text, move=act.with_dress)
        for (name, _), form in zip(self._forms, steer.belief.forms, strict=True):
            if glazes(form, age, wheel.parts_per_dress):
                text = (
                    f"{name} gets finer from part to part, as on a glazed wheel; {age} parts since "
                    f"{self._since}, usual are {wheel.parts_per_dress}"
                )
                return self._told("dress", act, name, text, move=act.with_dress)
        if act.kind == "measure_again":
            return self._again(act, steer, frames)
        if steer.jumped(SURE_JUMP, LEAST_JUMP):
            text = f"the size has jumped and nothing that was done explains it; {self._evidence()}"
            return self._told("check", act, "gauge", text, next_=1)
        if act.kind == "offset" and abs(act.move) > LARGE_MOVE and steer.rests_on_one(steer.worst):
            return self._again(replace(act, size=steer.worst), steer, frames)
        move = (act.register, act.move) if act.kind in ("offset", "dress") else None
        if act.kind == "dress" and steer.failing is not None:
            name, limit = self._forms[steer.failing]
            form = steer.belief.forms[steer.failing]
            chance = float(form.out(np.array([age + 1.0]))[0])
            text = explain.form(name, form.level_um(age), limit, chance, age, self._since)
            return self._told("dress", act, name, text, move=move)
        return self._told(act.kind, act, worst, self._evidence(), move=move)

    @property
    def _since(self) -> str:
        """What the parts of this wheel face are counted from."""
        return (
            "the dress" if self._steer is not None and self._steer.belief.dresses else "the start"
        )

    def _next_reading(self, act: Act | None) -> int:
        """Parts until the next reading where nothing forces it."""
        soon = act is None or act.measure_next or any(h.proving for h in self._holds.values())
        # Where the plan says nothing of sampling, the first parts are read one by one.
        soon |= self._every is None and self._reads < LEAST_READ
        soon |= act is not None and act.kind == "dress"
        # A wrong sign or amount of a large move shows at the next part.
        soon |= act is not None and act.kind == "offset" and abs(act.move) > LARGE_MOVE
        if soon or self._moved_far or self._steer is None:
            return 1
        steer = self._steer
        if self._reads < LEAST_READ:
            return steer.due
        # Nor is one put off until a part may be out.
        if steer.due <= SAMPLE_UNTOLD:
            return steer.due
        low = parts_left(steer.belief, steer.register, steer.counted, steer.due).low
        return max(low, SAMPLE_UNTOLD)

    def _outside(self, hold: Hold) -> str:
        return (
            f"{hold.name} of part {self._made} read {_numbers(hold.readings)} µm, "
            "outside its guarded limits"
        )

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
        next_ = self._next_reading(act) if next_ is None else next_
        other: str | None = None
        difference: float | None = None
        if act is not None and action == act.kind:
            other, difference = act.runner_up()
        elif act is not None and action == "hold" and act.kind == "dress":
            other = "dress"  # it is due before the next part
        # Money is named where the plan names any.
        if other is not None and difference is not None and self.plan.cost.model_fields_set:
            evidence += "; " + explain.costs(action, other, difference, self.plan.cost.currency)
        return Advice(
            action=action, subject=subject, register=register, offset_um=um, amount=typed[0],
            amount_unit=typed[1], measure_after=next_, evidence=evidence,
            check_first=explain.LOOK.get(action, ""), runner_up=other,
            cost_difference=difference, _count=self._counter(),
        )  # fmt: skip

    def _as_entered(self, move: tuple[int, float] | None) -> tuple[float | None, str]:
        """A move as a multiple of the control's step within the largest, and its register."""
        if move is None or not move[1] or self._frames is None:
            return None, ""
        place, by = move
        step = self.plan.machine.offset_step_um
        largest = math.floor(self.plan.machine.max_offset_um / step + 1e-9) * step
        um = capped(self._frames.sign(place) * by * self._frames.half_um, largest)
        um = round(round(um / step) * step, 9)
        return (um, self._frames.registers[place]) if um else (None, "")

    def _evidence(self, size: int | None = None) -> str:
        steer, frames = self._steer, self._frames
        assert steer is not None
        assert frames is not None
        size = steer.worst if size is None else size
        frame = frames.frames[size]
        if not self._reads:
            return f"nothing of {frame.name} was read yet"
        belief = steer.belief
        level = frame.outward(float(steer.levels(belief)[size]))
        drift = frame.move_out(steer.drift(size))
        doubt = frame.half_um * float(steer.doubts(belief)[size])
        spread = frame.half_um * math.sqrt(float(belief.weight @ belief.part_var[:, size]))
        told = explain.stands(frame.name, level, frame.target_um, doubt, drift, spread)
        other = steer.apart(size)
        if other is None:
            return told
        place = frames.frames[other].outward(float(steer.levels(belief)[other]))
        return f"{told}; {explain.apart(frames.frames[other].name, place)}"

    def _counter(self) -> Callable[[], PartsLeft | None]:
        """How the parts left of this moment are counted when they are asked for; pickles."""
        steer = self._steer
        # A gauge at the wheel hides the wear.
        if steer is None or self._reads < LEAST_READ or self.plan.machine.in_process_gauge:
            return uncounted
        return partial(parts_left, steer.belief, list(steer.register), steer.counted)

    @property
    def proves(self) -> bool:
        """Whether a hold was cleared and waits for good parts alone, for nothing anybody does."""
        holds = self._holds.values()
        return any(h.proving for h in holds) and not any(h.held for h in holds)

    @property
    def doubt(self) -> str:
        """What the plan says of a dress and the parts deny; "" for nothing."""
        if self._steer is None:
            return ""
        belief, machine = self._steer.belief, self.plan.machine
        resets = explain.denied("dress_resets_size", machine.dress_resets_size, belief.resets)
        clears = explain.denied("dress_clears_offsets", machine.dress_clears_offsets, belief.clears)
        return "; ".join(filter(None, (resets, clears)))

    def self_check(self) -> dict[str, Any]:
        """
        How well readings were foretold: number of forecasts, their standardised spread, share out.

        A spread of 1 and a share of about 0.05 beyond 1.96 mean that the stated uncertainty holds.
        """
        count, total, squares, beyond = self._misses
        if count < 2:
            return {"n": int(count), "spread": None, "beyond": None}
        var = max(squares - total * total / count, 0.0) / (count - 1)
        return {"n": int(count), "spread": math.sqrt(var), "beyond": beyond / count}

    # -- what it keeps -------------------------------------------------------------------------

    def learned(self) -> dict[str, Any]:
        """What a later adviser of the same job may start from: plain numbers, ready for JSON."""
        if self._steer is None or self._frames is None:
            return {"schema": "spc.adviser.learned/1"}
        return learned_of(self._steer.belief, self._frames.half_um)

    def state(self) -> dict[str, Any]:
        """Everything as plain numbers, ready for JSON; ``Advisor(plan, state=...)`` goes on."""
        return {
            "schema": _SCHEMA,
            "made": self._made,
            "begun": self._begun,
            **({} if self._steer is None else _kept(self._steer)),
            "holds": [
                [h.name, list(h.readings), h.held, h.to_prove, h.doubtful]
                for h in self._holds.values()
            ],
            "minute": self._minute,
            "told_pause": self._told_pause,
            "unread": self._unread,
            "moved_far": self._moved_far,
            "reads": self._reads,
            "misses": list(self._misses),
        }

    def _resume(self, state: dict[str, Any]) -> None:
        if state.get("schema") != _SCHEMA:
            raise BadRecord(
                f"the state is of the form {state.get('schema')!r}, this adviser goes on from "
                f"{_SCHEMA!r} alone; tell it the records of the run instead"
            )
        if self._steer is not None:
            _resume(self._steer, state)
        for name, readings, held, to_prove, doubtful in state["holds"]:
            hold = self._holds[name]
            hold.readings, hold.held, hold.to_prove = tuple(readings), held, to_prove
            hold.doubtful = doubtful
        self._made, self._begun = state["made"], state["begun"]
        self._minute, self._told_pause = state["minute"], state["told_pause"]
        self._unread, self._reads = list(state["unread"]), state["reads"]
        self._moved_far = state["moved_far"]
        self._misses = list(state["misses"])


# -- to and from plain numbers -----------------------------------------------------------------


def _kept(steer: Steer) -> dict[str, Any]:
    before = steer.before
    arrays = {name: _packed(getattr(before, name)) for name in _ARRAYS}
    # A covariance is symmetric: half of it is the whole.
    arrays["cov"] = _packed(before.cov[:, *np.tril_indices(before.model.states)])
    kept = (f.name for f in fields(Belief) if f.name not in (*_ARRAYS, "cov", "model", "forms"))
    scalars: dict[str, Any] = {name: getattr(before, name) for name in kept}
    scalars["forms"] = [
        {name: _packed(getattr(form, name)) for name in _OF_FORM} | {"count": form.count}
        for form in before.forms
    ]
    steered = {name: getattr(steer, name) for name in Steer.KEPT}
    return {"belief": arrays | scalars, "steer": steered}


def _resume(steer: Steer, state: dict[str, Any]) -> None:
    told, before = dict(state["belief"]), steer.before
    for name in _ARRAYS:
        told[name] = _unpacked(told[name]).reshape(getattr(before, name).shape)
    cov = np.zeros_like(before.cov)
    rows, columns = np.tril_indices(before.model.states)
    cov[:, rows, columns] = _unpacked(told["cov"]).reshape(len(cov), -1)
    cov[:, columns, rows] = cov[:, rows, columns]
    told["cov"], told["odd"] = cov, tuple(told["odd"])
    told["pending"], told["effects"] = tuple(told["pending"]), tuple(told["effects"])
    told["forms"] = tuple(map(_form_kept, before.forms, told["forms"]))
    steer.resume(replace(before, **told), state["steer"])


def _form_kept(form: Form, kept: dict[str, Any]) -> Form:
    arrays: dict[str, Any] = {
        name: _unpacked(kept[name]).reshape(getattr(form, name).shape) for name in _OF_FORM
    }
    return replace(form, count=kept["count"], **arrays)


def _packed(array: np.ndarray[Any, Any]) -> str:
    """An array as text; every bit comes back."""
    return base64.b64encode(np.ascontiguousarray(array, dtype="<f8").tobytes()).decode("ascii")


def _unpacked(text: str) -> np.ndarray[Any, Any]:
    return np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64)


def _numbers(values: tuple[float, ...]) -> str:
    return " and ".join(f"{value:+.2f}" for value in values)
