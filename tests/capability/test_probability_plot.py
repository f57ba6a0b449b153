import numpy as np
import pytest

from spc.capability.probability_plot import normal_scores, probability_plot
from spc.capability.shapes import FAMILIES, Shape


def test_expected_order_statistics_of_ten():
    # Harter (1961), Biometrika 48, 151-165 (values from memory).
    printed = [1.5388, 1.0014, 0.6561, 0.3758, 0.1227]

    assert normal_scores(10)[::-1][:5] == pytest.approx(printed, abs=5e-5)


@pytest.mark.parametrize("n", [1, 2, 7, 100])
def test_scores_are_symmetric_and_hold_their_sum_of_squares(n):
    scores = normal_scores(n)

    assert scores == pytest.approx(-scores[::-1], abs=1e-10)
    if n == 2:  # closed form: 1/sqrt(pi)
        assert scores[1] == pytest.approx(np.pi**-0.5)


def test_scores_are_means_of_sorted_samples():
    draws = np.sort(np.random.default_rng(1).normal(size=(40_000, 12)), axis=1)

    assert normal_scores(12) == pytest.approx(draws.mean(0), abs=0.02)


def test_readings_of_the_shape_lie_on_the_diagonal_and_in_the_band():
    bell = Shape(FAMILIES["normal"], (5.0, 2.0))
    x = np.random.default_rng(4).permutation(bell.quantile((np.arange(50) + 0.5) / 50))

    plot = probability_plot(x, bell)

    assert np.all(np.diff(plot.readings) > 0)
    # Positions (i - 0.5)/50 made the sample; medians of the order statistics lie a little inside.
    assert plot.expected == pytest.approx(plot.readings, abs=0.25)
    assert plot.expected[5:45] == pytest.approx(plot.readings[5:45], abs=0.05)
    assert np.all((plot.low <= plot.readings) & (plot.readings <= plot.high))


def test_the_correlation_tells_a_bent_plot():
    bell = Shape(FAMILIES["normal"], (0.0, 1.0))
    x = bell.quantile((np.arange(200) + 0.5) / 200)

    assert probability_plot(x, bell).correlation > 0.999
    assert probability_plot(np.exp(x), bell).correlation < 0.9


def test_the_band_holds_single_readings_as_often_as_it_says():
    bell = Shape(FAMILIES["normal"], (0.0, 1.0))
    generator = np.random.default_rng(5)
    held = []
    for _ in range(300):
        plot = probability_plot(generator.normal(size=30), bell)
        held.append((plot.low <= plot.readings) & (plot.readings <= plot.high))

    assert np.mean(held, axis=0) == pytest.approx(np.full(30, 0.95), abs=0.06)


def test_no_readings_have_no_scores():
    with pytest.raises(ValueError, match="at least one"):
        normal_scores(0)
