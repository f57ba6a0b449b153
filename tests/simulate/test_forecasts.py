"""Forecasts are held against the future the grinder really has."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from spc.simulate.forecasts import (
    Forecast,
    forecasts,
    parts_left,
    share_kept,
    strange_parts_left,
)
from spc.simulate.policies import BeyondShare
from spc.simulate.process import Grinder
from spc.simulate.settings import PRESETS
from spc.simulate.strange import Strange, StrangeGrinder, drawn

# Half a micrometre a part and no other cause: the level is 0.5 n.
RAMP = replace(
    PRESETS["S13"], wear_um=0.5, wear_between_cv=0, wear_within_cv=0, life_parts=1000,
    part_sd_um=1.0, start_sd_um=0,
)  # fmt: skip


def test_parts_left_counts_to_the_part_that_may_be_out():
    grinder = Grinder(RAMP, 1)
    for _ in range(4):
        grinder.part()

    # P(out) > 0.5 % beyond 8 - 2.576 = 5.424: level 5.5 is part 11, so 6 more are safe.
    assert parts_left(grinder) == 6
    assert parts_left(Grinder(PRESETS["S13"], 1)) == 200


def test_looking_ahead_changes_nothing():
    looked, plain = Grinder(PRESETS["S1"], 5), Grinder(PRESETS["S1"], 5)
    for _ in range(30):
        for grinder in (looked, plain):
            grinder.part()
        parts_left(looked)
        looked.fork().dress()

    assert looked.truth == plain.truth
    assert looked.ledger == plain.ledger
    assert looked.events == plain.events == []


@dataclass(frozen=True)
class Left:
    low: float
    middle: float
    high: float


class Prophet(BeyondShare):
    """A rule of thumb that also says how many parts are left on the ramp: rightly, or more."""

    def __init__(self, lie):
        super().__init__(beyond_um=5, dress_after=1000, every=1)
        self.lie = lie

    def advise(self):
        act = super().advise()
        answer = Answer(act.action, act.offset_um, act.measure_after)
        # Without noise of gauge and wear the level is known from the parts ground.
        left = int(np.floor((5.424 - 0.5 * self._since_dress) / 0.5))
        answer.parts_left = Left(left + self.lie, left + self.lie, left + self.lie)
        return answer


class Answer:
    def __init__(self, action, offset_um, measure_after):
        self.action, self.offset_um, self.measure_after = action, offset_um, measure_after


@pytest.mark.parametrize(("lie", "kept"), [(0, 1.0), (1, 0.0)])
def test_a_promise_is_kept_when_so_many_parts_come(lie, kept):
    made = forecasts(RAMP, seeds=[1], parts=8, every=2, factory=lambda setting: Prophet(lie))

    assert len(made) == 4
    assert share_kept(made) == kept


def test_late_is_past_four_tenths_of_the_true_life():
    assert not Forecast(20, 50, 1, 2, 3, 4).late
    assert Forecast(21, 50, 1, 2, 3, 4).late


def test_a_policy_that_forecasts_nothing_is_not_judged():
    rule = BeyondShare(beyond_um=4, dress_after=30)

    assert forecasts(PRESETS["S1"], seeds=[1], parts=50, factory=lambda setting: rule) == []


def test_looking_ahead_changes_no_machine_of_the_second_family():
    looked, plain = StrangeGrinder(drawn(3), 5), StrangeGrinder(drawn(3), 5)
    for _ in range(30):
        for machine in (looked, plain):
            machine.part()
        strange_parts_left(looked)
        looked.fork().dress()

    assert (looked.size_um, looked.cost, looked.events) == (plain.size_um, plain.cost, [])
    assert looked.measure() == plain.measure()


def test_parts_left_of_a_steady_climb_are_counted_in_the_second_family_too():
    # Half a micrometre a part and no other cause, as above.
    climb = Strange(
        "climb", "lumpy", 1.0, 8.0, worn_um=500.0, worn_log_sd=0.0, life_parts=1000.0,
        life_log_sd=0.0, lumps_cv=1e-6, settle_um=0.0, part_sd_um=1.0, dull_spread=0.0,
        dress_sd_um=0.0, walk_sd_um=0.0,
    )  # fmt: skip
    machine = StrangeGrinder(climb, 1)
    for _ in range(4):
        machine.part()

    assert strange_parts_left(machine) == 6
