import numpy as np
import pytest
from scipy import stats

from spc import sigma
from spc.charts.limits import Base
from spc.charts.short_run import deviation_chart, self_starting_chart, standardised_chart

approx = pytest.approx


def test_jobs_of_different_nominal_share_one_chart_of_deviations():
    rng = np.random.default_rng(1)
    nominal = np.repeat([25.0, 40.0, 16.0], 20)
    x = nominal + rng.normal(0.002, 0.001, 60)
    x[45] += 0.02

    pair = deviation_chart(x, nominal, job=nominal, base=(0, 39))

    assert pair.location.values == approx(x - nominal)
    assert pair.location.beyond[45]
    assert pair.location.beyond.sum() <= 2
    assert pair.location.sigma == approx(0.001, rel=0.35)


def test_no_range_is_taken_across_a_change_of_job():
    x = [1.0, 2.0, 101.0, 102.0, 100.0]

    pair = deviation_chart(x, 0.0, job=["a", "a", "b", "b", "b"])

    assert np.isnan(pair.spread.values).tolist() == [True, False, True, False, False]
    assert pair.location.sigma == approx((1 + 1 + 2) / 3 / sigma.d2(2))
    without = deviation_chart(x, 0.0, job=["a", "a", "b", "b", "b"], base=Base(0, 4, (3,), ("x",)))
    assert without.location.sigma == approx(1 / sigma.d2(2))


def test_jobs_of_different_spread_are_judged_in_their_own_sigmas():
    rng = np.random.default_rng(2)
    job = np.array(["pin", "seat"] * 40)
    x = np.where(job == "pin", rng.normal(0, 1, 80), rng.normal(5, 4, 80))
    x[70] = 8.0  # a pin: strange; for a seat it would not be

    pair = standardised_chart(x, job, sigma={"pin": 1.0, "seat": 4.0}, center={"pin": 0, "seat": 5})

    assert np.flatnonzero(pair.location.beyond).tolist() == [70]
    assert pair.location.limits.upper == approx(3.0)
    assert pair.location.values[1] == approx((x[1] - 5) / 4)


def test_a_job_without_given_values_has_them_from_its_own_parts_of_the_base():
    job = np.array([7, 7, 7, 7, 8, 8, 8, 8])
    x = np.array([1.0, 3.0, 1.0, 3.0, 50.0, 51.0, 50.0, 99.0])

    pair = standardised_chart(x, job, base=(0, 6), center={8: 50.0})

    assert pair.location.values[:4] == approx(np.array([-1, 1, -1, 1]) / (2 / sigma.d2(2)))
    assert pair.location.values[7] == approx(49 / (1 / sigma.d2(2)))


def test_a_job_without_spread_is_refused():
    with pytest.raises(ValueError, match="job a: sigma 0"):
        standardised_chart([1.0, 1.0], ["a", "a"])
    with pytest.raises(ValueError, match="one of each"):
        standardised_chart([1.0, 1.0], ["a"])


def test_a_self_starting_chart_scores_each_part_by_those_before():
    x = np.random.default_rng(3).normal(24.99, 0.003, 40)

    chart = self_starting_chart(x)

    # C. P. Quesenberry (1991), J. Quality Technology 23, 213-224 (formula from memory), slowly.
    for r in range(3, 41):
        before = x[: r - 1]
        t = np.sqrt((r - 1) / r) * (x[r - 1] - before.mean()) / before.std(ddof=1)
        assert chart.values[r - 1] == approx(stats.norm.ppf(stats.t.cdf(t, r - 2)), abs=1e-7)
    assert np.isnan(chart.values[:2]).all()
    assert (chart.limits.lower, chart.limits.upper) == (-3, 3)


def test_scores_of_a_stable_batch_are_independent_and_standard_normal():
    rng = np.random.default_rng(4)
    batches = rng.normal(5, 2, (4000, 12))
    scores = np.array([self_starting_chart(batch).values for batch in batches])[:, 2:]

    assert stats.kstest(scores.ravel(), "norm").pvalue > 0.01
    assert np.abs(np.corrcoef(scores.T) - np.eye(10)).max() < 4.5 / np.sqrt(4000)


def test_missing_parts_and_tiny_batches_have_no_score():
    assert np.isnan(self_starting_chart([1.0, np.nan]).values).all()
    gappy = self_starting_chart([1.0, np.nan, 2.0, 1.5, 1.6]).values
    assert gappy[[0, 2, 3, 4]] == approx(
        self_starting_chart([1.0, 2.0, 1.5, 1.6]).values, nan_ok=True
    )
    # No spread yet: equal is nothing strange, anything else infinitely so.
    assert self_starting_chart([2.0, 2.0, 2.0]).values[2] == 0
    assert self_starting_chart([2.0, 2.0, 3.0]).beyond[2]
