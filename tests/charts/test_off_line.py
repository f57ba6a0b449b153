import numpy as np
import pytest

from spc.charts.off_line import off_line


def test_points_that_jumped_and_stayed_have_left_the_line():
    z = np.array([0.5, -1.0, 0.2, 0.4, 8.0, 9.0, 8.5, 8.0, 9.5])

    found = off_line(z, 0.5 * z)

    # By hand: the last five, 43 / 5 * 0.5 = 4.3 off; those before belong to the line.
    assert (found.first, found.count) == (4, 5)
    assert found.apart == pytest.approx(4.3)


@pytest.mark.parametrize("side", [1, -1])
def test_two_in_a_row_beyond_one_limit_are_enough_on_either_side(side):
    z = side * np.array([-0.3, 3.01, 3.01])

    assert off_line(z, z).count == 2


def test_one_point_alone_and_points_on_both_sides_are_not():
    assert off_line([0.1, -0.2, 9.0], [0.1, -0.2, 9.0]) is None
    assert off_line([0.1, 9.0, -9.0], [0.1, 9.0, -9.0]) is None
    assert off_line([9.0], [9.0]) is None
    assert off_line([0.0, 0.0], [0.0, 0.0]) is None


@pytest.mark.parametrize("wild", [9.0, 1000.0, np.inf])
def test_one_wild_point_does_not_take_those_before_it_along(wild):
    assert off_line([-0.2, 0.4, 0.9, wild], np.zeros(4)) is None


def test_a_last_point_on_the_line_has_not_left_it_whatever_came_before():
    assert off_line([np.inf, np.inf, 0.0], [1.0, 1.0, 0.0]) is None


def test_points_that_came_back_have_not_left():
    assert off_line([0.1, 8.0, 8.0, 8.0, 0.2, -0.4], np.zeros(6)) is None


def test_chance_alone_hardly_ever_says_so():
    rng = np.random.default_rng(20261128)

    wrong = sum(off_line(z, z) is not None for z in rng.normal(0, 1, (40_000, 60)))

    assert wrong / 40_000 <= 3e-4


def test_without_spread_two_points_off_the_line_have_left_it():
    assert off_line([0.0, 0.0, np.inf, np.inf], [0.0, 0.0, 1.0, 1.0]).count == 2
