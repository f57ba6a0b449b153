import numpy as np
import pytest
import statsmodels.api as sm

from spc.charts.neighbours import (
    autocorrelation,
    correlation_test,
    innovations_chart,
    runs_test,
    widened_chart,
)
from spc.charts.shewhart import individuals_chart

approx = pytest.approx


def alike(rng, n, r=0.6):
    new = rng.normal(0, np.sqrt(1 - r**2), n + 200)
    x = np.zeros(n + 200)
    for i in range(1, n + 200):
        x[i] = r * x[i - 1] + new[i]
    return x[200:]


@pytest.mark.parametrize(
    ("name", "certified"),
    # NIST Statistical Reference Datasets, univariate: certified to 15 digits.
    [
        ("strd_pidigits.csv", -0.355099287237972e-02),
        ("strd_lottery.csv", -0.120948622967393),
        ("strd_lew.csv", -0.307304800605679),
    ],
)
def test_autocorrelation_meets_the_certified_one(series, name, certified):
    assert autocorrelation(series(name)) == approx(certified, abs=1e-14)


def test_autocorrelation_of_numbers_that_hardly_differ_meets_the_certified_one():
    # NIST StRD, NumAcc1 and NumAcc2: exactly -0.5 and -0.999.
    assert autocorrelation([10000001, 10000003, 10000002]) == approx(-0.5, abs=1e-14)
    assert autocorrelation([1.2, *[1.1, 1.3] * 500]) == approx(-0.999, abs=1e-12)


def test_autocorrelation_agrees_with_a_general_library_at_any_lag():
    x = alike(np.random.default_rng(1), 300)

    second = sm.tsa.acf(x, nlags=5)
    assert [autocorrelation(x, lag) for lag in range(1, 6)] == approx(second[1:].tolist())


def test_missing_values_leave_the_autocorrelation_near():
    rng = np.random.default_rng(2)
    x = alike(rng, 5000)
    x[rng.integers(0, 5000, 800)] = np.nan

    assert autocorrelation(x) == approx(0.6, abs=0.05)
    assert np.isnan(autocorrelation([1.0, 1.0, 1.0]))
    assert np.isnan(autocorrelation([1.0, np.nan, 2.0]))
    assert np.isnan(autocorrelation([np.nan, np.nan]))


def test_runs_about_the_median_reproduce_the_handbook(series):
    # NIST/SEMATECH e-Handbook, 1.3.5.13, LEW data: Z = 2.6938 (from memory).
    assert runs_test(series("strd_lew.csv")).z == approx(2.6938, abs=5e-5)


def test_runs_need_points_on_both_sides():
    assert np.isnan(runs_test([1.0, 1.0, 1.0]).z)
    assert np.isnan(runs_test([]).z)


def test_chances_of_the_tests_are_level_on_independent_values():
    rng = np.random.default_rng(3)
    drawn = rng.normal(0, 1, (2000, 60))

    for test in (correlation_test, runs_test):
        chances = np.array([test(row).chance for row in drawn])
        # Standard error of a share of 5 % in 2,000: 0.5 %; runs come in whole numbers.
        assert (chances < 0.05).mean() == approx(0.05, abs=0.02)


def test_limits_are_widened_to_the_spread_of_parts_that_resemble_each_other():
    x = alike(np.random.default_rng(4), 4000)

    plain, wide = individuals_chart(x), widened_chart(x)

    assert plain.location.sigma == approx(np.sqrt(0.4), rel=0.05)
    assert wide.location.sigma == approx(1.0, rel=0.06)
    assert plain.location.beyond.mean() > 0.04
    assert wide.location.beyond.mean() < 0.01
    assert wide.spread.upper[-1] == approx(plain.spread.upper[-1])
    assert wide.location.base.count == 4000


def test_what_is_new_in_each_part_is_independent_and_has_its_own_spread():
    x = alike(np.random.default_rng(5), 4000)

    pair = innovations_chart(x, base=(0, 1999))

    new = pair.location.values
    assert np.isnan(new[0])
    assert abs(autocorrelation(new[1:])) < 0.06
    assert pair.location.sigma == approx(0.8, rel=0.06)
    assert pair.location.beyond.mean() == approx(0.0027, abs=0.0035)
    assert pair.location.base.last == 1999


def test_independent_parts_need_no_widening():
    x = np.random.default_rng(6).normal(0, 1, 2000)

    assert widened_chart(x).location.sigma == approx(individuals_chart(x).location.sigma, rel=0.05)
