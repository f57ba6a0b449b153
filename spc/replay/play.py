"""One policy on one possible truth of a recorded run: what it does, and what that costs."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from spc.dress_cycles import SETUP_PARTS
from spc.measured_cycles import usual_step
from spc.replay.recorded import Recorded
from spc.replay.truth import Truth
from spc.simulate.play import settle
from spc.simulate.policies import Policy
from spc.simulate.process import rounded
from spc.wear_fit import Floats


@dataclass(frozen=True)
class Played:
    """What one policy came to on one draw; counts are of the whole run."""

    cost: float  # per part
    out: float  # share of parts outside the limits
    dresses: int
    offsets: int
    readings: int
    minutes: int = 0  # that it stopped the machine or let it warm, charged
    forced: int = 0  # dresses because the run tells of no older wheel


class Bench:
    """The machine of one truth; sizes inside are mirrored so that wear goes up. [µm]"""

    def __init__(self, record: Recorded, truth: Truth) -> None:
        self._record, self._truth = record, truth
        self._sign, self._step = record.frame.sign, record.plan.machine.offset_step_um
        self._cycle = 0
        self._wheel = truth.wheel(0)
        self._level = truth.first_level_um()
        self._moves = float(record.moves_um[0])
        self._late = 0.0
        self._looks = 0
        self.age = 0
        self.sizes: list[float] = []
        self.ages: list[int] = []
        self.done: Counter[str] = Counter()

    def part(self) -> None:
        """Grind a part."""
        truth, age = self._truth, self.age
        own = truth.spread[age] * truth.scatter[len(self.sizes)]
        self.sizes.append(self._level + self._wheel.growth[age] + own + self._moves)
        self.age += 1
        self.ages.append(self.age)
        self._looks = 0

    def measure(self) -> float:
        """A reading of the last part, as a deviation. [µm]"""
        self._looks += 1
        self.done["reading"] += 1
        place = len(self.sizes) - 1
        if self._looks == 1:
            error = self._truth.gauge[place]
        else:
            error = self._truth.reread_um(place, self._looks)
        size = self._sign * (self.sizes[-1] + error)
        return rounded(size, self._record.lead.gauge_step_um)

    def form_um(self, place: int) -> float:
        """Form or finish of the last part. [µm]"""
        return self._truth.form_um(place, len(self.sizes) - 1, self.age)

    def offset(self, um: float) -> float:
        """Move the register, rounded to the control's step; what was typed. [µm]"""
        typed = rounded(um, self._step)
        if typed:
            self._moves += self._sign * typed
            # The moves of setting up stay at a dress, as the control does it.
            self._late += self._sign * typed if self.age > SETUP_PARTS else 0.0
            self.done["offset"] += 1
        return typed

    def dress(self) -> None:
        """Dress the wheel: the next recorded cycle, or one like them, begins."""
        self._cycle += 1
        self._level = self._truth.next_level(self._level, self._cycle, made_before=self.age)
        self._wheel = self._truth.wheel(self._cycle)
        if self._record.way.clears_offsets:
            self._moves -= self._late
        self._late, self.age = 0.0, 0
        self.done["dress"] += 1

    def look(self) -> None:
        """Stop and check; nothing is found."""
        self.done["stop"] += 1

    def idle(self, minutes: float) -> None:
        """Let it warm, which costs the minutes."""
        self.done["idle minutes"] += round(minutes)


def play(policy: Policy, record: Recorded, truth: Truth, *, held: bool = False) -> Played:
    """
    A policy on one truth: it says when to measure next and what to do.

    A wheel as old as the run tells of is dressed: nothing is known beyond. `held`: the policy was
    told so, and its own dress at that age counts as one made for want of knowing, too.
    """
    bench, lead = Bench(record, truth), record.lead.name
    acts: Counter[str] = Counter()
    apart = record.plan.job.minutes_per_part
    forced, due = 0, 1

    steps = [usual_step(form.series) for form in record.forms]
    read_at = [-step for step in steps]

    def read(again: bool = False) -> None:
        policy.reading(lead, bench.measure(), again=again)
        for place, form in enumerate(record.forms):
            made = len(bench.sizes)
            # As seldom as in the record; a second look is at what the first looked at.
            if made - read_at[place] >= steps[place] or (again and made == read_at[place]):
                policy.reading(form.name, bench.form_um(place), again=again)
                read_at[place] = made

    policy.event("dress")
    last = record.parts
    for number in range(1, last + 1):
        bench.part()
        policy.part(minute=None if apart is None else number * apart)
        due -= 1
        if number == last:  # what follows the last part concerns the next run
            break
        oldest = bench.age >= record.known_to
        if due <= 0:
            read()
            advice = settle(policy, bench, lambda: read(again=True), acts)
            due = max(1, advice.measure_after)
        if oldest and bench.age:
            bench.dress()
            policy.event("dress")
            forced, due = forced + 1, 1
        elif oldest and held:
            forced += 1
    return _booked(record, truth, np.array(bench.sizes), bench.ages, bench.done, forced)


def as_done(record: Recorded, truth: Truth) -> Played:
    """
    What was actually done, on the same truth.

    Minutes that the machine stood are not charged: a recorded pause does not say whether it was a
    check, warming up or a meal, which any way would have had.
    """
    done = Counter({"reading": record.readings, "offset": record.offsets, "dress": record.dresses})
    ages = [age for made in record.made for age in range(1, made + 1)]
    return _booked(record, truth, truth.recorded_sizes(), ages, done, 0)


def _booked(
    record: Recorded,
    truth: Truth,
    sizes: Floats,
    ages: list[int],
    done: Counter[str],
    forced: int,
) -> Played:
    price, frame, stakes = record.plan.cost, record.frame, record.stakes
    levels = (sizes - frame.sign * frame.target_um) / frame.half_um
    cost = float(stakes.loss(levels, 0.0).sum())
    out = (levels < stakes.lower) | (levels > stakes.upper)
    for place, form in enumerate(record.forms):
        values = [truth.form_um(place, part, age) for part, age in enumerate(ages)]
        beyond = np.array(values) > form.limit_um
        cost += price.rework * float(beyond.sum())
        out |= beyond
    cost += (
        price.measure * done["reading"]
        + price.offset * done["offset"]
        + price.dress * done["dress"]
        + price.machine_minute * (done["stop"] + done["idle minutes"])
    )
    return Played(
        cost=cost / len(sizes),
        out=float(out.mean()),
        dresses=done["dress"],
        offsets=done["offset"],
        readings=done["reading"],
        minutes=done["stop"] + done["idle minutes"],
        forced=forced,
    )
