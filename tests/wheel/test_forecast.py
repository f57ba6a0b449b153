"""What parts left are reckoned from, where a run has shown more than the filter claims, or less."""

from dataclasses import replace

import numpy as np
import pytest

from spc.wheel.advice import Advice, Advisor
from spc.wheel.forecast import (
    LEAST_ERROR,
    MOST_ERROR,
    UNCLAIMED,
    PartsLeft,
    outlook,
    parts_left,
)
from tests.wheel.grinder import Grinder, run, settings


def after(parts, *, seed=1, **more):
    advisor = Advisor(settings())
    run(advisor, Grinder(seed, **more), parts)
    return advisor._track


@pytest.mark.parametrize("times", [0.0, 1.0, 1.3, 9.0])
def test_errors_beyond_what_was_claimed_widen_the_level_within_bounds(times):
    track = after(60)
    track.errors = [times * (-1) ** k for k in range(50)]
    claimed = track.level()[1]

    wider = outlook(track).level[1] / claimed / UNCLAIMED

    mean_square = (10 + 50 * times**2) / 60  # ten are taken as claimed
    assert wider == pytest.approx(min(max(mean_square, LEAST_ERROR), MOST_ERROR))


def test_surprising_readings_make_the_cautious_figure_smaller():
    calm, restless = after(60), after(60)
    calm.errors, restless.errors = [0.9, -0.9] * 25, [1.7, -1.7] * 25

    assert parts_left(outlook(restless)).low < parts_left(outlook(calm)).low


def test_a_bend_is_feared_less_once_cycles_have_shown_how_wheels_bend():
    young, taught = outlook(after(50)), outlook(after(900))

    assert young.unlearnt > 0.5 > taught.unlearnt
    feared = parts_left(replace(taught, unlearnt=1.0))
    known = parts_left(replace(taught, unlearnt=0.0))
    assert feared.middle <= known.middle
    assert feared.high < known.high or feared.low < known.low


@pytest.mark.parametrize(
    ("action", "difference", "left", "either"),
    [("offset", 0.05, 9, True), ("offset", 0.3, 9, False), ("offset", 0.05, 0, False),
     ("dress", 0.05, 9, False), ("offset", None, 9, False)],
)  # fmt: skip
def test_either_act_is_fine_where_costs_are_too_close_to_tell(action, difference, left, either):
    advice = Advice(
        action, "seat", -1.0, -1.0, "um", 1, "", "", "grind_on", difference,
        lambda: PartsLeft(left, 20, 40),
    )  # fmt: skip

    assert advice.either is either


def test_wheels_of_a_short_life_are_read_more_often_towards_its_end():
    def longest(habit):
        advisor = Advisor(settings(habit=habit, sample=12))
        grinder = Grinder(2, drift=0.0, dull=0.0, sd=0.3, dress_sd=0.1, start=0.0)
        advisor.event("dress")
        said = run(advisor, grinder, round(0.95 * habit), every=1)
        late = [advice.measure_after for advice in said[round(0.55 * habit) :]]
        return max(late)

    assert longest(16) == 4
    assert longest(40) == 8
    assert longest(120) == 12


def test_no_reading_is_left_beyond_the_limit_of_the_plan():
    made = settings(habit=40, sample=12)
    made = replace(made, wheel=replace(made.wheel, max_parts_per_dress=50))
    advisor = Advisor(made)
    advisor.event("dress")
    said = run(advisor, Grinder(3, drift=0.0, dull=0.0, sd=0.3, start=0.0), 48, every=4)

    for age, advice in enumerate(said, 1):
        if advice.action == "grind_on":
            assert age + advice.measure_after <= 50
    assert np.isin([a.action for a in said], ["grind_on", "offset", "dress"]).all()
