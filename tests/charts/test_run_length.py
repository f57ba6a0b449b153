import math

import numpy as np
import pytest

from spc.charts import chain, groups_run_length, integral, run_length, simulated
from spc.charts.signals import ALL, PATTERNS, Pattern, chosen
from spc.sigma import B5, B6, D1, D2

approx = pytest.approx

DISTANCES = [name for name, pattern in PATTERNS.items() if not pattern.order]
SHIFTS = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.4, 2.6, 2.8, 3.0]


@pytest.mark.parametrize(
    ("patterns", "printed"),
    # C. W. Champ and W. H. Woodall (1987), Technometrics 29, 393-399, table of average run
    # lengths (values from memory), runs of eight. Tolerance: half a digit and the slack of a
    # chain solved in single precision.
    [
        (["beyond"], [370.40, 308.43, 200.08, 119.67, 71.55, 43.89, 27.82]),
        (["beyond", "two_of_three"], [225.44, 177.56, 104.46, 57.92, 33.12, 20.01, 12.81]),
        (["beyond", "one_side"], [152.73, 110.52, 59.76, 33.64, 21.07, 14.58, 10.90]),
        (["beyond", "two_of_three", "one_side"], [122.05, 89.14]),
        (
            ["beyond", "two_of_three", "four_of_five", "one_side"],
            [91.75, 66.80, 36.61, 20.90, 13.25, 9.22, 6.89, 5.42, 4.41, 3.68, 3.13, 2.70, 2.35,
             2.07, 1.85, 1.67],
        ),
    ],
    ids=["beyond", "2 of 3", "8 on a side", "2 of 3, 8", "all four"],
)  # fmt: skip
def test_patterns_together_have_the_published_run_lengths(patterns, printed):
    seen = [run_length.arl(patterns, shift, one_side=8) for shift in SHIFTS[: len(printed)]]

    assert seen == approx(printed, abs=0.007)


def test_a_single_limit_has_the_run_length_of_one_over_its_chance():
    # Montgomery, discussion of average run length, one part a point (from memory).
    printed = {0.0: 370.4, 0.5: 155.2, 1.0: 43.9, 1.5: 15.0, 2.0: 6.3, 3.0: 2.0}
    for shift, length in printed.items():
        found = run_length.of_patterns(["beyond"], shift)
        assert found.mean == approx(length, abs=0.05)
        # Run lengths of independent points are geometric.
        assert found.sd == approx(math.sqrt(found.mean**2 - found.mean))


def test_weighted_means_have_the_published_run_lengths():
    # J. M. Lucas and M. S. Saccucci (1990), Technometrics 32, 1-12, limits that do not grow
    # (values from memory; the source's Markov chain is good to 0.05, its 500 to a unit).
    shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
    for (weight, times), printed in {
        (0.4, 3.054): [500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4],
        (0.25, 2.998): [500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7],
        (0.1, 2.814): [500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2],
    }.items():
        for shift, length in zip(shifts, printed, strict=True):
            seen = run_length.of_ewma(weight, times, shift, growing=False)
            assert seen.mean == approx(length, abs=0.55 if length > 100 else 0.1), (weight, shift)


def test_weighted_means_have_the_run_lengths_of_the_integral_equation():
    # S. V. Crowder (1987), Technometrics 29, 401-407, limits at 3 (values from memory).
    printed = {1.0: 370.4, 0.75: 374.5, 0.5: 397.46, 0.25: 502.9, 0.1: 842.15, 0.05: 1379.3}
    for weight, length in printed.items():
        slack = 0.06 if weight == 0.05 else 0.015
        assert integral.weighted_mean(weight, 3.0) == approx(length, abs=slack)


def test_sums_have_the_published_run_lengths():
    shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
    # Montgomery & Runger, Table 16-9, h = 4, k = 0.5.
    plain = [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]
    # Lucas and Crosier (1982), Technometrics 24, 199-205, head start 2 (values from memory).
    warm = [149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07]
    for shift, length, ahead in zip(shifts, plain, warm, strict=True):
        slack = 0.5 if length > 100 else 0.05 if length > 10 else 0.005
        assert run_length.of_cusum(0.5, 4.0, shift).mean == approx(length, abs=slack)
        slack = 0.503 if ahead > 100 else 0.053 if ahead > 10 else 0.008
        seen = run_length.of_cusum(0.5, 4.0, shift, head_start=2.0)
        assert seen.mean == approx(ahead, abs=slack)
    # NIST/SEMATECH e-Handbook, 6.3.2.3.1: one-sided, h = 5 (from memory).
    assert run_length.of_cusum(0.5, 5.0, sides=1).mean == approx(930, abs=1.0)


def test_limits_for_a_run_length_are_the_published_ones():
    # D. M. Hawkins (1993), J. Quality Technology 25: h for 370 by k (values from memory).
    for k, h in {0.25: 8.01, 0.5: 4.77, 0.75: 3.34, 1.0: 2.52, 1.25: 1.99, 1.5: 1.61}.items():
        assert run_length.cusum_limit(370.0, k) == approx(h, abs=0.011)
    # Lucas and Saccucci (1990), as above.
    assert run_length.ewma_limit(500.0, 0.25, growing=False) == approx(2.998, abs=1.5e-3)


def test_the_usual_charts_cry_wolf_as_often_as_single_points_do():
    assert run_length.of_ewma().mean == approx(370, rel=0.02)
    assert run_length.of_cusum().mean == approx(370, rel=0.01)
    # The reason given for the default pair of patterns.
    assert run_length.in_control().mean == approx(217, abs=0.5)


def test_a_limit_that_cannot_be_reached_is_refused():
    with pytest.raises(ValueError, match="more than 1 point"):
        run_length.cusum_limit(0.5)
    with pytest.raises(ValueError, match="beyond what limits"):
        run_length.ewma_limit(1e40, 0.2, growing=False)


# --- second witnesses -------------------------------------------------------------------------


def test_the_chain_keeps_only_memories_that_matter():
    assert chain.chain(chosen(["beyond"])).states == 1
    # 0 to 8 above, and 1 to 8 below.
    assert chain.chain(chosen(["one_side"])).states == 17


def test_a_run_on_one_side_has_the_run_length_of_coin_tossing():
    # W. Feller, An Introduction to Probability Theory, XIII.7: success runs of r either way
    # take 2**r - 1 tosses (from memory).
    assert run_length.arl(["one_side"], one_side=9) == approx(2**9 - 1)
    assert run_length.arl(["one_side"], one_side=5) == approx(2**5 - 1)


def test_large_chains_are_summed_to_what_solving_gives(monkeypatch):
    for patterns, shift in ((DISTANCES, 0.0), (["beyond", "one_side"], 0.4), (["avoiding"], 0.0)):
        watched = chain.chain(chosen(patterns))
        monkeypatch.setattr(chain, "_DENSE", 10_000)
        solved = watched.moments(shift)
        monkeypatch.setattr(chain, "_DENSE", 0)
        assert watched.moments(shift) == approx(solved, rel=1e-10)


def test_a_signal_too_rare_for_numbers_takes_for_ever(monkeypatch):
    never = Pattern("never", "", "", low=40.0)

    assert run_length.of_patterns([never]).mean == math.inf
    monkeypatch.setattr(chain, "_DENSE", 0)
    assert chain.chain((never,)).moments(0.0) == (math.inf, math.inf)


def test_chances_of_a_false_alarm_agree_with_the_mean():
    survive = chain.chain(chosen(["beyond", "two_of_three"])).survival(0.0, 6000)

    assert survive[0] == 1
    # The mean is the sum of all chances to live on.
    assert survive.sum() == approx(run_length.arl(["beyond", "two_of_three"]), rel=1e-9)
    assert run_length.false_alarm_chance(50, ["beyond"]) == approx(
        1 - (1 - 0.0026997960632601866) ** 50
    )


def test_growing_limits_see_a_bad_start_sooner():
    still = run_length.of_ewma(0.1, 2.814, 1.0, growing=False).mean
    growing = run_length.of_ewma(0.1, 2.814, 1.0).mean

    assert growing < still - 1


def test_orders_are_simulated_with_their_error_and_say_so():
    found = run_length.in_control(["beyond", "climb"])

    assert found.how == "simulation"
    assert not found.exact
    assert 0 < found.error < 0.02 * found.mean
    assert "simulated, 10,000 runs" in found.words
    assert run_length.in_control(["beyond", "climb"]) == found
    assert "exact: Markov chain" in run_length.in_control(["beyond"]).words


def test_a_climb_has_the_run_length_of_random_order():
    # Waiting time for six rising values in a row, by the generating function of orders without
    # such a run: the sum over k of x^(6k)/(6k)! - x^(6k+1)/(6k+1)! is its inverse, and the mean
    # is its value at 1 (F. N. David and D. E. Barton, Combinatorial Chance, 1962, from memory).
    inverse = sum(1 / math.factorial(6 * k) - 1 / math.factorial(6 * k + 1) for k in range(4))
    rising = Pattern("rising", "", "", count=6, among=6, order="climb")
    assert PATTERNS["climb"].among == 6
    length = _rising_only(rising)
    mean, error = simulated.mean_and_error(length)

    assert abs(mean - 1 / inverse) < 3 * error


def _rising_only(pattern):
    from unittest import mock

    from spc.charts import signals

    # Only the rising side, so that the closed form applies.
    one_sided = mock.patch.object(simulated, "completed", lambda z, p: [signals.completed(z, p)[0]])
    with one_sided:
        return simulated.of_patterns((pattern,), runs=4000, seed=5)


@pytest.mark.slow
@pytest.mark.parametrize("shift", [0.0, 0.7])
@pytest.mark.parametrize(
    "patterns",
    [["beyond"], ["beyond", "one_side"], ["two_of_three"], ["four_of_five"], ["hugging"],
     ["avoiding", "beyond"], DISTANCES],
    ids="+".join,
)  # fmt: skip
def test_the_chain_agrees_with_simulation(patterns, shift):
    watched = chosen(patterns)

    length = simulated.of_patterns(watched, shift, runs=8_000, seed=11)
    mean, error = simulated.mean_and_error(length)

    exact = run_length.of_patterns(patterns, shift)
    assert abs(mean - exact.mean) < 3 * error
    assert length.std() == approx(exact.sd, rel=0.06)


@pytest.mark.slow
@pytest.mark.parametrize(("weight", "times"), [(0.1, 2.7), (0.4, 3.0)])
@pytest.mark.parametrize("shift", [0.0, 1.0])
@pytest.mark.parametrize("growing", [True, False])
def test_weighted_means_agree_with_simulation(weight, times, shift, growing):
    def outside(now, number):
        left = (1 - weight) ** (2 * number) if growing else 0.0
        reach = times * math.sqrt(weight / (2 - weight) * (1 - left))
        return np.abs(now[:, 0]) > reach

    length = simulated.of_statistic(
        lambda now, point: weight * point + (1 - weight) * now,
        outside,
        np.zeros(1),
        shift,
        runs=8_000,
        seed=12,
    )
    mean, error = simulated.mean_and_error(length)

    assert abs(mean - run_length.of_ewma(weight, times, shift, growing=growing).mean) < 3 * error


@pytest.mark.slow
@pytest.mark.parametrize(("k", "h", "start"), [(0.5, 4.0, 0.0), (0.5, 4.77, 2.0), (1.0, 2.5, 0.0)])
@pytest.mark.parametrize("shift", [0.0, 0.5])
def test_sums_agree_with_simulation(k, h, start, shift):
    length = simulated.of_statistic(
        lambda now, point: np.maximum(0.0, now + np.hstack([point, -point]) - k),
        lambda now, number: (now > h).any(axis=1),
        np.full(2, start),
        shift,
        runs=8_000,
        seed=13,
    )
    mean, error = simulated.mean_and_error(length)

    assert abs(mean - run_length.of_cusum(k, h, shift, head_start=start).mean) < 3 * error


def test_nothing_to_watch_for_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        run_length.in_control([])
    with pytest.raises(ValueError, match="simulate"):
        chain.chain(chosen(ALL))
    with pytest.raises(ValueError, match="one or two"):
        run_length.of_cusum(sides=3)


def test_patterns_meet_a_trend_in_few_points_by_construction():
    # Medians computed elsewhere for drifting charts (no source): slopes of 0.05, 0.1 and 0.2
    # sigma a point meet the three patterns after 23, 15 and 10 points.
    watched = chosen(["beyond", "one_side", "climb"])

    medians = {
        slope: np.median(simulated.of_patterns(watched, runs=8_000, seed=2, drift=slope))
        for slope in (0.05, 0.1, 0.2)
    }

    assert list(medians.values()) == approx([23, 15, 10], abs=1)
    assert run_length.of_drift(0.1).how == "simulation"


# --- charts of spread -------------------------------------------------------------------------


def test_means_have_the_run_length_of_single_points_at_a_shift_in_their_own_errors():
    # Montgomery, discussion of average run length (from memory): means of five, shift one sigma,
    # chance 0.225 of a point beyond; the source rounds the normal values.
    assert 1 / run_length.arl(["beyond"], math.sqrt(5)) == approx(0.225, abs=0.003)


def test_ranges_and_deviations_cry_wolf_more_often_than_means():
    # For groups of two, s is the range over the square root of two: one and the same chart.
    assert groups_run_length.of_ranges(2).mean == approx(groups_run_length.of_deviations(2).mean)
    # And by closed form: the range of two is normal, with standard deviation root two.
    assert 1 / groups_run_length.of_ranges(2).mean == approx(math.erfc(D2(2) / 2))
    for found in (groups_run_length.of_ranges(5), groups_run_length.of_deviations(5)):
        assert 200 < found.mean < 300
    assert groups_run_length.of_ranges(5, ratio=1.5).mean < 15


def test_medians_of_two_are_means_of_two():
    for shift in (0.0, 0.8):
        mean = run_length.arl(["beyond"], shift * math.sqrt(2))
        assert groups_run_length.of_medians(2, shift).mean == approx(mean, rel=1e-9)


def test_parts_without_their_ranges_are_parts_alone():
    for shift in (0.0, 1.0):
        alone = integral.values_and_ranges(3.0, math.inf, shift)
        assert alone == approx(run_length.arl(["beyond"], shift), rel=1e-7)
    both = run_length.of_parts_and_ranges()
    assert both.mean < integral.values_and_ranges(math.inf, D2(2)) < 370


@pytest.mark.slow
@pytest.mark.parametrize("shift", [0.0, 1.0])
@pytest.mark.parametrize("limit", [3.0, math.inf], ids=["both", "ranges"])
def test_parts_and_ranges_agree_with_simulation(shift, limit):
    def step(now, point):
        return np.hstack([point, np.nan_to_num(np.abs(point - now[:, :1]))])

    length = simulated.of_statistic(
        step,
        lambda now, number: (np.abs(now[:, 0]) > limit) | (now[:, 1] > D2(2)),
        np.array([np.nan, 0.0]),
        shift,
        runs=20_000,
        seed=14,
    )
    mean, error = simulated.mean_and_error(length)

    assert abs(mean - integral.values_and_ranges(limit, D2(2), shift)) < 3 * error


@pytest.mark.slow
@pytest.mark.parametrize("n", [3, 8])
def test_charts_of_spread_and_medians_agree_with_simulation(n):
    drawn = np.random.default_rng(n).standard_normal((400_000, n))

    for seen, found in (
        (
            (np.ptp(drawn, axis=1) > D2(n)) | (np.ptp(drawn, axis=1) < D1(n)),
            groups_run_length.of_ranges(n),
        ),
        (
            (drawn.std(axis=1, ddof=1) > B6(n)) | (drawn.std(axis=1, ddof=1) < B5(n)),
            groups_run_length.of_deviations(n),
        ),
    ):
        share = 1 / found.mean
        assert abs(seen.mean() - share) < 3 * math.sqrt(share / 400_000)
