import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, special, stats

from spc import sigma

approx = pytest.approx

SIZES = range(2, 26)
PUBLISHED = Path(__file__).parent / "published"


def table(text):
    return [float(word) for word in text.split()]


# --- factors ----------------------------------------------------------------------------------


def test_factors_agree_with_the_tables_of_range_moments_to_ten_digits():
    # H. L. Harter (1960), Ann. Math. Statist. 31, 1122-1147: five decimals, value from memory;
    # further decimals recomputed independently by adaptive quadrature.
    assert [sigma.d2(n) for n in (2, 5, 10, 25)] == approx(
        [1.1283791671, 2.3259289473, 3.0775054617, 3.9306292195], abs=5.1e-11
    )
    assert [sigma.d3(n) for n in (2, 5, 10, 25)] == approx(
        [0.8525024664, 0.8640819411, 0.7970506735, 0.7084407659], abs=5.1e-11
    )


# The factors as printed in ASTM MNL 7 Table 6, ASTM E2587 and ISO 7870-2 Table 2 for n = 2 to 25,
# values from memory. nan: the printed last digit comes from rounded inputs.
PRINTED = {
    "d2": "1.128 1.693 2.059 2.326 2.534 2.704 2.847 2.970 3.078 3.173 3.258 3.336 3.407 3.472 "
    "3.532 3.588 3.640 3.689 3.735 3.778 3.819 3.858 3.895 3.931",
    "d3": "0.853 0.888 0.880 0.864 0.848 0.833 0.820 0.808 0.797 0.787 0.778 0.770 0.763 0.756 "
    "0.750 0.744 0.739 nan 0.729 0.724 0.720 0.716 0.712 0.708",
    "A2": "1.880 1.023 0.729 0.577 0.483 0.419 0.373 0.337 0.308 0.285 0.266 0.249 0.235 0.223 "
    "0.212 0.203 0.194 0.187 0.180 0.173 0.167 0.162 0.157 0.153",
    "A3": "2.659 1.954 1.628 1.427 1.287 1.182 1.099 1.032 0.975 0.927 0.886 0.850 0.817 0.789 "
    "0.763 0.739 0.718 0.698 0.680 0.663 0.647 0.633 0.619 0.606",
    "B4": "3.267 2.568 2.266 2.089 1.970 1.882 1.815 1.761 1.716 1.679 1.646 1.618 1.594 1.572 "
    "1.552 1.534 1.518 1.503 1.490 1.477 1.466 1.455 1.445 1.435",
    "D4": "3.267 nan 2.282 2.114 2.004 1.924 1.864 1.816 1.777 1.744 1.717 1.693 1.672 1.653 "
    "1.637 1.622 nan nan 1.585 1.575 nan 1.557 1.548 1.541",
    "B5": "0 0 0 0 0.029 0.113 0.179 0.232 0.276 0.313 0.346 0.374 0.399 0.421 0.440 0.458 0.475 "
    "0.490 0.504 0.516 0.528 0.539 0.549 0.559",
    "D1": "0 0 0 0 0 nan 0.388 0.547 nan 0.811 nan 1.025 1.118 1.203 1.282 1.356 1.424 nan 1.549 "
    "nan nan nan 1.759 nan",
    "D2": "3.686 4.358 4.698 4.918 nan 5.204 nan nan 5.469 5.535 5.594 5.647 5.696 nan 5.782 5.820 "
    "5.856 nan 5.921 5.951 5.979 6.006 nan 6.056",
    "B3": "0 0 0 0 0.030 0.118 0.185 0.239 0.284 0.321 0.354 0.382 0.406 0.428 0.448 0.466 0.482 "
    "0.497 0.510 0.523 0.534 0.545 0.555 0.565",
    "D3": "0 0 0 0 0 0.076 0.136 0.184 0.223 0.256 0.283 0.307 0.328 0.347 0.363 0.378 0.391 "
    "nan 0.415 0.425 nan 0.443 nan 0.459",
    "E2": "nan 1.772 1.457 1.290 1.184 1.109 1.054 1.010 0.975" + " nan" * 15,
}


@pytest.mark.parametrize("name", PRINTED)
def test_factors_are_those_of_the_printed_tables(name):
    printed = table(PRINTED[name])

    seen = [getattr(sigma, name)(n) for n in SIZES]

    # Half a unit of the third decimal, as printed.
    for n, want, got in zip(SIZES, printed, seen, strict=True):
        assert math.isnan(want) or got == approx(want, abs=5.01e-4), n


def test_c4_is_the_printed_one():
    # ASTM MNL 7 Table 6, four decimals, value from memory.
    assert [sigma.c4(n) for n in (2, 5, 10, 25)] == approx(
        [0.7979, 0.9400, 0.9727, 0.9896], abs=5e-5
    )


@pytest.mark.parametrize("n", [50, 300.5, 301.5, 5000, 10**7])
def test_c4_keeps_its_digits_for_any_size(n):
    # Through the beta function, which keeps them too.
    v = n - 1
    expected = math.sqrt(2 / v) * math.sqrt(math.pi) / special.beta(v / 2, 0.5)

    assert sigma.c4(n) == approx(expected, rel=1e-11)


def test_median_factors_are_the_printed_ones():
    # ISO 8258:1991, median chart, A4 for n = 3 and 5: value from memory.
    assert [sigma.A4(3), sigma.A4(5)] == approx([1.187, 0.691], abs=5e-4)
    # ASTM E2587, median moving range: 0.954 and 3.145, value from memory.
    assert sigma.d4(2) == approx(0.954, abs=5e-4)
    assert 3 / sigma.d4(2) == approx(3.145, abs=5e-4)


def test_the_divisor_of_few_ranges_and_its_degrees_of_freedom_are_the_printed_ones():
    # A. J. Duncan, Table D3, one group of 2 to 10, value from memory; the printed figures
    # drift by 1e-5, degrees of freedom are printed to one decimal and partly cut.
    assert [sigma.d2_star(n) for n in range(2, 11)] == approx(
        [1.41421, 1.91155, 2.23887, 2.48124, 2.67253, 2.82981, 2.96288, 3.07794, 3.17905],
        abs=1.7e-5,
    )
    assert [sigma.range_degrees(n) for n in range(2, 11)] == approx(
        [1.0, 2.0, 2.9, 3.8, 4.7, 5.5, 6.3, 7.0, 7.7], abs=0.08
    )


@pytest.mark.parametrize("n", [2, 7, 40, 500, 100_000])
def test_range_factors_agree_with_adaptive_quadrature(n):
    def tail(x):
        return 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n

    mean, _ = integrate.quad(tail, -12, 12, epsabs=1e-12, limit=400)

    assert sigma.d2(n) == approx(mean, rel=1e-10)


@pytest.mark.parametrize("n", [2, 3, 6, 9])
def test_spread_of_range_and_median_agree_with_simulation(n):
    drawn = np.random.default_rng(n).standard_normal((200_000, n))

    # Standard error of a standard deviation of 200,000 values: 0.16 %.
    assert np.ptp(drawn, axis=1).std() == approx(sigma.d3(n), rel=6e-3)
    assert np.median(drawn, axis=1).std() == approx(sigma.median_error(n), rel=6e-3)
    assert np.median(np.ptp(drawn, axis=1)) == approx(sigma.d4(n), rel=1e-2)


@pytest.mark.parametrize("n", [2, 3, 4, 7, 10, 61, 200])
def test_the_median_has_the_chances_its_spread_comes_from(n):
    # Its variance is the integral of 2 m times the tail on either side.
    variance, _ = integrate.quad(lambda m: 4 * m * sigma.median_cdf(-m, n), 0, 8, epsabs=1e-10)

    assert math.sqrt(variance) == approx(sigma.median_error(n), rel=1e-8)
    assert sigma.median_cdf(0.4, n) == approx(1 - sigma.median_cdf(-0.4, n))


def test_the_median_of_many_approaches_its_large_sample_spread():
    assert sigma.median_error(1001) == approx(math.sqrt(math.pi / 2 / 1001), rel=1e-3)
    assert sigma.median_error(1000) == approx(math.sqrt(math.pi / 2 / 1000), rel=1e-3)


def test_moving_ranges_are_worth_what_simulation_says():
    drawn = np.random.default_rng(4).standard_normal((40_000, 21))
    found = np.abs(np.diff(drawn)).mean(axis=1) / sigma.d2(2)
    variation = found.std() / found.mean()

    # sqrt(1/c4(v+1)^2 - 1) is about 1/sqrt(2 v); its square has standard error 0.7 %.
    expected = math.sqrt(1 / sigma.c4(sigma.moving_range_degrees(21) + 1) ** 2 - 1)
    assert variation == approx(expected, rel=0.02)


@pytest.mark.parametrize("n", [1, 0, 2.5])
def test_a_group_size_that_has_no_range_is_refused(n):
    with pytest.raises(ValueError, match="at least 2"):
        sigma.d2(n)


# --- estimators -------------------------------------------------------------------------------


def test_groups_of_one_size_give_mean_range_and_mean_deviation_over_their_factors():
    drawn = np.random.default_rng(1).normal(5, 2, (30, 4))

    assert sigma.from_ranges(drawn) == approx(np.ptp(drawn, axis=1).mean() / sigma.d2(4))
    assert sigma.from_deviations(drawn) == approx(drawn.std(axis=1, ddof=1).mean() / sigma.c4(4))
    assert sigma.pooled(drawn, unbiased=False) == approx(
        math.sqrt(drawn.var(axis=1, ddof=1).mean())
    )


@pytest.mark.parametrize(
    "estimate",
    [
        sigma.from_ranges,
        lambda groups: sigma.from_ranges(groups, median=True),
        sigma.from_deviations,
        sigma.pooled,
    ],
)
def test_unequal_groups_give_sigma_without_bias(estimate):
    rng = np.random.default_rng(3)
    groups = [rng.normal(0, 2, rng.integers(2, 9)) for _ in range(4_000)]

    # Standard error below 1 % even for groups of two.
    assert estimate(groups) == approx(2, rel=0.03)


def test_a_missing_reading_is_the_same_as_a_shorter_group():
    ragged = [[1.0, 4.0, 2.0], [5.0, 3.0], [2.0]]
    padded = np.array([[1.0, np.nan, 4.0, 2.0], [5.0, 3.0, np.nan, np.nan], [2.0] + [np.nan] * 3])

    for estimate in (sigma.from_ranges, sigma.from_deviations, sigma.pooled):
        assert estimate(ragged) == approx(estimate(padded))
    assert sigma.means(padded) == approx([7 / 3, 4.0, 2.0])
    assert np.isnan(sigma.ranges(padded)[2])


def test_weights_of_unequal_groups_leave_less_variance_than_equal_ones():
    rng = np.random.default_rng(9)
    sizes = [2, 2, 2, 12]
    trials = [[rng.standard_normal(n) for n in sizes] for _ in range(1_500)]

    weighted = [sigma.from_ranges(groups) for groups in trials]
    plain = [
        np.mean([np.ptp(g) / sigma.d2(n) for g, n in zip(groups, sizes, strict=True)])
        for groups in trials
    ]

    assert np.var(weighted) < 0.6 * np.var(plain)


def test_steps_beside_a_missing_value_are_left_out():
    assert sigma.from_moving_range([1.0, 3.0, math.nan, 9.0, 10.0]) == approx(1.5 / sigma.d2(2))


def test_ranges_over_more_neighbours_give_the_same_sigma():
    x = np.random.default_rng(2).normal(0, 2, 4000)
    x[::50] = np.nan

    for span in (2, 3, 5):
        assert sigma.from_moving_range(x, span=span) == approx(2, rel=0.05)
    slow = [np.ptp(x[i : i + 3]) for i in range(3998)]
    assert sigma.from_moving_range(x, span=3) == approx(np.nanmean(slow) / sigma.d2(3))


def test_the_median_step_is_not_moved_by_an_outlier():
    x = np.random.default_rng(5).normal(0, 1, 400)
    x[100] = 1000.0

    assert sigma.from_moving_range(x, median=True) == approx(1, rel=0.1)
    assert sigma.robust(x) == approx(1, rel=0.1)
    assert sigma.from_moving_range(x) > 4


def test_the_robust_estimate_agrees_with_a_general_library():
    x = np.random.default_rng(6).normal(3, 2, 101)

    assert sigma.robust(x) == approx(stats.median_abs_deviation(x, scale="normal"), rel=1e-9)


# NIST Statistical Reference Datasets, univariate; certified values.
@pytest.mark.parametrize(
    ("first", "second", "third", "times", "mean", "sd", "digits"),
    [
        ("10000001", "10000003", "10000002", 1, 10000002, 1, 15),
        ("1.2", "1.1", "1.3", 500, 1.2, 0.1, 13),
        # The certified values are exact; doubles of this size carry 9 and 7 digits of sd.
        ("1000000.2", "1000000.1", "1000000.3", 500, 1000000.2, 0.1, 9),
        ("10000000.2", "10000000.1", "10000000.3", 500, 10000000.2, 0.1, 7),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_certified_means_and_deviations_are_met(first, second, third, times, mean, sd, digits):
    x = [float(first), *[float(second), float(third)] * times]

    assert sigma.mean(x) == approx(mean, rel=1e-15)
    assert sigma.total(x) == approx(sd, rel=10.0**-digits)


@pytest.mark.parametrize(
    ("name", "mean", "sd"),
    # NIST Statistical Reference Datasets, univariate; certified to 15 digits.
    [
        ("pidigits", 4.5348, 2.86733906028871),
        ("lottery", 518.958715596330, 291.699727470969),
        ("lew", -177.435, 277.332168044316),
    ],
)
def test_certified_series_are_met(name, mean, sd):
    with (PUBLISHED / f"strd_{name}.csv").open() as file:
        x = [float(row["value"]) for row in csv.DictReader(file)]

    assert sigma.mean(x) == approx(mean, rel=1e-14)
    assert sigma.total(x) == approx(sd, rel=2e-15)


def test_nothing_to_estimate_from_is_refused():
    for estimate, data in (
        (sigma.from_moving_range, [1.0]),
        (sigma.from_ranges, [[1.0], [2.0]]),
        (sigma.pooled, [[1.0], [2.0]]),
        (sigma.total, [1.0]),
        (sigma.mean, []),
        (sigma.as_groups, []),
    ):
        with pytest.raises(ValueError, match="needed"):
            estimate(data)
