"""What whoever works with the adviser relies on, sentence by sentence."""

import copy
import json

import numpy as np
import pytest

from spc.adviser.advice import ACTIONS
from spc.adviser.adviser import Advisor
from spc.errors import BadRecord
from tests.adviser.grinder import (
    QUIET,
    Grinder,
    adviser,
    fed,
    plan_of,
    run,
    said,
    settled,
    tell,
)

# -- before and at the start -------------------------------------------------------------------


def test_before_any_part_there_is_nothing_to_do():
    advice = adviser().advise()

    assert (advice.action, advice.measure_after) == ("grind_on", 1)
    assert (advice.parts_left, advice.runner_up) == (None, None)


def test_a_dress_or_an_offset_before_the_first_part_is_normal():
    advisor = adviser()
    advisor.event("dress")
    advisor.event("offset", um=2.0)
    tell(advisor, 0.1)

    assert advisor.advise().action == "grind_on"


def test_a_first_part_nearly_outside_asks_for_the_whole_way_back():
    advice = fed((6.4, 6.4)).advise()

    assert advice.action == "offset"
    assert advice.offset_um == pytest.approx(-6.5, abs=1.5)


# -- moves -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "sign", "unit", "share"),
    [("diameter", "+bigger", "mm", 1e-3), ("radius", "+bigger", "mm", 5e-4),
     ("radius", "+smaller", "um", -0.5), ("diameter", "+smaller", "in", -1e-3 / 25.4)],
)  # fmt: skip
def test_an_offset_is_also_given_as_it_is_typed(entry, sign, unit, share):
    advice = fed(5.0, 5.2, offset_entry=entry, offset_sign=sign, offset_unit=unit).advise()

    assert advice.amount == pytest.approx(advice.offset_um * share, abs=1e-9)
    assert advice.amount_unit == unit


def test_a_large_move_is_not_made_on_one_surprising_reading():
    advisor = settled()
    advisor.event("dress")
    tell(advisor, 6.9)
    asked = advisor.advise()
    assert (asked.action, asked.subject, asked.measure_after) == ("measure_again", "seat", 0)

    again = copy.deepcopy(advisor)
    again.reading("seat", 6.7, again=True)
    assert again.advise().action == "offset"


@pytest.mark.parametrize("event", ["batch", "swivel"])
def test_a_change_is_no_reason_to_move_before_a_part_was_read(event):
    advisor = settled()
    advisor.event(event)
    for _ in range(3):
        assert advisor.advise().action == "grind_on"
        assert advisor.advise().measure_after == 1
        advisor.part()


@pytest.mark.parametrize("event", [{"kind": "pause", "minutes": 30.0}, {"kind": "batch"}])
def test_what_comes_between_readings_orders_no_dress(event):
    advisor, grinder = adviser(), Grinder(1, dull=2.0)
    advisor.event("dress")
    flips = 0
    for _ in range(8):
        if run(advisor, grinder, 10)[-1].action == "dress":
            break
        other = copy.deepcopy(advisor)
        other.event(**event)
        flips += other.advise().action == "dress"

    assert flips == 0


def test_the_move_told_with_a_dress_is_the_one_asked_for_after_it():
    pairs = []

    class Watched(Advisor):
        def event(self, kind, um=None, minutes=None, register=None):
            told = self.advise()
            super().event(kind, um, minutes, register)
            if kind == told.action == "dress":
                pairs.append((told.offset_um, self.advise().offset_um))

    run(Watched(plan_of(clears=False)), Grinder(1, clears=False), 250)

    assert sum(told is not None for told, _ in pairs) >= 1
    assert all(told == asked for told, asked in pairs)


def test_offsets_that_the_control_keeps_are_taken_back_at_the_dress():
    advisor = adviser(clears=False, sample=1)
    tell(advisor, *(0.2 * k + [0.2, -0.2][k % 2] for k in range(30)))
    advisor.event("offset", um=-6.0)
    tell(advisor, *(0.1 + [0.2, -0.2][k % 2] for k in range(30)))
    advisor.event("dress")
    advice = advisor.advise()

    # The control keeps the -6 µm although their wear is gone: they have to come back.
    assert advice.action == "offset"
    assert advice.offset_um > 2
    advisor.event("offset", um=advice.offset_um)
    assert advisor.advise().action == "grind_on"


def test_one_limit_with_a_target_is_aimed_at_the_target():
    noise = np.random.default_rng(5).normal(0, 0.4, 8)
    told = {"upper": 0.010, "lower": None, "target": 0.0}
    advice = fed(*(5.0 + noise), seat=told).advise()

    assert advice.action == "offset"
    assert advice.offset_um == pytest.approx(-5.0, abs=1.5)


# -- surprises ---------------------------------------------------------------------------------


def test_a_gross_surprise_asks_for_this_part_again():
    advisor = settled()
    tell(advisor, 6.5)
    advice = advisor.advise()

    assert (advice.action, advice.subject, advice.measure_after) == ("measure_again", "seat", 0)


@pytest.mark.parametrize("then", [(0.2,), (0.2, 0.3)])
def test_a_misreading_is_replaced_by_the_second_reading(then):
    advisor, clean = settled(), settled()
    tell(advisor, (6.5, *then))
    tell(clean, then)

    assert advisor.advise().action == "grind_on"
    assert advisor.advise().parts_left.middle == pytest.approx(
        clean.advise().parts_left.middle, abs=8
    )


def test_a_surprise_without_its_second_reading_moves_nothing():
    advisor = settled()
    tell(advisor, 6.5)
    advisor.part()

    assert advisor.advise().action != "offset"
    tell(advisor, 0.1)
    assert advisor.advise().action == "grind_on"


def test_a_confirmed_jump_asks_for_a_check_before_any_offset():
    advisor = settled()
    tell(advisor, (6.0, 6.1))
    advice = advisor.advise()

    assert (advice.action, advice.subject) == ("check", "gauge")
    advisor.event("master")
    tell(advisor, (6.2, 6.2))
    assert advisor.advise().action == "offset"


def test_a_size_that_stays_away_is_followed():
    advisor = settled()
    tell(advisor, 0.1, 0.3, *((value, value) for value in (5.4, 5.1, 5.6, 5.3)))

    assert advisor.advise().action == "offset"
    assert advisor.advise().offset_um == pytest.approx(-5.3, abs=1.5)


# -- parts outside -----------------------------------------------------------------------------


def test_parts_outside_on_both_sides_do_not_confirm_each_other():
    advisor = settled()
    for value in (15.0, -15.0):
        tell(advisor, value)
        assert advisor.advise().action == "measure_again"


def test_after_an_offset_the_first_part_outside_is_measured_again():
    advisor = settled()
    tell(advisor, (15.0, 15.0))
    assert advisor.advise().action == "hold"
    advisor.event("offset", um=-6.0)
    advisor.event("cleared")
    tell(advisor, 9.5)

    assert advisor.advise().action == "measure_again"


def test_good_parts_alone_end_no_hold_and_cleared_with_two_good_ones_does():
    advisor = settled()
    tell(advisor, (9.0, 9.1))
    for _ in range(3):
        tell(advisor, 0.1)
        assert advisor.advise().action == "hold"
    assert not advisor.proves
    advisor.event("cleared")
    assert advisor.proves
    for _ in range(2):
        tell(advisor, 0.1)
        assert advisor.advise().measure_after == 1
    tell(advisor, -0.2)
    assert not advisor.proves
    assert advisor.advise().action == "grind_on"


def test_a_hold_tells_the_move_that_brings_the_next_part_back():
    advisor = fed((12.0, 11.8))
    advice = advisor.advise()

    assert advice.action == "hold"
    assert advice.offset_um == pytest.approx(-12, abs=1.5)
    assert advice.offset_um == advice.amount * 1000
    advisor.event("offset", um=advice.offset_um)
    assert said(advisor) == ("hold", None)
    # Whoever clears first is told the same move.
    other = fed((12.0, 11.8))
    other.event("cleared")
    assert said(other) == ("offset", advice.offset_um)


def test_a_hold_that_nobody_clears_does_not_let_the_size_run_away():
    advisor = settled()
    tell(advisor, (9.0, 9.1), (9.2, 9.2), (9.2, 9.2))

    assert advisor.advise().offset_um < -5


def test_a_hold_says_that_a_dress_is_due():
    advisor = settled(most=20)
    tell(advisor, (8.4, 8.5))
    advice = advisor.advise()

    assert (advice.action, advice.offset_um) == ("hold", None)
    assert (advice.runner_up, advice.cost_difference) == ("dress", None)


def test_a_cleared_hold_does_not_stop_its_own_cure():
    advisor = settled()
    tell(advisor, (9.0, 9.1))
    advisor.event("cleared")
    tell(advisor, (9.2, 9.2), (9.2, 9.2))

    assert advisor.advise().offset_um < -5


def test_a_leap_nobody_explained_is_brought_back_and_not_dressed_away():
    advisor = adviser(sample=1)
    tell(advisor, *QUIET, *QUIET, *QUIET)
    advisor.event("dress")
    tell(advisor, *QUIET, *QUIET, *QUIET)
    acts = []
    for _ in range(3):
        tell(advisor, (8.5, 8.6))
        acts.append(advisor.advise())

    assert acts[0].action == "hold"
    assert all(advice.offset_um in (-8.0, -8.5, -9.0) for advice in acts[1:])
    assert all(advice.runner_up != "dress" for advice in acts)


# -- dresses and readings ----------------------------------------------------------------------


def test_a_wheel_that_breaks_down_early_is_dressed_whatever_the_plan_expects():
    # It scatters three times as far after 18 parts, and eight times after 27.
    for habit in (None, 45):
        grinder = Grinder(1, drift=0.2, sd=0.8, dull=2.0, life=18, start=0.5)
        run(adviser(habit=habit, sample=2), grinder, 150, every=2)
        ages = [age for _, act, age in grinder.acts if act == "dress"]

        assert len(ages) >= 3
        assert max(ages[2:]) <= 40


def test_a_wheel_that_wears_as_told_is_not_dressed_young():
    grinder = Grinder(2, drift=0.1, sd=0.9, dull=1.0, life=60)
    run(adviser(), grinder, 300)

    assert min((age for _, act, age in grinder.acts if act == "dress"), default=99) >= 30


def test_no_wheel_is_dressed_on_a_handful_of_parts():
    random = np.random.default_rng(3)
    for _ in range(5):
        advisor = adviser(sample=1)
        advisor.event("dress")
        for _ in range(4):
            tell(advisor, round(float(5 * random.standard_normal()), 1))
            assert advisor.advise().action != "dress"


def test_the_plan_s_sampling_is_the_least_frequent_asked_for():
    assert 1 <= settled(sample=4).advise().measure_after <= 4
    assert settled(sample=1).advise().measure_after == 1


# -- parts left --------------------------------------------------------------------------------


def test_parts_left_are_those_of_the_moment_of_the_advice():
    advisor = settled()
    advice = advisor.advise()
    twin = settled().advise().parts_left
    advisor.event("offset", um=-7.0)
    for _ in range(20):
        advisor.part()

    assert advice.parts_left == twin
    assert 0 <= twin.low <= twin.middle <= twin.high <= 200


# -- what is kept ------------------------------------------------------------------------------


@pytest.mark.parametrize("event", ["offset", "pause", "batch", "dress", "note"])
def test_an_adviser_in_doubt_of_a_part_is_handed_over_whole(event):
    whole = settled()
    tell(whole, (4.9, 5.0))
    whole.event(event, um=-1.0 if event == "offset" else None)
    handed = Advisor(whole.plan, state=json.loads(json.dumps(whole.state())))
    for each in (whole, handed):
        tell(each, 0.2, -0.1)

    assert handed.state() == whole.state()
    assert handed.advise() == whole.advise()


def test_a_state_of_the_adviser_before_this_one_is_refused():
    with pytest.raises(BadRecord, match=r"'spc.wheel.state/11', this adviser goes on from"):
        Advisor(plan_of(), state={"schema": "spc.wheel.state/11"})


def test_memory_does_not_grow_with_the_run():
    advisor = settled()
    early = len(json.dumps(advisor.state()))
    tell(advisor, *QUIET * 30)

    assert len(json.dumps(advisor.state())) < 1.05 * early


def test_history_spares_a_new_run_the_learning():
    wear = [0.15 * k + value for k, value in enumerate(QUIET * 3, -18)]
    first = adviser()
    for _ in range(4):
        tell(first, *wear)
        first.event("dress")
    learned = json.loads(json.dumps(first.learned()))

    fresh, taught = adviser(), Advisor(plan_of(), history=[learned])
    for one in (fresh, taught):
        tell(one, -2.0, -1.7, -2.2)
    left_fresh, left_taught = (one.advise().parts_left for one in (fresh, taught))

    # From -2.5 µm on, the limit is 10.5 µm away, at 0.15 µm a part and with scatter of 0.4 µm.
    assert left_taught.middle == pytest.approx(62, abs=5)
    assert abs(left_taught.middle - 62) < abs(left_fresh.middle - 62)
    assert left_taught.high / left_taught.low < left_fresh.high / left_fresh.low


def test_what_another_adviser_had_learned_teaches_nothing():
    old = {"schema": "spc.wheel.learned/1", "track": {"life": 60}}

    assert Advisor(plan_of(), history=[old]).state() == Advisor(plan_of()).state()


def test_a_state_goes_on_alike_though_the_history_is_not_told_again():
    first = settled()
    whole = Advisor(plan_of(), history=[first.learned()])
    tell(whole, *QUIET)
    again = Advisor(plan_of(), state=json.loads(json.dumps(whole.state())))
    for one in (whole, again):
        tell(one, (0.4, 0.5), 1.9)

    assert again.advise() == whole.advise()
    assert again.advise().parts_left == whole.advise().parts_left
    assert again.state() == whole.state()


def test_it_counts_parts_from_those_ground_before_it_was_told_of_any():
    advisor = Advisor(plan_of(), before=40)
    tell(advisor, (9.0, 9.1))

    assert "seat of part 41 " in advisor.advise().evidence


def test_it_tells_how_well_it_foretold():
    assert adviser().self_check() == {"n": 0, "spread": None, "beyond": None}
    random = np.random.default_rng(1)
    advisor = adviser(sample=1)
    tell(advisor, *np.round(random.normal(0, 0.9, 200), 1))
    check = advisor.self_check()

    assert check["n"] == 200
    assert check["spread"] == pytest.approx(1.0, abs=0.15)
    assert check["beyond"] == pytest.approx(0.05, abs=0.04)


def test_every_advice_of_a_run_is_of_the_contract():
    advisor, grinder = adviser(), Grinder(11)
    told = run(advisor, grinder, 250)

    assert {a.action for a in told} <= set(ACTIONS)
    assert all(a.evidence for a in told)
    assert all(a.offset_um is None or (a.offset_um and a.offset_um / 0.5 % 1 == 0) for a in told)
    assert all((a.measure_after == 0) == (a.action == "measure_again") for a in told)
    assert json.dumps([a.as_dict() for a in told])
    assert json.dumps(advisor.learned())
