"""Dress cycles, offsets in force, and the wear line."""

from pathlib import Path

import numpy as np
import pytest

from spc.dress_cycles import cycle_of, dress_cycles, register, since_dress, wear_line

PUBLISHED = Path(__file__).parent / "published"


def test_cycles_begin_after_dresses_and_wheels():
    cycles = dress_cycles(20, [5, 7, 12, 12], ["dress", "offset", "dress", "wheel"])

    assert [(c.first_part, c.last_part) for c in cycles] == [(1, 5), (6, 12), (13, 20)]
    assert [c.begun_by for c in cycles] == ["start", "dress", "wheel"]
    assert [c.age_known for c in cycles] == [False, True, True]
    assert [c.parts for c in cycles] == [5, 7, 8]


def test_a_dress_before_the_first_part_makes_the_age_known():
    (cycle,) = dress_cycles(9, [0], ["dress"])

    assert (cycle.number, cycle.begun_by, cycle.age_known) == (1, "dress", True)


def test_a_dress_after_the_last_part_leaves_no_cycle():
    assert len(dress_cycles(9, [9], ["dress"])) == 1
    assert dress_cycles(0, [], []) == ()


def test_parts_know_their_cycle_and_age():
    cycles = dress_cycles(9, [4], ["dress"])

    assert cycle_of([1, 4, 5, 9], cycles).tolist() == [0, 0, 1, 1]
    assert since_dress([1, 4, 5, 9], cycles).tolist() == [1, 4, 1, 5]


def test_a_clearing_dress_takes_back_what_came_after_setting_up():
    kinds = ["offset", "offset", "dress", "offset"]
    told = {"after_part": [2, 6, 8, 9], "amount_um": [-1.0, -2.0, np.nan, 0.5], "kinds": kinds}

    cleared = register([1, 3, 7, 9, 10], **told, clears=True)
    kept = register([1, 3, 7, 9, 10], **told, clears=False)

    assert cleared.tolist() == [0, -1, -3, -1, -0.5]
    assert kept.tolist() == [0, -1, -3, -3, -2.5]


def test_the_wear_line_is_the_regression_of_the_reference_data():
    # NIST StRD, Norris (linear regression, lower level of difficulty), certified values.
    x, y = np.loadtxt(PUBLISHED / "strd_norris.csv", delimiter=",", skiprows=1).T
    line = wear_line(x, y)

    assert line.n == 36
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)
    # Certified standard deviation of the slope times Student's t for 34 degrees of freedom.
    assert line.slope_upper - line.slope == pytest.approx(
        0.000429796848199937 * 2.03224451, rel=1e-7
    )


def test_the_interval_of_the_slope_covers_it_in_nineteen_of_twenty():
    random = np.random.default_rng(8)
    x = np.arange(1, 31)
    lines = [wear_line(x, 0.2 * x + random.standard_normal(30)) for _ in range(2000)]
    covered = np.mean([line.slope_lower < 0.2 < line.slope_upper for line in lines])

    assert covered == pytest.approx(0.95, abs=0.015)


def test_four_parts_are_needed_for_a_line():
    assert wear_line([1, 2, 3], [1.0, 2.0, 3.0]) is None
    assert wear_line([2, 2, 2, 2], [1.0, 2.0, 3.0, 4.0]) is None
