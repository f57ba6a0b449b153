import numpy as np
import pytest

from spc.charts.between_parts import parts_charts
from spc.charts.limits import FrozenLimits
from spc.charts.shewhart import averages_range_chart

approx = pytest.approx


def parts(rng, n, points=4, between=3.0, within=0.5):
    return rng.normal(10, between, (n, 1)) + rng.normal(0, within, (n, points))


def test_spread_within_and_between_parts_are_told_apart():
    readings = parts(np.random.default_rng(1), 4000)

    for deviations in (False, True):
        charts = parts_charts(readings, deviations=deviations)
        # Standard error of a moving-range sigma from 4,000 parts: 1.4 %.
        assert charts.sigma_between == approx(3.0, rel=0.05)
        assert charts.sigma_within == approx(0.5, rel=0.03)
        assert charts.sigma_reading == approx(np.hypot(3.0, 0.5), rel=0.05)


def test_parts_that_differ_are_no_signal_here_and_would_be_as_groups():
    readings = parts(np.random.default_rng(2), 60)

    as_parts, as_groups = parts_charts(readings), averages_range_chart(readings)

    assert as_parts.level.beyond.sum() == 0
    assert as_groups.location.beyond.sum() > 20


def test_a_part_out_of_round_shows_on_the_chart_within():
    readings = parts(np.random.default_rng(3), 40)
    readings[25, 0] += 6

    charts = parts_charts(readings, base=(0, 19))

    assert np.flatnonzero(charts.within.beyond).tolist() == [25]
    assert charts.within.statistic == "range"
    assert charts.steps.statistic == "moving range"
    assert charts.location.location is charts.level
    assert charts.to_frame()["within"]["beyond"].sum() == 1


def test_parts_alike_have_no_spread_between_them():
    readings = parts(np.random.default_rng(7), 200, between=0.0)

    assert parts_charts(readings).sigma_between < 0.15


def test_missing_readings_count_for_what_is_left():
    readings = parts(np.random.default_rng(4), 3000, points=4, between=1.0, within=2.0)
    readings[::2, 2:] = np.nan

    charts = parts_charts(readings)

    assert charts.sigma_between == approx(1.0, rel=0.15)
    assert charts.sigma_within == approx(2.0, rel=0.05)


def test_later_parts_are_judged_by_frozen_limits():
    level = FrozenLimits(center=0.0, sigma=1.0)
    within = FrozenLimits(center=0.0, sigma=0.1)

    charts = parts_charts([[0.0, 0.1], [5.0, 6.0]], frozen=level, frozen_within=within)

    assert charts.level.beyond.tolist() == [False, True]
    assert charts.within.beyond.tolist() == [False, True]
