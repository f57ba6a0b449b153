import numpy as np
import pytest

from spc.gauge.resolution import observed_step, resolution


def test_whole_micrometres_are_seen_as_steps():
    assert observed_step([5, 6, 4, 7]) == 1.0
    assert observed_step([5.0, 5.5, 4.0]) == 0.5
    assert observed_step(np.array([24.9987, 24.9991, 25.0003])) == pytest.approx(0.0004)


def test_readings_without_a_grid_have_no_step():
    assert observed_step(np.random.default_rng(1).normal(size=40)) == 0.0


def test_one_inch_division_is_a_step_in_micrometres():
    # 0.0001 in is 2.54 µm.
    assert observed_step([2.54, 7.62, 5.08]) == pytest.approx(2.54)


@pytest.mark.parametrize(
    ("spread", "coarse", "misleading"),
    [(5.0, False, False), (0.9, True, False), (0.45, True, True)],
)
def test_the_step_is_judged_by_the_spread_before_rounding(spread, coarse, misleading):
    readings = np.round(np.random.default_rng(2).normal(0, spread, 4000))

    found = resolution(readings, step=1.0, sigma=float(readings.std()))

    assert (found.coarse, found.misleading) == (coarse, misleading)


def test_a_step_as_large_as_the_spread_widens_it_by_four_per_cent():
    # Sheppard: a step r adds r²/12, so r = sigma adds 4 % of spread.
    readings = np.round(np.random.default_rng(3).normal(0, 1, 20_000))

    assert readings.std() == pytest.approx(np.sqrt(1 + 1 / 12), rel=0.01)
    assert "4 %" in resolution(readings, sigma=float(readings.std())).words


def test_readings_all_alike_show_nothing():
    found = resolution([3.0, 3.0, 3.0], step=1.0, sigma=0.0)

    assert found.misleading
    assert found.ratio is None


def test_a_coarser_step_in_the_readings_counts():
    assert resolution([0.0, 1.0, 2.0], step=0.1, sigma=1.0).step == 1.0
