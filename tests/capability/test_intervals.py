import math

import numpy as np
import pytest

from spc.capability.intervals import (
    bissell_interval,
    cp_interval,
    cpk_interval,
    cpk_lower_bound,
    cpm_interval,
    mean_interval,
    outside_interval,
    sd_interval,
    share_interval,
    side_bounds,
)
from spc.capability.sample_size import cp_test_critical, cp_test_ratio, parts_needed


def test_cp_interval_of_the_published_example():
    # Montgomery, Introduction to SQC, capability chapter, Example 8.4 (7-4), from memory: n 20,
    # s 1.75, limits 38 and 62; 1.57 <= Cp <= 3.01. The source rounds Cp to 2.29 first, which
    # moves the lower bound by 0.003.
    bounds = cp_interval((62 - 38) / (6 * 1.75), df=19)

    assert (bounds.lower, bounds.upper) == (
        pytest.approx(1.57, abs=0.006),
        pytest.approx(3.01, abs=0.005),
    )


def test_chi_square_points_behind_it():
    # The same example prints 8.91 and 32.85.
    bounds = sd_interval(1.0, df=19)

    assert 19 / bounds.upper**2 == pytest.approx(8.91, abs=0.005)
    assert 19 / bounds.lower**2 == pytest.approx(32.85, abs=0.005)


def test_interval_of_a_mean():
    # NIST/SEMATECH e-Handbook, 1.3.5.2, ZARR13 (values from memory).
    bounds = mean_interval(9.26146, 0.02278881, 195)

    assert bounds.lower == pytest.approx(9.258242, abs=1.5e-6)
    assert bounds.upper == pytest.approx(9.264679, abs=1.5e-6)


def test_ratio_of_indices_a_test_tells_apart():
    # Kane (1986), J. Quality Technology 18, 41-52, alpha = beta = 0.10 (values from memory); the
    # table carries rounded chi-square points.
    published = dict(
        zip(
            range(10, 101, 10),
            [1.88, 1.53, 1.41, 1.34, 1.30, 1.27, 1.25, 1.23, 1.21, 1.20],
            strict=True,
        )
    )
    for n, ratio in published.items():
        assert cp_test_ratio(n, alpha=0.1, beta=0.1) == pytest.approx(ratio, abs=0.006)


@pytest.mark.parametrize(
    ("n", "alpha", "ratio"),
    # The same table, second column, for 0.05 and 0.10 (values from memory; rounded points).
    [(10, 0.05, 1.37), (20, 0.05, 1.26), (50, 0.05, 1.16), (10, 0.10, 1.27), (20, 0.10, 1.20)],
)
def test_critical_value_of_a_test_of_cp(n, alpha, ratio):
    assert cp_test_critical(n, alpha=alpha) == pytest.approx(ratio, abs=0.008)


def test_normal_approximation_of_the_interval():
    # Montgomery, Introduction to SQC, capability chapter, Example on n = 20, Cpk = 1.33 (from
    # memory): 0.88 <= Cpk <= 1.78; he rounds the factor to 0.33.
    bounds = bissell_interval(1.33, 20)

    assert (bounds.lower, bounds.upper) == (
        pytest.approx(0.89, abs=0.015),
        pytest.approx(1.77, abs=0.015),
    )


@pytest.mark.parametrize("n", [5, 30, 125, 2000])
@pytest.mark.parametrize("index", [0.0, 0.8, 1.33, 2.0])
def test_one_sided_bound_against_the_noncentral_t_of_scipy(n, index):
    # Second witness: at the bound the estimate is the 95 % point of its own distribution.
    from scipy.stats import nct

    bound = cpk_lower_bound(index, n, confidence=0.95)

    t = 3 * index * math.sqrt(n)
    assert nct.cdf(t, n - 1, 3 * bound * math.sqrt(n)) == pytest.approx(0.95, abs=1e-9)


def test_one_limit_alone_gives_the_exact_interval():
    bounds = cpk_interval(1.0, 2.0, 40, upper=9.0)

    assert bounds.lower == pytest.approx(cpk_lower_bound(8 / 6, 40, confidence=0.975))
    assert bounds.upper == pytest.approx(cpk_lower_bound(8 / 6, 40, confidence=0.025))


def test_a_far_limit_changes_nothing():
    near = cpk_interval(1.0, 2.0, 40, upper=9.0)

    assert cpk_interval(1.0, 2.0, 40, lower=-1000.0, upper=9.0) == near


def test_a_known_level_leaves_the_interval_of_the_spread():
    known = cpk_interval(0.0, 1.0, math.inf, lower=-4.0, upper=4.0, df=49)

    spread = cp_interval(4 / 3, df=49)
    assert (known.lower, known.upper) == (pytest.approx(spread.lower), pytest.approx(spread.upper))


def test_the_interval_does_not_depend_on_the_unit_or_the_origin():
    here = cpk_interval(1.0, 2.0, 40, lower=-9.0, upper=9.0)
    there = cpk_interval(25.001, 0.002, 40, lower=24.991, upper=25.009)

    assert (there.lower, there.upper) == (pytest.approx(here.lower), pytest.approx(here.upper))


def test_bounds_of_a_share():
    # Clopper & Pearson (1934); the rule of three gives 3/n for none seen, one-sided 95 %.
    assert share_interval(0, 300, confidence=0.9).upper == pytest.approx(3 / 300, rel=0.01)
    assert share_interval(300, 300).upper == 1.0
    with pytest.raises(ValueError, match="no share"):
        share_interval(4, 3)


def covered(n, index, middle, *, runs=4000, seed=7):
    """Share of runs whose interval holds the true index; limits at ±3 index ± middle."""
    generator = np.random.default_rng(seed)
    mean = generator.standard_normal(runs) / math.sqrt(n)
    sd = np.sqrt(generator.chisquare(n - 1, runs) / (n - 1))
    reaches = np.stack([(3 * index + 2 * middle + mean) / sd, (3 * index - mean) / sd])
    grid = np.linspace(reaches.min(), reaches.max(), 40)
    ends = []
    for confidence in (0.975, 0.025):
        bound = side_bounds(grid, n, df=n - 1, confidence=confidence)
        ends.append(np.interp(reaches, grid, bound).min(0))
    return float(((ends[0] <= index) & (index <= ends[1])).mean())


@pytest.mark.slow
@pytest.mark.parametrize("n", [30, 50, 125, 500])
@pytest.mark.parametrize("index", [0.8, 1.0, 1.33, 1.67, 2.0])
@pytest.mark.parametrize("middle", [0.0, 0.02, 0.05, 0.1, 0.3, 2.0])
def test_the_interval_covers_as_often_as_it_says(n, index, middle):
    # Simulation; a bound interpolated on a fine grid. Standard error of 40,000 runs: 0.11 %.
    assert covered(n, index, middle, runs=40_000) == pytest.approx(0.95, abs=0.012)


def test_the_interval_covers_about_as_often_as_it_says():
    assert covered(50, 1.33, 0.0) == pytest.approx(0.95, abs=0.015)
    assert covered(50, 1.33, 1.0) == pytest.approx(0.95, abs=0.015)


def test_the_grid_of_the_coverage_test_is_what_the_function_gives():
    bounds = cpk_interval(0.1, 1.1, 50, lower=-4.0, upper=4.0)
    reaches = np.array([4.1, 3.9]) / 1.1

    assert bounds.lower == side_bounds(reaches, 50, df=49, confidence=0.975).min()
    assert bounds.upper == side_bounds(reaches, 50, df=49, confidence=0.025).min()


@pytest.mark.parametrize(
    ("n", "reach", "off"), [(50, 3.0, 0.0), (50, 4.0, 1.0), (125, 3.5, 0.2), (500, 4.0, 0.5)]
)
def test_the_share_outside_is_covered_as_often_as_it_says(n, reach, off):
    generator = np.random.default_rng(11)
    true = 1e6 * (math.erfc((reach + off) / 2**0.5) + math.erfc((reach - off) / 2**0.5)) / 2
    runs, inside = 600, 0
    for _ in range(runs):
        mean = off + generator.standard_normal() / math.sqrt(n)
        sd = math.sqrt(generator.chisquare(n - 1) / (n - 1))
        inside += true in outside_interval(mean, sd, n, lower=-reach, upper=reach)

    # Standard error of 600 runs: 0.9 %.
    assert inside / runs == pytest.approx(0.95, abs=0.027)


def test_cpm_interval_is_that_of_cp_with_one_more_part_on_target():
    assert cpm_interval(1.2, 50) == cp_interval(1.2, df=50)


def test_parts_needed_are_enough_and_not_far_too_many():
    n = parts_needed(1.6, 1.33)

    assert n is not None
    assert bissell_interval(1.6, n).lower >= 1.33 > bissell_interval(1.6, n - 2).lower
    assert parts_needed(1.33, 1.33) is None
