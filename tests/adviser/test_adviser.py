"""The adviser as the contract has it: what it may be told, what it says, what it keeps."""

import json
import math

import numpy as np
import pytest

from spc.adviser.adviser import Advisor
from spc.errors import BadRecord
from spc.plan import Plan

approx = pytest.approx


def plan(kind="diameter", *, scale=1.0, nominal=40.0, money=1.0, habit=None, most=None, **feature):
    limit = 0.008 * scale
    wheel = {"parts_per_dress": habit} if habit else {}
    if most:
        wheel["max_parts_per_dress"] = most
    return Plan.model_validate(
        {
            "job": {"part": "Ring"},
            "feature": [
                {
                    "name": "seat", "kind": kind, "nominal": nominal, "upper": limit,
                    "lower": -limit, "gauge_sd_um": 0.3 * scale, "gauge_step_um": 0.1 * scale,
                    "sample": 2,
                }
                | feature
            ],
            "machine": {
                "offset_step_um": 0.5 * scale, "max_offset_um": 6 * scale,
                "dress_resets_size": True, "dress_clears_offsets": True,
            },
            "wheel": wheel,
            "cost": {
                "scrap": 15.0 * money, "rework": 5.0 * money, "dress": 2.5 * money,
                "offset": 0.3 * money, "measure": 0.1 * money,
            },
        }
    )  # fmt: skip


def ground(advisor, parts=60, *, seed=3, mirror=1, scale=1.0, clock=None, asked=True, wear=0.1):
    """Grind on a wheel with wear, doing what is advised; every piece of advice, in order."""
    rng = np.random.default_rng(seed)
    told, base, register, age = [], 0.0, 0.0, 0
    noise = 0.8 * rng.standard_normal((parts, 2))
    due = 1
    for k in range(parts):
        age += 1
        advisor.part(None if clock is None else clock + 1.0 * k)
        due -= 1
        if due > 0:
            continue
        size = base + wear * age + register + noise[k, 0]
        advisor.reading("seat", mirror * scale * round(size + 0.2 * noise[k, 1], 1))
        due = 2
        for _ in range(4 if asked else 0):
            advice = advisor.advise()
            told.append((advice.action, advice.offset_um, advice.measure_after))
            if advice.action == "measure_again":
                advisor.reading("seat", mirror * scale * round(size, 1))
            elif advice.action == "hold":
                advisor.event("cleared")
            elif advice.action in ("offset", "dress"):
                if advice.action == "dress":
                    advisor.event("dress")
                    age, register = 0, 0.0
                if advice.offset_um:
                    advisor.event("offset", um=advice.offset_um)
                    register += mirror * advice.offset_um / scale
                break
            else:
                due = max(advice.measure_after, 1)
                break
    return told


def test_a_level_far_off_is_moved_back_by_a_multiple_of_the_step():
    advisor = Advisor(plan())
    for value in (5.0, 5.3, 4.8):
        advisor.part()
        advisor.reading("seat", value)
    advice = advisor.advise()

    assert advice.action == "offset"
    assert advice.offset_um < -3
    assert advice.offset_um / 0.5 == approx(round(advice.offset_um / 0.5))
    assert (advice.amount, advice.amount_unit) == (approx(advice.offset_um / 1000), "mm")
    assert "seat stands at" in advice.evidence


def test_after_an_offset_no_second_one_comes_before_a_reading():
    advisor = Advisor(plan())
    for value in (5.0, 5.3, 4.8):
        advisor.part()
        advisor.reading("seat", value)
    advisor.event("offset", um=0.5)  # the wrong way: the level is worse than before

    assert advisor.advise().action != "offset"
    advisor.part()
    assert advisor.advise().action != "offset"
    advisor.reading("seat", 5.6)
    assert advisor.advise().action == "offset"


def test_the_first_reading_outside_is_taken_again_and_the_second_one_holds():
    advisor = Advisor(plan())
    advisor.part()
    advisor.reading("seat", 8.6)
    assert advisor.advise().action == "measure_again"
    advisor.reading("seat", 8.5)
    advice = advisor.advise()

    assert advice.action == "hold"
    assert advice.subject == "seat"
    assert advice.offset_um < -4  # and the move that brings it back


def test_an_outside_reading_that_the_second_one_denies_holds_nothing():
    advisor = Advisor(plan())
    for value in (0.3, -0.2, 0.4, 0.0):
        advisor.part()
        advisor.reading("seat", value)
    advisor.part()
    advisor.reading("seat", 9.5)
    assert advisor.advise().action == "measure_again"
    advisor.reading("seat", 0.2)

    assert advisor.advise().action == "grind_on"


def test_a_hold_ends_with_cleared_and_asks_for_good_parts_to_prove_it():
    advisor = Advisor(plan())
    advisor.part()
    advisor.reading("seat", 8.6)
    advisor.reading("seat", 8.5)
    advisor.event("cleared")
    advisor.event("offset", um=-8.0)
    advisor.part()
    advisor.reading("seat", 0.2)
    assert advisor.advise().action == "grind_on"
    assert advisor.advise().measure_after == 1


def test_a_feature_that_is_only_watched_is_held_too():
    advisor = Advisor(
        Plan.model_validate(
            plan().model_dump(by_alias=True, exclude_unset=True)
            | {
                "feature": [
                    plan().features[0].model_dump(exclude_unset=True),
                    {"name": "round", "kind": "roundness", "upper": 2.0, "unit": "um"},
                ]
            }
        )
    )
    advisor.part()
    advisor.reading("seat", 0.1)
    advisor.reading("round", 2.4)
    assert (advisor.advise().action, advisor.advise().subject) == ("measure_again", "round")
    advisor.reading("round", 2.3)
    assert (advisor.advise().action, advisor.advise().subject) == ("hold", "round")


def test_no_single_move_is_larger_than_the_plan_allows():
    advisor = Advisor(plan())
    for value in (7.4, 7.5, 7.6):
        advisor.part()
        advisor.reading("seat", value)

    assert advisor.advise().offset_um == -6.0


def test_the_limit_of_the_process_sheet_holds_whatever_the_readings_say():
    advisor = Advisor(plan(most=10))
    for _ in range(10):
        advisor.part()
        advisor.reading("seat", 0.0)

    assert advisor.advise().action == "dress"
    assert "10 parts" in advisor.advise().evidence


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda a: a.reading("seat B", 1.0), "no feature 'seat B'"),
        (lambda a: a.reading("seat", math.nan), "number of µm"),
        (lambda a: a.event("offset"), "without its amount"),
        (lambda a: a.event("dance"), "no event 'dance'"),
        (lambda a: a.event("pause", minutes=-1.0), "below zero"),
        (lambda a: a.part(math.inf), "not a time"),
    ],
)
def test_what_cannot_be_true_is_refused_and_changes_nothing(call, words):
    advisor = Advisor(plan())
    advisor.part()
    advisor.reading("seat", 1.0)
    before = json.dumps(advisor.state())
    with pytest.raises(BadRecord, match=words):
        call(advisor)

    assert json.dumps(advisor.state()) == before


def test_a_reading_before_any_part_is_refused():
    with pytest.raises(BadRecord, match="before any part"):
        Advisor(plan()).reading("seat", 1.0)


def test_a_plan_without_a_diameter_is_watched_alone():
    only = Plan.model_validate(
        {"job": {"part": "x"}, "feature": [{"name": "r", "kind": "roundness", "upper": 0.002}]}
    )
    advisor = Advisor(only)
    assert advisor.advise().action == "grind_on"
    advisor.event("offset", um=-1.0)
    advisor.part()
    advisor.reading("r", 2.5)
    assert advisor.advise().action == "measure_again"
    resumed = Advisor(only, state=json.loads(json.dumps(advisor.state())))
    for one in (advisor, resumed):
        one.reading("r", 2.6)
    assert resumed.advise() == advisor.advise()
    assert (advisor.advise().action, advisor.advise().subject) == ("hold", "r")
    assert "r of part 1 read" in advisor.advise().evidence
    assert Advisor(plan(), history=[advisor.learned()]).advise().action == "grind_on"


def test_a_state_goes_on_bit_for_bit_even_between_two_readings_of_a_part():
    whole, first = Advisor(plan(habit=80)), Advisor(plan(habit=80))
    ground(whole, 30)
    ground(first, 30)
    for one in (whole, first):
        one.part()
        one.reading("seat", 7.0)
    resumed = Advisor(plan(habit=80), state=json.loads(json.dumps(first.state())))
    assert resumed.advise() == whole.advise()
    for one in (whole, resumed):
        one.reading("seat", 0.3)

    assert ground(whole, 30, seed=5) == ground(resumed, 30, seed=5)
    assert json.dumps(whole.state()) == json.dumps(resumed.state())
    assert len(json.dumps(whole.state())) < 200_000


def test_a_state_of_another_form_is_refused():
    with pytest.raises(BadRecord, match="of the form"):
        Advisor(plan(), state={"schema": "spc.wheel.state/11"})


def test_asking_changes_nothing():
    quiet, curious = Advisor(plan()), Advisor(plan())
    rng = np.random.default_rng(9)
    for k in range(40):
        value = 0.1 * k + 0.8 * rng.standard_normal()
        for one in (quiet, curious):
            one.part()
            curious.advise()
            one.reading("seat", value)
        curious.advise()

    assert json.dumps(quiet.state()) == json.dumps(curious.state())
    assert quiet.advise() == curious.advise()


def test_parts_left_come_after_three_readings_and_fall_as_the_limit_nears():
    advisor = Advisor(plan())
    advisor.part()
    advisor.reading("seat", -3.0)
    assert advisor.advise().parts_left is None
    left = []
    for k in range(2, 40):
        advisor.part()
        advisor.reading("seat", -3.0 + 0.2 * k)
        left.append(advisor.advise().parts_left)

    assert all(one.low <= one.middle <= one.high for one in left[2:])
    assert left[10].middle > left[-1].middle
    # At -3 + 0.2 k with little scatter, the limit at 8 lies 15 parts beyond part 40.
    assert left[-1].low < 16


def test_a_gap_in_the_clock_is_a_pause_unless_it_was_told():
    untold, told, steady = (Advisor(plan()) for _ in range(3))
    for k, advisor in enumerate((untold, told, steady)):
        for minute in range(20):
            advisor.part(float(minute))
            advisor.reading("seat", 0.1)
        if k == 1:
            advisor.event("pause", minutes=100.0)
        advisor.part(20.0 if k == 2 else 120.0)

    assert untold.state()["belief"]["cold"] == approx(told.state()["belief"]["cold"])
    assert steady.state()["belief"]["cold"] < 0.2 < untold.state()["belief"]["cold"]


# -- invariances -------------------------------------------------------------------------------


ACTS = ("lengths", "nominal", "money", "clock", "bore")


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize("change", ACTS)
def test_the_same_acts_come_in_other_units_money_clocks_and_mirrored(change, seed):
    plain = ground(Advisor(plan(habit=60)), 80, seed=seed, clock=0.0)
    scale = mirror = 1
    told = {"habit": 60}
    clock = 0.0
    if change == "lengths":
        scale, told = 10, told | {"scale": 10}
    elif change == "nominal":
        told["nominal"] = 212.5
    elif change == "money":
        told["money"] = 100.0
    elif change == "clock":
        clock = 5e5
    else:
        mirror, told = -1, told | {"kind": "bore"}
    other = ground(Advisor(plan(**told)), 80, seed=seed, mirror=mirror, scale=scale, clock=clock)

    assert [(a, d) for a, _, d in other] == [(a, d) for a, _, d in plain]
    moves = [(um or 0.0) * mirror / scale for _, um, _ in other]
    assert moves == approx([um or 0.0 for _, um, _ in plain])


def test_a_quiet_process_is_left_alone():
    # Less than one offset in 500 parts and no dress, after the set-up is corrected.
    rng = np.random.default_rng(12)
    advisor = Advisor(plan())
    register, acts = 0.0, []
    for k in range(300):
        advisor.part()
        if k % 2:
            continue
        advisor.reading("seat", register + 0.8 * rng.standard_normal())
        advice = advisor.advise()
        if advice.action == "measure_again":
            advisor.reading("seat", register + 0.1)
            advice = advisor.advise()
        if advice.action == "offset":
            register += advice.offset_um
            advisor.event("offset", um=advice.offset_um)
        acts += [advice.action] if k > 20 else []

    assert acts.count("offset") <= 1
    assert acts.count("dress") == 0


class WithRoundness:
    """An adviser that is also told a roundness that never moves."""

    def __init__(self, first):
        size = plan(habit=60).features[0].model_dump(exclude_unset=True) | {"lead": True}
        more = {"name": "round", "kind": "roundness", "upper": 2.0, "unit": "um"}
        table = plan(habit=60).model_dump(by_alias=True, exclude_unset=True)
        features = [more, size] if first else [size, more]
        self.inner = Advisor(Plan.model_validate(table | {"feature": features}))

    def reading(self, feature, um):
        self.inner.reading("round", 0.5)
        self.inner.reading(feature, um)

    def __getattr__(self, name):
        return getattr(self.inner, name)


@pytest.mark.parametrize("first", [True, False])
def test_a_feature_that_never_moves_changes_no_act_wherever_it_stands(first):
    assert ground(WithRoundness(first), 60) == ground(Advisor(plan(habit=60)), 60)
