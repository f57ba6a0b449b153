"""
The adviser: told of parts, readings and events as they come, it says the next act.

It steers the leading diameter; the other features are watched for parts outside their limits. A
plan without a diameter is watched alone.
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
from spc.adviser.frame import SAMPLE_UNTOLD, Frame, frame_of, stakes_of
from spc.adviser.model import DRESS_START, GROWTH, SETTLING, USUAL_SLOPE, WARMTH, dressed
from spc.adviser.safety import LEAST_JUMP, SURE_JUMP, Hold, capped, dress_is_forced
from spc.adviser.steer import Act, Steer
from spc.errors import BadRecord
from spc.plan import Feature, Plan

#: What may be told besides parts and readings.
EVENTS = (
    "dress", "offset", "wheel", "swivel", "pause", "master", "batch", "coolant", "regrind",
    "cleared", "note",
)  # fmt: skip
#: Raised whenever the same entries would leave another state.
STATE_FORMAT = 1
_SCHEMA = f"spc.adviser.state/{STATE_FORMAT}"
_LEARNED = "spc.adviser.learned/1"
#: An untold gap in the clock is a pause from this on. [min, cycle times]
GAP_MINUTES, GAP_CYCLES = 5.0, 5.0
#: Level unsettled by what changes the set-up. [half widths] Judgement.
UNSETTLED = {"wheel": 0.5, "batch": 0.3, "swivel": 0.5}
_ARRAYS = ("log_weight", "mean", "cov", "dof", "variance")
#: What of the state a wheel, a machine and a job keep from run to run.
_LASTING = (USUAL_SLOPE, SETTLING, WARMTH, GROWTH)
#: What an earlier run taught counts less in the next one: variances so many times as large, the
#: logarithms of the weights by this share, the spread as so many degrees of freedom. Judgement.
LOOSER, TEMPER, SPREAD_DOF = 2.0, 0.5, 20.0
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
        What earlier advisers of the same job had `learned()`, oldest first; the last one holds
        what it had learned from those before it. Records of other advisers teach nothing.
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
        self._lead = lead = plan.lead
        self._holds = {f.name: Hold(f.name, *f.guarded_um) for f in plan.features}
        self._frame: Frame | None = None
        self._steer: Steer | None = None
        if lead is not None:
            self._frame = frame_of(lead)
            self._steer = _steer_of(plan, lead, self._frame)
            _inherit(self._steer, history, self._frame.half_um)
        self._minute: float | None = None
        self._told_pause = 0.0
        self._moved_unread = False  # an offset was entered and nothing read since
        self._reads = 0
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
        steer, frame = self._steer, self._frame
        if steer is None or frame is None or feature != frame.name or not steer.open:
            return
        if not steer.readings:
            self._compare(steer, frame.inward(value))
        steer.reading(frame.inward(value))
        self._moved_unread = False
        self._reads += len(steer.readings) == 1

    def _compare(self, steer: Steer, value: float) -> None:
        """Keep how far the first reading of a part lies from its forecast."""
        level, var = _foretold(steer)
        miss = (value - level) / math.sqrt(var)
        for k, more in enumerate((1.0, miss, miss * miss, float(abs(miss) > BEYOND))):
            self._misses[k] += more

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
        if kind == "cleared":
            for hold in self._holds.values():
                hold.cleared()
        if kind == "pause" and minutes:
            self._told_pause += float(minutes)
        if self._steer is not None and self._frame is not None:
            self._act(self._steer, self._frame, kind, um, minutes)

    def _act(
        self, steer: Steer, frame: Frame, kind: str, um: float | None, minutes: float | None
    ) -> None:
        if kind == "offset" and um:
            steer.offset(frame.move_in(float(um)))
            self._moved_unread = True
        elif kind in ("dress", "wheel"):
            steer.dress()
            self._moved_unread = False
        elif kind == "pause" and minutes:
            steer.pause(float(minutes) / self.plan.job.minutes_per_part)
        elif kind in ("cleared", "master"):
            steer.answered()
        if kind in UNSETTLED:
            steer.unsettle(UNSETTLED[kind])

    # -- what it says --------------------------------------------------------------------------

    def advise(self) -> Advice:
        """The next act as things stand; asking changes nothing."""
        if self._advice is None:
            self._advice = self._decide()
        return self._advice

    def _decide(self) -> Advice:
        for hold in self._holds.values():
            if hold.held:
                text = self._outside(hold)
                if self._steer is None:
                    return self._told("hold", None, hold.name, text, next_=1)
                act = self._steer.act()
                if dress_is_forced(self._steer.belief.age, self.plan.wheel.max_parts_per_dress):
                    act = replace(act, kind="dress")
                move = act.move if act.kind == "offset" else 0.0
                return self._told("hold", act, hold.name, text, move=move, next_=1)
        for hold in self._holds.values():
            if hold.unconfirmed:
                return self._told("measure_again", None, hold.name, self._outside(hold), next_=0)
        if self._steer is None or self._frame is None:
            text = "no diameter or bore to steer; nothing is out"
            return self._told("grind_on", None, "", text, next_=1)
        return self._steered(self._steer, self._frame)

    def _steered(self, steer: Steer, frame: Frame) -> Advice:
        """The act of the diameter, when nothing is held."""
        act = steer.act()
        most = self.plan.wheel.max_parts_per_dress
        if dress_is_forced(steer.belief.age, most):
            text = f"{steer.belief.age} parts since the dress; the sheet allows {most}"
            return self._told("dress", act, frame.name, text, move=act.with_dress)
        stands = self._evidence(steer, frame)
        if act.kind == "measure_again":
            text = f"{stands}; the last reading does not fit that"
            return self._told("measure_again", None, frame.name, text, next_=0)
        if steer.jumped(SURE_JUMP, LEAST_JUMP):
            text = f"the size has jumped and nothing that was done explains it; {stands}"
            return self._told("check", act, "gauge", text, next_=1)
        if act.kind == "offset" and self._moved_unread:
            act = replace(act, kind="grind_on", move=0.0)
        move = act.move if act.kind in ("offset", "dress") else 0.0
        return self._told(act.kind, act, frame.name, stands, move=move)

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
        move: float = 0.0,
        next_: int | None = None,
    ) -> Advice:
        um = 0.0 if self._frame is None else self._rounded(self._frame.move_out(move))
        offset_um = round(um, 9) if um else None
        typed = explain.as_typed(self.plan.machine, um) if um else (None, None)
        if next_ is None:
            soon = act is None or act.measure_next or any(h.proving for h in self._holds.values())
            next_ = 1 if soon or self._steer is None else self._steer.due
        other: str | None = None
        difference: float | None = None
        if act is not None and action == act.kind:
            other, difference = act.runner_up()
        elif act is not None and action == "hold" and act.kind == "dress":
            other = "dress"  # it is due before the next part
        if other is not None and difference is not None:
            mine, theirs = action.replace("_", " "), other.replace("_", " ")
            evidence += "; " + explain.costs(mine, theirs, difference, self.plan.cost.currency)
        return Advice(
            action=action, subject=subject,
            register="" if self._frame is None or not um else self._frame.name,
            offset_um=offset_um, amount=typed[0], amount_unit=typed[1], measure_after=next_,
            evidence=evidence, check_first=explain.LOOK.get(action, ""), runner_up=other,
            cost_difference=difference, _count=self._counter(),
        )  # fmt: skip

    def _rounded(self, um: float) -> float:
        """A move as the control can make it, no larger than the plan allows. [µm]"""
        step = self.plan.machine.offset_step_um
        largest = math.floor(self.plan.machine.max_offset_um / step + 1e-9) * step
        return round(capped(um, largest) / step) * step

    def _evidence(self, steer: Steer, frame: Frame) -> str:
        if not self._reads:
            return f"nothing of {frame.name} was read yet"
        weight = steer.belief.weight
        level = frame.outward(steer.level(steer.belief, steer.register))
        drift = frame.move_out(steer.drift)
        doubt = frame.half_um * math.sqrt(steer.value(steer.belief).doubt)
        spread = frame.half_um * math.sqrt(float(weight @ steer.belief.part_var))
        return explain.stands(frame.name, level, doubt, drift, spread)

    def _counter(self) -> Callable[[], PartsLeft | None]:
        """How the parts left of this moment are counted when they are asked for; pickles."""
        steer = self._steer
        if steer is None or self._reads < LEAST_READ:
            return uncounted
        return partial(parts_left, steer.belief, steer.register, steer.stakes)

    @property
    def proves(self) -> bool:
        """Whether a hold was cleared and waits for good parts alone, for nothing anybody does."""
        holds = self._holds.values()
        return any(h.proving for h in holds) and not any(h.held for h in holds)

    @property
    def doubt(self) -> str:
        """What the plan says and the parts deny; "" for nothing, as long as none of it is tried."""
        return ""

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
        if self._steer is None or self._frame is None:
            return {"schema": _LEARNED, "steer": None}
        return {"schema": _LEARNED, "steer": _told_on(self._steer, self._frame.half_um)}

    def state(self) -> dict[str, Any]:
        """Everything as plain numbers, ready for JSON; ``Advisor(plan, state=...)`` goes on."""
        return {
            "schema": _SCHEMA,
            "made": self._made,
            "begun": self._begun,
            **({} if self._steer is None else _kept(self._steer)),
            "holds": [[h.name, list(h.readings), h.held, h.to_prove] for h in self._holds.values()],
            "minute": self._minute,
            "told_pause": self._told_pause,
            "moved_unread": self._moved_unread,
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
            told = dict(state["belief"])
            before = self._steer.before
            for name in _ARRAYS:
                told[name] = _unpacked(told[name]).reshape(getattr(before, name).shape)
            self._steer.resume(replace(before, **told), state["steer"])
        for name, readings, held, to_prove in state["holds"]:
            hold = self._holds[name]
            hold.readings, hold.held, hold.to_prove = tuple(readings), held, to_prove
        self._made, self._begun = state["made"], state["begun"]
        self._minute, self._told_pause = state["minute"], state["told_pause"]
        self._moved_unread, self._reads = state["moved_unread"], state["reads"]
        self._misses = list(state["misses"])


def _steer_of(plan: Plan, lead: Feature, frame: Frame) -> Steer:
    gauge_var = (lead.gauge_sd_um**2 + lead.gauge_step_um**2 / 12) / frame.half_um**2
    return Steer(
        stakes_of(plan, lead, frame), habit=plan.wheel.parts_per_dress, gauge_var=gauge_var,
        every=lead.sample or SAMPLE_UNTOLD,
        clears=plan.machine.dress_clears_offsets is not False,
        parts=getattr(plan.job, "parts", None),
    )  # fmt: skip


def _foretold(steer: Steer) -> tuple[float, float]:
    """Mean and variance of a reading of the part ground last, before any. [half widths]"""
    belief = steer.before
    z = belief.model.design(belief.age, belief.cold)
    each = np.einsum("ns,ns->n", z, belief.mean)
    var = np.einsum("ns,nst,nt->n", z, belief.cov, z) + belief.part_var + steer.gauge_var
    mean = float(belief.weight @ each)
    return mean + steer.register, float(belief.weight @ (var + (each - mean) ** 2))


# -- to and from plain numbers -----------------------------------------------------------------


def _kept(steer: Steer) -> dict[str, Any]:
    scalars = {
        f.name: getattr(steer.before, f.name)
        for f in fields(Belief)
        if f.name not in (*_ARRAYS, "model")
    }
    belief = {name: _packed(getattr(steer.before, name)) for name in _ARRAYS} | scalars
    return {"belief": belief, "steer": {name: getattr(steer, name) for name in Steer.KEPT}}


def _told_on(steer: Steer, half_um: float) -> dict[str, Any]:
    """What outlives a run, averaged over the bank but for the weights."""
    belief = steer.belief
    weight, own = belief.weight, np.ix_(range(len(belief.mean)), _LASTING, _LASTING)
    each = belief.mean[:, _LASTING]
    mean = weight @ each
    cov = np.einsum("n,nst->st", weight, belief.cov[own])
    cov += np.einsum("n,ns,nt->st", weight, each - mean, each - mean)
    return {
        "half_um": half_um,
        "log_weight": belief.log_weight.tolist(),
        "mean": mean.tolist(),
        "cov": cov.tolist(),
        "dof": float(weight @ belief.dof),
        "variance": float(weight @ belief.variance),
        "scatter": [belief.scatter_dof, belief.scatter_var],
    }


def _inherit(steer: Steer, history: Sequence[dict[str, Any]], half_um: float) -> None:
    """Begin from what the last run of the same job had learned, held less firmly."""
    known = [r["steer"] for r in history if r.get("schema") == _LEARNED and r["steer"] is not None]
    if not known:
        return
    last, fresh = known[-1], steer.belief
    scale = last["half_um"] / half_um
    mean, cov = fresh.model.start()
    start = cov[_LASTING, _LASTING]
    taught = scale**2 * np.array(last["cov"])
    # Never less firmly than before the first run, or runs without readings would wash it out.
    taught *= max(1.0, min(LOOSER, float((start / np.diag(taught)).min())))
    mean[list(_LASTING)] = scale * np.array(last["mean"])
    cov[np.ix_(_LASTING, _LASTING)] = taught
    scatter_dof, scatter_var = last["scatter"]
    scatter_var *= scale**2
    mean, cov = dressed(mean, cov, DRESS_START**2)
    log_weight = TEMPER * np.array(last["log_weight"]) + (1 - TEMPER) * fresh.model.log_prior
    steer.belief = steer.before = replace(
        fresh,
        log_weight=log_weight - np.logaddexp.reduce(log_weight),
        mean=np.tile(mean, (len(fresh.mean), 1)),
        cov=np.tile(cov, (len(fresh.mean), 1, 1)),
        dof=np.full_like(fresh.dof, min(last["dof"], SPREAD_DOF)),
        variance=np.full_like(fresh.variance, scale**2 * last["variance"]),
        scatter_dof=scatter_dof,
        scatter_var=scatter_var,
    )


def _packed(array: np.ndarray[Any, Any]) -> str:
    """An array as text; every bit comes back."""
    return base64.b64encode(np.ascontiguousarray(array, dtype="<f8").tobytes()).decode("ascii")


def _unpacked(text: str) -> np.ndarray[Any, Any]:
    return np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64)


def _numbers(values: tuple[float, ...]) -> str:
    return " and ".join(f"{value:+.2f}" for value in values)
