import numpy as np
import pandas as pd
import pytest

from spc.charts.ewma import ewma_chart, smoothed
from spc.charts.limits import FrozenLimits
from spc.charts.shewhart import individuals
from spc.charts.signals import watch

approx = pytest.approx


def test_weighted_means_reproduce_the_handbook(series):
    # NIST/SEMATECH e-Handbook, 6.3.2.4 (values from memory): limits 47.4115 and 52.5884,
    # factor 0.4201; the lower limit is printed 1e-4 low.
    chart = ewma_chart(series("nist_6324.csv"), weight=0.3, times=3.0, center=50.0, sigma=2.0539)

    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    assert chart.values == approx(printed, abs=0.005)
    assert chart.limits.upper == approx(52.5884, abs=1.5e-4)
    assert chart.limits.lower == approx(47.4115, abs=2.5e-4)
    assert (chart.limits.upper - 50) / (3 * 2.0539) == approx(0.4201, abs=5e-5)
    assert not chart.beyond.any()


def test_weighted_means_reproduce_the_textbook(series):
    # Montgomery, Introduction to Statistical Quality Control, Example 9.2 (values from memory):
    # limits end at 9.38 and 10.62, begin at 9.73 and 10.27, then 9.64 and 10.36.
    chart = ewma_chart(series("montgomery30.csv"), weight=0.1, times=2.7, center=10.0, sigma=1.0)

    assert chart.values[[0, 1, 3, 9, 27, 28, 29]] == approx(
        [9.945, 9.7495, 9.8992, 10.0232, 10.5731, 10.6468, 10.6341], abs=5.01e-5
    )
    assert chart.upper[[0, 1, 29]] == approx([10.27, 10.36, 10.62], abs=0.005)
    assert chart.lower[[0, 1, 29]] == approx([9.73, 9.64, 9.38], abs=0.005)
    # By full precision observation 29 is the first outside.
    assert np.flatnonzero(chart.beyond).tolist() == [28, 29]
    assert [signal.first for signal in watch(chart.z, ["beyond"])] == [28, 29]


@pytest.mark.parametrize(
    ("weight", "printed", "slack"),
    # Closed form b (1 - weight) / weight of Brown (1963), from memory.
    [(0.1, 9.0, 1e-6), (0.2, 4.0, 1e-6), (0.3, 2.333, 5e-4), (0.4, 1.5, 1e-6)],
)
def test_a_weighted_mean_lags_behind_a_drift(weight, printed, slack):
    ramp = np.arange(2000.0)

    assert ramp[-1] - smoothed(ramp, weight, start=0.0)[-1] == approx(printed, abs=slack)


def test_weighted_means_agree_with_a_general_library():
    x = np.random.default_rng(1).normal(5, 2, 500)

    second = pd.Series(np.concatenate([[4.0], x])).ewm(alpha=0.15, adjust=False).mean()
    assert smoothed(x, 0.15, start=4.0) == approx(second.to_numpy()[1:])


@pytest.mark.parametrize("weight", [0.003, 0.2, 0.6, 0.999, 1.0])
def test_fast_weighted_means_are_those_formed_one_by_one(weight):
    x = np.random.default_rng(2).normal(1e4, 1, 30_000)

    expected, now = [], 9.9e3
    for value in x:
        now = weight * value + (1 - weight) * now
        expected.append(now)
    assert np.abs(smoothed(x, weight, start=9.9e3) / expected - 1).max() < 1e-13
    assert smoothed([], weight, start=1.0).shape == (0,)


def test_limits_are_the_exact_standard_error_of_the_weighted_mean():
    rng = np.random.default_rng(3)
    drawn = rng.normal(0, 1, (20_000, 12))
    means = np.array([smoothed(row, 0.2, start=0.0) for row in drawn])

    chart = ewma_chart(np.zeros(12), weight=0.2, times=1.0, center=0.0, sigma=1.0)

    # Standard error of a standard deviation of 20,000 values: 0.5 %.
    assert chart.upper == approx(means.std(axis=0), rel=0.02)


@pytest.mark.parametrize("weight", [0.02, 0.2, 0.7, 1.0])
def test_growing_limits_end_where_the_formula_says_and_last_any_length(weight):
    chart = ewma_chart(np.zeros(5000), weight=weight, times=3.0, center=0.0, sigma=2.0)
    t = np.arange(1, 5001)

    expected = 6 * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2.0 * t)))
    assert chart.upper == approx(expected, rel=1e-12)


def test_a_missing_part_leaves_mean_and_limits_as_they_were():
    x = np.array([np.nan, 52.0, np.nan, np.nan, 47.0])

    gappy = ewma_chart(x, center=50.0, sigma=2.0)
    whole = ewma_chart(x[[1, 4]], center=50.0, sigma=2.0)

    assert gappy.values[[1, 4]] == approx(whole.values)
    assert gappy.upper[[1, 4]] == approx(whole.upper)
    assert np.isnan(gappy.values[[0, 2, 3]]).all()
    many = np.r_[np.full(500, np.nan), np.zeros(300)]
    assert ewma_chart(many, center=0.0, sigma=1.0, weight=0.3).upper[500] == approx(
        2.86 * 0.3, rel=1e-12
    )


def test_level_and_spread_come_from_the_base_or_from_frozen_limits():
    x = np.random.default_rng(2).normal(4, 1, 60)

    of_base = ewma_chart(x, base=(0, 29))
    frozen = ewma_chart(x, frozen=FrozenLimits(center=1.0, sigma=2.0))

    first = individuals(x[:30])
    assert of_base.center[0] == approx(first.center)
    assert of_base.sigma == approx((first.upper - first.center) / 3)
    assert (frozen.center[0], frozen.sigma, frozen.base) == (1.0, 2.0, None)


def test_means_of_several_parts_have_limits_of_means():
    single = ewma_chart(np.zeros(3), center=0.0, sigma=1.0)
    means = ewma_chart(np.zeros(3), center=0.0, sigma=1.0, size=4)

    assert means.upper == approx(single.upper / 2)


@pytest.mark.parametrize("weight", [0.0, 1.2, -0.1])
def test_a_weight_that_is_none_is_refused(weight):
    with pytest.raises(ValueError, match="up to 1"):
        ewma_chart([1.0, 2.0], weight=weight)
