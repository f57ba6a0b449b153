import math

import numpy as np
import pytest

from spc.capability.tolerance import (
    normal_interval,
    one_sided_factor,
    one_sided_factor_approximate,
    order_confidence,
    order_interval,
    order_parts_needed,
    order_rank,
    two_sided_factor,
    two_sided_factor_approximate,
    two_sided_factor_howe,
)


@pytest.mark.parametrize(
    ("n", "k"),
    # Odeh & Owen (1980); ISO 16269-6; one-sided 95/95, values from memory.
    [(5, 4.203), (10, 2.911), (20, 2.396), (30, 2.220), (50, 2.065), (100, 1.927)],
)
def test_one_sided_factors(n, k):
    assert one_sided_factor(n, content=0.95, confidence=0.95) == pytest.approx(k, abs=5e-4)


def test_one_sided_factor_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 7.2.6.3, N 43, 90 % content, 99 % confidence (from memory): 1.8752
    # by approximation; the exact factor is 1.8740.
    assert one_sided_factor_approximate(43, content=0.9, confidence=0.99) == pytest.approx(
        1.8752, abs=5e-5
    )
    assert one_sided_factor(43, content=0.9, confidence=0.99) == pytest.approx(1.8740, abs=5e-5)


@pytest.mark.parametrize(
    ("n", "k"),
    # Bowker (1947) in Eisenhart, Hastay & Wallis; two-sided 95/95, values from memory.
    [(5, 5.079), (10, 3.379), (15, 2.954), (20, 2.752), (30, 2.549), (50, 2.379), (100, 2.233)],
)
def test_two_sided_factors_of_wald_and_wolfowitz(n, k):
    assert two_sided_factor_approximate(n, content=0.95, confidence=0.95) == pytest.approx(
        k, abs=5e-4
    )


@pytest.mark.parametrize(
    ("n", "k"),
    # ISO 16269-6 and Odeh & Owen (1980), exact two-sided 95/95, values from memory.
    [(10, 3.393), (20, 2.760), (30, 2.555), (50, 2.382), (100, 2.234)],
)
def test_two_sided_factors_exact(n, k):
    assert two_sided_factor(n, content=0.95, confidence=0.95) == pytest.approx(k, abs=6e-4)


def test_two_sided_factor_of_howe():
    # NIST/SEMATECH e-Handbook, 7.2.6.3, N 43, 90 % content, 99 % confidence (from memory): 2.217.
    assert two_sided_factor_howe(43, content=0.9, confidence=0.99) == pytest.approx(2.217, abs=5e-4)


@pytest.mark.parametrize(("n", "content", "confidence"), [(8, 0.9, 0.9), (30, 0.99, 0.95)])
def test_factors_hold_what_they_say(n, content, confidence):
    # Brute force: the share of samples whose interval holds the content.
    from scipy.stats import norm

    generator = np.random.default_rng(12)
    mean = generator.standard_normal(200_000) / math.sqrt(n)
    sd = np.sqrt(generator.chisquare(n - 1, 200_000) / (n - 1))
    k = two_sided_factor(n, content=content, confidence=confidence)
    held = norm.cdf(mean + k * sd) - norm.cdf(mean - k * sd) >= content
    assert held.mean() == pytest.approx(confidence, abs=0.003)
    k = one_sided_factor(n, content=content, confidence=confidence)
    assert (norm.cdf(mean + k * sd) >= content).mean() == pytest.approx(confidence, abs=0.003)


def test_parts_for_a_claim_without_any_shape():
    # Wilks (1941), the usual table: 93 parts two-sided and 59 one-sided for 95/95, 473 for 99/95.
    assert order_parts_needed(content=0.95, confidence=0.95) == 93
    assert order_parts_needed(content=0.95, confidence=0.95, sides=1) == 59
    assert order_parts_needed(content=0.99, confidence=0.95) == 473
    assert order_parts_needed(content=0.90, confidence=0.95, sides=1) == 29


def test_the_confidence_of_order_statistics_is_binomial():
    # Closed form for the extremes: 1 - n p^(n-1) + (n-1) p^n.
    n, p = 93, 0.95
    exact = 1 - n * p ** (n - 1) + (n - 1) * p**n

    assert order_confidence(n, content=p) == pytest.approx(exact)
    assert order_confidence(2, content=p, drop=1) == 0.0


def test_intervals_lie_where_the_factors_put_them():
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    k = two_sided_factor(5)

    both = normal_interval(x)
    assert (both.lower, both.upper) == (
        pytest.approx(3 - k * x.std(ddof=1)), pytest.approx(3 + k * x.std(ddof=1)),
    )  # fmt: skip
    assert normal_interval(x, side="lower").upper == math.inf
    assert normal_interval(x, side="upper").lower == -math.inf


def test_order_intervals_move_in_with_more_parts():
    x = np.arange(1000.0)

    assert order_interval(x[:50]) is None
    assert order_interval(x[:93]).lower == 0.0
    assert order_interval(x).lower > 5.0
    assert order_interval(x, side="upper").lower == -math.inf


def test_an_order_statistic_lies_above_a_quantile():
    rank = order_rank(2000, 0.00135, confidence=0.975)

    generator = np.random.default_rng(5)
    above = np.mean(np.sort(generator.uniform(size=(2000, 2000)), axis=1)[:, rank] >= 0.00135)
    assert above >= 0.96
    with pytest.raises(ValueError, match="say nothing"):
        order_rank(50, 0.99865, confidence=0.975)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: one_sided_factor(1), "needs 2"),
        (lambda: two_sided_factor(10, content=1.0), "between 0 and 1"),
        (lambda: normal_interval([1.0, 2.0], side="left"), "use 'both'"),
        (lambda: order_interval([1.0, 2.0], side="left"), "use 'both'"),
    ],
)
def test_what_makes_no_sense_is_refused(call, says):
    with pytest.raises(ValueError, match=says):
        call()
