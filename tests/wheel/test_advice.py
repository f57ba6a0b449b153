"""The contract of the adviser, sentence by sentence."""

import json
import math

import numpy as np
import pytest

from spc.errors import SpcError
from spc.wheel.advice import (
    ACTIONS,
    Advisor,
    CostSettings,
    FeatureSettings,
    MachineSettings,
    Settings,
    WheelSettings,
)
from tests.wheel.grinder import Grinder, adviser, run, settings


def fed(values, **more):
    advisor = adviser(**more)
    for value in values:
        advisor.part()
        advisor.reading("seat", value)
    return advisor


def settled(**more):
    """A process long on target, read at every part."""
    return fed([0.3, -0.4, 0.6, -0.5, 0.2, 0.1, -0.7, 0.4, -0.1, 0.5, -0.3, 0.2] * 2, **more)


def test_before_any_part_there_is_nothing_to_do():
    advice = adviser().advise()

    assert advice.action == "grind_on"
    assert advice.measure_after == 1
    assert advice.parts_left is None


def test_a_first_part_far_off_asks_for_the_whole_way_back_in_steps_of_the_control():
    advice = fed([4.9], step=0.5).advise()

    assert advice.action == "offset"
    assert advice.offset_um == pytest.approx(-5.0, abs=1.5)
    assert advice.offset_um % 0.5 == 0
    assert "4.9" in advice.evidence or "µm" in advice.evidence


@pytest.mark.parametrize(
    ("entry", "sign", "unit", "share"),
    [("diameter", "+bigger", "mm", 1e-3), ("radius", "+bigger", "mm", 5e-4),
     ("radius", "+smaller", "um", -0.5), ("diameter", "+smaller", "in", -1e-3 / 25.4)],
)  # fmt: skip
def test_the_offset_is_also_given_as_it_is_typed(entry, sign, unit, share):
    advisor = fed([5.0], offset_entry=entry, offset_sign=sign, offset_unit=unit)
    advice = advisor.advise()

    assert advice.amount == pytest.approx(advice.offset_um * share, abs=1e-9)
    assert advice.amount_unit == unit


def test_a_single_offset_never_exceeds_the_largest_the_plan_allows():
    advice = fed([7.9], max_offset_um=3.0).advise()

    assert advice.action == "offset"
    assert advice.offset_um == -3.0


def test_after_an_offset_no_other_before_a_reading():
    advisor = fed([5.0])
    advisor.event("offset", um=-1.0)

    assert advisor.advise().action == "grind_on"
    assert advisor.advise().measure_after == 1
    advisor.part()
    assert advisor.advise().action == "grind_on"
    advisor.part()
    advisor.reading("seat", 4.0)
    assert advisor.advise().action == "offset"


def test_a_gross_surprise_asks_for_this_part_again():
    advisor = settled()
    advisor.part()
    advisor.reading("seat", 6.5)
    advice = advisor.advise()

    assert advice.action == "measure_again"
    assert advice.measure_after == 0
    assert advice.subject == "seat"


def test_a_misreading_is_replaced_by_the_second_reading():
    advisor, clean = settled(), settled()
    advisor.part()
    advisor.reading("seat", 6.5)
    advisor.reading("seat", 0.2)
    clean.part()
    clean.reading("seat", 0.2)

    assert advisor.advise().action == "grind_on"
    assert advisor._track.level()[0] == pytest.approx(clean._track.level()[0], abs=0.02)


def test_a_third_reading_does_not_bring_a_misreading_back_into_the_estimate():
    advisor, clean = settled(), settled()
    advisor.part()
    for value in (6.5, 0.2, 0.3):
        advisor.reading("seat", value)
    clean.part()
    clean.reading("seat", 0.2)
    clean.reading("seat", 0.3)

    assert advisor._track.level()[0] == pytest.approx(clean._track.level()[0], abs=0.05)


def test_a_surprise_without_its_second_reading_is_left_out_of_the_estimate():
    advisor, silent = settled(), settled()
    for one in (advisor, silent):
        one.part()
    advisor.reading("seat", 6.5)
    for one in (advisor, silent):
        one.part()

    assert advisor._track.level() == silent._track.level()


def test_a_confirmed_jump_asks_for_a_check_of_the_gauge_before_any_offset():
    advisor = settled()
    advisor.part()
    advisor.reading("seat", 6.0)
    advisor.reading("seat", 6.1, again=True)
    advice = advisor.advise()

    assert (advice.action, advice.subject) == ("check", "gauge")
    advisor.part()
    assert advisor.advise().action == "grind_on"
    advisor.reading("seat", 6.2)
    advisor.reading("seat", 6.2)
    assert advisor.advise().action == "offset"


def test_a_part_outside_is_measured_again_and_then_held_back_to_the_last_good_check():
    advisor = settled()
    for _ in range(4):
        advisor.part()
    advisor.reading("seat", 9.0)
    assert advisor.advise().action == "measure_again"
    advisor.reading("seat", 9.1)
    advice = advisor.advise()

    assert advice.action == "hold"
    assert "parts 25 to 28" in advice.evidence


def test_a_hold_ends_when_cleared_and_two_parts_are_good():
    advisor = settled()
    advisor.part()
    advisor.reading("seat", 9.0)
    advisor.reading("seat", 9.1)
    for _ in range(3):
        advisor.part()
        advisor.reading("seat", 0.1)
        assert advisor.advise().action == "hold"
    advisor.event("cleared")
    assert advisor.advise().action == "hold"
    advisor.part()
    advisor.reading("seat", 0.1)
    assert advisor.advise().action == "hold"
    advisor.part()
    advisor.reading("seat", -0.2)
    assert advisor.advise().action == "grind_on"


def test_a_cleared_hold_does_not_stop_its_own_cure():
    advisor = settled()
    advisor.part()
    for value in (9.0, 9.1):
        advisor.reading("seat", value)
    advisor.event("cleared")
    for _ in range(2):
        advisor.part()
        for value in (9.2, 9.2):
            advisor.reading("seat", value)

    assert advisor.advise().action == "offset"


def test_a_hold_that_nobody_clears_does_not_let_the_size_run_away():
    advisor = settled()
    advisor.part()
    for value in (9.0, 9.1):
        advisor.reading("seat", value)
    assert advisor.advise().action == "hold"
    # The operator grinds on without a word, and the next parts are outside as well.
    for _ in range(2):
        advisor.part()
        for value in (9.2, 9.2):
            advisor.reading("seat", value)
    advice = advisor.advise()

    assert advice.action == "offset"
    assert advice.offset_um < -5
    assert "parts 25 to 27 stay held" in advice.evidence


def test_a_roundness_outside_is_held_though_nothing_can_be_steered():
    advisor = Advisor(Settings((FeatureSettings("round", kind="roundness", upper_um=2.0),)))
    advisor.part()
    advisor.reading("round", 2.5)
    assert advisor.advise().action == "measure_again"
    advisor.reading("round", 2.6)
    assert advisor.advise().action == "hold"


def test_a_dress_is_due_at_the_hard_limit():
    advisor = adviser(habit=20)
    for k in range(30):
        advisor.part()
        advisor.reading("seat", [0.2, -0.1, 0.1][k % 3])
    advice = advisor.advise()

    assert advice.action == "dress"
    assert "30 parts" in advice.evidence


def test_after_a_dress_the_move_may_come_before_any_part_and_only_once():
    advisor = adviser(clears=False, sample=1)
    for k in range(40):
        advisor.part()
        advisor.reading("seat", 0.2 * k + [0.2, -0.2][k % 2])
        if advisor.advise().action == "offset":
            break
    advisor.event("offset", um=-6.0)
    for k in range(30):
        advisor.part()
        advisor.reading("seat", 0.1 + [0.2, -0.2][k % 2])
    advisor.event("dress")
    advice = advisor.advise()

    # The control keeps the -6 µm although their wear is gone: they have to come back.
    assert advice.action == "offset"
    assert advice.offset_um > 2
    advisor.event("offset", um=advice.offset_um)
    assert advisor.advise().action == "grind_on"


def test_no_feed_forward_until_it_is_known_what_a_dress_does():
    advisor = adviser(clears=None, resets=None)
    grinder = Grinder(3, clears=False)
    said = run(advisor, grinder, 60)
    advisor.event("dress")

    assert all(a.offset_um is None for a in said if a.action == "dress")
    assert advisor.advise().action == "grind_on"


@pytest.mark.parametrize(
    "wrong",
    [
        lambda a: a.reading("bore", 1.0),
        lambda a: a.reading("seat", math.nan),
        lambda a: a.reading("seat", math.inf),
        lambda a: a.event("offset"),
        lambda a: a.event("offset", um=math.nan),
        lambda a: a.event("sharpen"),
        lambda a: a.event("pause", minutes=-3.0),
        lambda a: a.part(minute=math.nan),
    ],
)
def test_errors_say_what_is_wrong_and_leave_the_state_unchanged(wrong):
    advisor = settled()
    before = json.dumps(advisor.state())

    with pytest.raises(SpcError):
        wrong(advisor)

    assert json.dumps(advisor.state()) == before


def test_a_reading_before_any_part_is_an_error():
    advisor = adviser()
    with pytest.raises(SpcError, match="before any part"):
        advisor.reading("seat", 1.0)
    assert advisor.advise().action == "grind_on"


def test_a_dress_or_an_offset_before_the_first_part_is_normal():
    advisor = adviser()
    advisor.event("dress")
    advisor.event("offset", um=2.0)
    advisor.part()
    advisor.reading("seat", 0.1)

    assert advisor.advise().action == "grind_on"


def test_asking_changes_nothing():
    advisor = settled()
    before = json.dumps(advisor.state())
    first = advisor.advise()
    for _ in range(3):
        assert advisor.advise() == first
        _ = advisor.advise().parts_left
    assert json.dumps(advisor.state()) == before


def test_parts_left_are_those_of_the_moment_of_the_advice():
    advisor = settled()
    advice = advisor.advise()
    twin = settled().advise().parts_left
    advisor.event("offset", um=-7.0)
    for _ in range(20):
        advisor.part()

    assert advice.parts_left == twin
    assert 0 <= twin.low <= twin.middle <= twin.high <= 200


def test_a_gauge_at_the_wheel_hides_the_wear_so_no_parts_left_are_told():
    advice = settled(in_process_gauge=True).advise()

    assert settled().advise().parts_left is not None
    assert advice.parts_left is None
    assert "hides its wear" in advice.evidence


def test_parts_are_counted_from_the_start_while_no_dress_was_told_of():
    def at_the_limit(advisor):
        for k in range(30):
            advisor.part()
            advisor.reading("seat", [0.2, -0.1, 0.1][k % 3])
        return advisor.advise().evidence

    undressed, dressed = adviser(habit=20), adviser(habit=20)
    dressed.event("dress")

    assert "30 parts since the start" in at_the_limit(undressed)
    assert "30 parts since the dress" in at_the_limit(dressed)


def one_limit(values, **limits):
    costs = CostSettings(scrap=4.0, rework=1.5, dress=2.5, offset=0.1)
    features = (FeatureSettings("seat", uncertainty_um=0.8, **limits),)
    advisor = Advisor(Settings(features, cost=costs))
    for value in values:
        advisor.part()
        advisor.reading("seat", value)
    return advisor.advise()


@pytest.mark.parametrize(("limits", "way"), [({"upper_um": 10.0}, -1), ({"lower_um": -10.0}, 1)])
def test_one_limit_alone_is_kept_and_no_target_invented(limits, way):
    noise = np.random.default_rng(5).normal(0, 0.4, 24)
    near, clear = (
        one_limit(-way * 9.0 + noise[:8], **limits),
        one_limit(way * 1.0 + noise, **limits),
    )

    assert (near.action, clear.action) == ("offset", "grind_on")
    assert near.offset_um * way > 1
    assert "target" not in near.evidence + clear.evidence
    assert "guarded limit" in clear.evidence


@pytest.mark.parametrize("place", [5.0, 15.0, 25.0])
def test_nothing_leads_back_towards_the_only_limit(place):
    noise = np.random.default_rng(5).normal(0, 0.4, 24)

    assert one_limit(place + noise, lower_um=-10.0).action == "grind_on"
    assert one_limit(noise - place, upper_um=10.0).action == "grind_on"


def test_one_limit_with_a_target_is_aimed_at_the_target():
    noise = np.random.default_rng(5).normal(0, 0.4, 8)
    advice = one_limit(5.0 + noise, upper_um=10.0, target_um=0.0)

    assert advice.action == "offset"
    assert advice.offset_um == pytest.approx(-5.0, abs=1.5)


def test_the_plan_s_sampling_is_the_least_frequent_asked_for():
    advisor = settled(sample=4)

    assert 1 <= advisor.advise().measure_after <= 4
    assert settled(sample=1).advise().measure_after == 1


def test_a_told_pause_is_not_counted_again():
    told, twice = settled(), settled()
    for one in (told, twice):
        one.part(minute=0.0)
    told.event("pause", minutes=60.0)
    told.part(minute=61.0)
    twice.event("pause", minutes=60.0)
    twice.part()

    assert told._track.warm == pytest.approx(twice._track.warm)


def test_an_untold_gap_is_a_pause_and_a_minute_that_falls_back_is_unknown():
    advisor = settled()
    advisor.part(minute=0.0)
    warm = advisor._track.warm
    advisor.part(minute=121.0)
    cool = advisor._track.warm
    advisor.part(minute=3.0)

    assert cool < 0.5 * warm
    assert advisor._track.warm > cool


def test_history_spares_a_new_run_the_learning():
    first = adviser()
    run(first, Grinder(5), 400)
    learned = json.loads(json.dumps(first.learned()))

    fresh, taught = adviser(), Advisor(settings(), history=[learned])

    slope, sd = taught._track.usual_slope
    assert slope == pytest.approx(0.15, abs=0.06)
    assert sd < 0.5 * fresh._track.usual_slope[1]


def test_every_advice_of_a_long_run_is_of_the_contract():
    advisor, grinder = adviser(), Grinder(11)
    said = run(advisor, grinder, 600)

    assert {a.action for a in said} <= set(ACTIONS)
    assert all(a.evidence for a in said)
    assert all(a.offset_um != 0 for a in said)
    assert all(
        a.offset_um is None or abs(a.offset_um / 0.5 - round(a.offset_um / 0.5)) < 1e-9
        for a in said
    )
    dresses = [age for _, act, age in grinder.acts if act == "dress"]
    assert dresses
    assert min(dresses) > 10
    assert json.dumps(advisor.learned())


def test_several_diameters_all_count():
    features = (
        FeatureSettings("a", lower_um=-8.0, upper_um=8.0, target_um=0.0, lead=True),
        FeatureSettings("b", lower_um=-8.0, upper_um=8.0, target_um=0.0),
    )
    costs = CostSettings(scrap=4.0, rework=1.5, dress=2.5, offset=0.1)
    machine = MachineSettings(dress_resets_size=True, dress_clears_offsets=True)
    both = Advisor(Settings(features, machine, WheelSettings(parts_per_dress=60), costs))
    for k in range(12):
        both.part()
        both.reading("a", [0.2, -0.2][k % 2])
        both.reading("b", 6.0 + [0.3, -0.3][k % 2])
        if both.advise().action == "offset":
            break

    # The lead sits on target, yet the second diameter is near its upper limit.
    assert both.advise().action == "offset"
    assert both.advise().offset_um < 0
