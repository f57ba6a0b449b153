"""What a shop relies on: holds, one limit, single readings, untold dresses, sparse samples."""

import numpy as np
import pytest

from spc.adviser.adviser import Advisor
from tests.adviser.grinder import (
    DEAR,
    Grinder,
    adviser,
    fed,
    plan_of,
    run,
    said,
    settled,
    tell,
)


@pytest.mark.parametrize(("limits", "way"), [({"upper": 0.010}, -1), ({"lower": -0.010}, 1)])
def test_one_limit_alone_is_kept(limits, way):
    told = {"upper": None, "lower": None, "uncertainty_um": 0.8} | limits
    noise = np.random.default_rng(5).normal(0, 0.4, 24)
    near, clear = (
        fed(*values, seat=told, cost=DEAR).advise()
        for values in (-way * 9.0 + noise[:8], way * 1.0 + noise)
    )

    assert (near.action, clear.action) == ("offset", "grind_on")
    assert near.offset_um * way > 1


@pytest.mark.parametrize("place", [5.0, 15.0, 25.0])
def test_nothing_leads_back_towards_the_only_limit(place):
    noise = np.random.default_rng(5).normal(0, 0.4, 24)
    below = {"upper": None, "lower": -0.010}
    above = {"upper": 0.010, "lower": None}

    assert fed(*(place + noise), seat=below, cost=DEAR).advise().action == "grind_on"
    assert fed(*(noise - place), seat=above, cost=DEAR).advise().action == "grind_on"


def test_a_limit_that_is_the_target_is_steered_by_as_well():
    told = {"upper": 0.010, "lower": None, "target": 0.010}

    assert fed(9.0, 9.3, 8.8, seat=told).advise().action in ("grind_on", "offset")


def test_a_second_part_in_a_row_outside_confirms_the_first():
    advisor = settled()
    tell(advisor, 15.0)
    assert advisor.advise().action == "measure_again"
    tell(advisor, 15.2)
    assert advisor.advise().action == "hold"


def test_a_hold_tells_no_move_that_would_not_bring_the_part_back():
    assert said(fed((60.0, 60.0))) == ("hold", None)


@pytest.mark.parametrize("value", [7.5, -9.0])
def test_a_reading_in_doubt_is_read_again_though_an_earlier_part_is_held(value):
    advisor = settled()
    tell(advisor, (9.0, 9.1), 0.2, -0.3)
    assert advisor.advise().action == "hold"
    tell(advisor, value)
    assert advisor.advise().action == "measure_again"
    advisor.reading("seat", 0.1)

    assert advisor.advise().action == "hold"


@pytest.mark.parametrize("event", ["wheel"])
def test_a_change_is_no_reason_to_move_before_a_part_was_read(event):
    advisor = settled()
    advisor.event(event)
    for _ in range(3):
        assert advisor.advise().action == "grind_on"
        assert advisor.advise().measure_after == 1
        advisor.part()


def test_no_feed_forward_until_it_is_known_what_a_dress_does():
    advisor, grinder = adviser(clears=None, resets=None), Grinder(3, clears=False)
    told = run(advisor, grinder, 60)
    advisor.event("dress")

    assert all(a.offset_um is None for a in told if a.action == "dress")
    assert advisor.advise().action == "grind_on"


def test_a_gauge_at_the_wheel_hides_the_wear_so_no_parts_left_are_told():
    advice = settled(in_process_gauge=True).advise()

    assert settled().advise().parts_left is not None
    assert advice.parts_left is None


def test_parts_are_counted_from_the_start_while_no_dress_was_told_of():
    def at_the_limit(advisor):
        for k in range(30):
            tell(advisor, [0.2, -0.1, 0.1][k % 3])
        return advisor.advise().evidence

    undressed, dressed = adviser(most=30), adviser(most=30)
    dressed.event("dress")

    assert "30 parts since the start" in at_the_limit(undressed)
    assert "30 parts since the dress" in at_the_limit(dressed)


ROUGH = {"name": "Ra", "kind": "roughness", "upper": 0.5, "unit": "um"}


def finish_along(fall, parts, *, start=0.32):
    """Advice part by part with sizes on target and a finish that changes by `fall` per part."""
    advisor = Advisor(plan_of(ROUGH, habit=40, sample=1))
    advisor.event("dress")
    random, told = np.random.default_rng(5), []
    for k in range(parts):
        tell(advisor, float(random.normal(0, 0.5)))
        advisor.reading("Ra", float(start * np.exp(-fall * k + random.normal(0, 0.05))))
        told.append(advisor.advise())
    return told


def test_a_wheel_whose_finish_gets_finer_is_dressed_at_the_habit():
    told = finish_along(0.008, 41)

    assert all(advice.action != "dress" for advice in told[:39])
    assert told[39].action == "dress"


def test_a_part_that_stands_alone_moves_nothing_once_the_next_one_is_good():
    # A part badly clamped: read twice, set aside, and the next one is where all others were.
    wide = {"upper": 0.010, "lower": -0.010}
    advisor = Advisor(
        plan_of(seat=wide, sample=4, habit=None, step=1.0, cost={"currency": "units"})
    )
    tell(advisor, 0.2, -0.3, 0.5, 0.1, -0.6, 0.2, 0.4, -0.1, 0.3, (-13.0, -13.1))
    assert advisor.advise().action == "hold"
    advisor.event("cleared")
    tell(advisor, 0.3)

    assert advisor.advise().offset_um is None


def test_after_an_offset_the_very_next_part_is_read():
    advisor = fed(7.5, 7.6, sample=4)
    advice = advisor.advise()
    assert (advice.action, advice.measure_after) == ("offset", 1)
    advisor.event("offset", um=advice.offset_um)
    assert advisor.advise().measure_after == 1


def test_where_the_plan_asks_for_few_readings_the_next_one_comes_before_the_size_may_be_out():
    advice = fed(0.2, 0.9, 1.4, 2.2, 2.8, sample=50, cost=DEAR).advise()

    assert advice.measure_after < 25


@pytest.mark.parametrize("told", [True, None])
def test_a_control_that_keeps_its_offsets_is_found_out_before_it_costs_many_parts(told):
    # 400 parts of the invented grinder S1, whose control keeps them.
    from collections import Counter

    from spc.simulate.play import settle
    from spc.simulate.process import Grinder as Invented
    from spc.simulate.settings import PRESETS

    wide = {"upper": 0.010, "lower": -0.010}
    advisor = Advisor(
        plan_of(seat=wide, sample=1, habit=None, step=1.0, clears=told, resets=told,
                cost={"currency": "units"})
    )  # fmt: skip
    machine, out, dressed = Invented(PRESETS["S1"], seed=1), 0, []

    def read():
        advisor.reading("seat", machine.measure().size_um)

    class Told:
        def advise(self):
            return advisor.advise()

        def event(self, kind, um=None, minutes=None):
            dressed.extend([machine.number] * (kind == "dress"))
            advisor.event(kind, um, minutes)

    for _ in range(400):
        machine.part()
        advisor.part()
        read()
        out += abs(machine.measure().size_um) > 10
        settle(Told(), machine, read, Counter())

    assert dressed[0] < 100
    assert out < 10


def test_a_hold_for_roundness_is_told_without_a_move_of_the_size():
    round_ = {"name": "round", "kind": "roundness", "upper": 2.5, "unit": "um"}
    advisor = Advisor(plan_of(round_, sample=1))
    tell(advisor, 4.6, 4.8)
    advisor.reading("round", 2.7)
    advisor.reading("round", 2.8)

    assert (advisor.advise().action, advisor.advise().subject) == ("hold", "round")
    assert advisor.advise().offset_um is None


def test_measure_again_tells_the_reading_and_what_was_expected():
    advisor = settled()
    tell(advisor, 6.5)

    assert "6.5 µm" in advisor.advise().evidence
