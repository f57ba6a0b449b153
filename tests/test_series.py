import numpy as np
import pytest

from spc.dress_cycles import dress_cycles
from spc.plan import read_plan
from spc.series import series_of


def series(run, plan, name="seat", *, first=1, last=None):
    last = last or run.made
    cycles = dress_cycles(last, run.events["after_part"].to_numpy(int), run.events["kind"].tolist())
    return series_of(run, plan, plan.feature(name), cycles, first=first, last=last)


def test_one_value_per_measured_part_in_grinding_order(plan, make_run):
    run = make_run([(1, "seat", 1.0), (4, "seat", 2.0), (4, "seat", 2.2, 1), (7, "seat", 3.0)])

    seen = series(run, plan)

    assert seen.parts.tolist() == [1, 4, 7]
    assert seen.deviation_um.tolist() == [1.0, 2.1, 3.0]
    assert seen.readings.tolist() == [1, 2, 1]


def test_a_reading_that_its_repeat_contradicts_is_left_out_of_the_mean(plan, make_run):
    run = make_run([(1, "seat", 9.0), (1, "seat", 1.0, 1), (2, "seat", 1.5)])

    seen = series(run, plan)

    assert seen.deviation_um.tolist() == [1.0, 1.5]
    assert seen.misread.tolist() == [0]


def test_a_reading_no_part_can_have_is_left_out_and_says_nothing_of_its_part(plan, make_run):
    # 0.45 mm may be a part that was never ground; 2.6 mm on 25 mm is none of this plan.
    run = make_run([(1, "seat", 5.0), (2, "seat", 450.0), (3, "seat", 2600.0), (4, "seat", -5e4)])

    seen = series(run, plan)

    assert seen.parts.tolist() == [1]
    assert seen.unbelievable.tolist() == [1, 2, 3]
    assert seen.unbelievable_parts.tolist() == [2]
    assert seen.impossible.tolist() == [2, 3]


def test_of_three_readings_the_odd_one_is_left_out(plan, make_run):
    run = make_run([(1, "seat", 1.0), (1, "seat", 9.0, 1), (1, "seat", 1.2, 2)])

    assert series(run, plan).deviation_um.tolist() == [1.1]


def test_offsets_are_taken_out_and_cleared_at_the_dress(plan, make_run):
    run = make_run(
        [(part, "seat", 5.0) for part in range(1, 13)],
        [(6, "offset", {"um": -3.0}), (9, "dress")],
    )

    seen = series(run, plan)

    assert seen.bare_um.tolist() == [5.0] * 6 + [8.0] * 3 + [5.0] * 3
    assert seen.cycle.tolist() == [0] * 9 + [1] * 3
    assert seen.since_dress.tolist() == [*range(1, 10), 1, 2, 3]


def test_a_span_keeps_the_wheel_age_of_the_whole_run(plan, make_run):
    run = make_run([(part, "seat", 0.0) for part in range(1, 13)], [(3, "dress")])

    seen = series(run, plan, first=6, last=9)

    assert seen.parts.tolist() == [6, 7, 8, 9]
    assert seen.since_dress.tolist() == [3, 4, 5, 6]


def test_a_taper_is_the_first_station_minus_the_second_where_both_were_measured(make_run):
    plan = read_plan(
        b"""
[job]
part = "Lock pin"
[[feature]]
name = "head"
nominal = 25.0
upper = 0.01
[[feature]]
name = "tail"
nominal = 20.0
upper = 0.01
[[feature]]
name = "taper"
kind = "taper"
between = ["head", "tail"]
upper = 3.0
unit = "um"
""",
        source="pin.toml",
    )
    run = make_run([(1, "head", 4.0), (1, "tail", 1.5), (2, "head", 4.0), (3, "tail", 1.0)])

    seen = series(run, plan, "taper")

    assert (seen.parts.tolist(), seen.deviation_um.tolist()) == ([1], [2.5])


def test_times_are_utc_and_unknown_ones_stay_unknown(plan, make_run):
    run = make_run([(1, "seat", 0.0), (2, "seat", 0.0)])
    run.measurements.loc[1, "time"] = None

    time = series(run, plan).time

    assert time[0] == np.datetime64("2026-11-23T06:01")
    assert np.isnat(time[1])


@pytest.mark.parametrize("count", [0, 1])
def test_a_feature_hardly_measured_gives_a_short_series(plan, make_run, count):
    run = make_run([(3, "seat", 1.0)] * count)

    assert len(series(run, plan, last=5)) == count
