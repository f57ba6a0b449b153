import numpy as np
import pytest

from spc.charts.stretch import shifted_stretch

PART = np.arange(1, 21)


def noise(seed, n=20):
    return np.random.default_rng(seed).normal(0, 1, n)


@pytest.mark.parametrize("apart", [24.0, -10.0])
def test_eight_of_twenty_points_that_jumped_are_found(apart):
    found = shifted_stretch(PART, noise(1) + apart * (PART > 12))

    assert (found.first, found.last, found.count) == (12, 19, 8)
    assert found.apart == pytest.approx(apart, abs=2.5)


def test_the_step_is_that_of_a_general_least_squares_fit():
    y = noise(2) + 0.3 * PART + 15.0 * ((PART > 5) & (PART < 12))
    step = ((PART > 5) & (PART < 12)).astype(float)
    fit, *_ = np.linalg.lstsq(np.column_stack([np.ones(20), PART, step]), y, rcond=None)

    found = shifted_stretch(PART, y)

    assert (found.first, found.last) == (5, 10)
    assert found.apart == pytest.approx(fit[2])


def test_of_two_halves_the_later_is_the_one_that_jumped():
    found = shifted_stretch(PART, noise(3) + 20.0 * (PART > 10))

    assert (found.first, found.last) == (10, 19)


@pytest.mark.parametrize("n", [8, 20, 40])
def test_steady_wear_hardly_ever_has_a_shifted_stretch(n):
    part = np.arange(n)

    wrong = sum(shifted_stretch(part, noise(seed, n) + 0.3 * part) is not None
                for seed in range(1500))  # fmt: skip

    assert wrong / 1500 <= 0.003


def test_wear_that_bends_is_no_jump():
    bent = [shifted_stretch(PART, noise(seed) + 0.05 * PART**2) for seed in range(300)]

    assert sum(found is not None for found in bent) / 300 <= 0.02


def test_wear_seen_in_whole_steps_of_a_coarse_gauge_is_no_jump():
    assert shifted_stretch(PART, np.repeat([0.0, 1.0], 10)) is None
    assert shifted_stretch(PART[:8], [0.0] * 5 + [1.0] * 3) is None


def test_too_few_points_or_all_at_one_place_show_none():
    assert shifted_stretch(range(7), [0, 0, 0, 0, 9, 9, 9]) is None
    assert shifted_stretch([1.0] * 10, [0.0] * 5 + [9.0] * 5) is None
    assert shifted_stretch(range(10), [1.0] * 10) is None


def test_a_long_series_is_searched_at_a_distance():
    part = np.arange(5000)

    found = shifted_stretch(part, noise(4, 5000) + 12.0 * (part >= 3500))

    assert abs(found.first - 3500) <= 25
    assert found.last == 4999
