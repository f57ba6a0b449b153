import math

import numpy as np
import pytest
from scipy.stats import norm

from spc.charts.acceptance import (
    acceptance_chart,
    acceptance_plan,
    group_size,
    modified_limits,
)

approx = pytest.approx


def test_two_risks_ask_for_the_textbook_group():
    # Montgomery, Introduction to Statistical Quality Control, acceptance control charts
    # (from memory): delta = 0.01, alpha = 0.00135, gamma = 0.05, beta = 0.20 give 31.43, that
    # is 32. The source rounds the normal values to 3.00, 0.84, 2.33 and 1.645; exact: 31.78.
    gap = norm.isf(0.01) - norm.isf(0.05)

    assert approx(31.43, abs=0.005) == ((3.00 + 0.84) / (2.33 - 1.645)) ** 2
    assert group_size(gap, sigma=1.0, alpha=0.00135, beta=0.20) == approx(31.43, abs=0.5)
    plan = acceptance_plan(
        upper=5.0, lower=-5.0, sigma=1.0, p_good=0.01, p_bad=0.05, alpha=0.00135, beta=0.20
    )
    assert plan.n == 32


def test_lines_lie_where_the_standard_puts_them():
    # ISO 7870-3 (formulas from memory): APL = U - z(p0) s, RPL = U - z(p1) s,
    # ACL = APL + z(alpha) s / sqrt(n).
    plan = acceptance_plan(
        upper=40.0, lower=0.0, sigma=2.0, p_good=0.001, p_bad=0.02, alpha=0.05, beta=0.05
    )

    upper, lower = plan.upper, plan.lower
    assert upper.good == approx(40 - 3.0902 * 2, abs=1e-4)
    assert upper.bad == approx(40 - 2.0537 * 2, abs=1e-4)
    assert upper.limit == approx(upper.good + 1.6449 * 2 / math.sqrt(plan.n), abs=1e-4)
    assert upper.good < upper.limit < upper.bad < upper.tolerance
    # The lower side is the mirror image about the middle of the tolerance.
    for name in ("good", "limit", "bad"):
        assert getattr(upper, name) + getattr(lower, name) == approx(40.0)
    assert plan.center == approx(20.0)


def test_risks_are_kept_and_the_group_is_the_smallest_that_keeps_them():
    ask = {"upper": 10.0, "sigma": 1.3, "p_good": 0.002, "p_bad": 0.03, "alpha": 0.03}

    plan = acceptance_plan(**ask, beta=0.08)
    fewer = acceptance_plan(**ask, beta=0.08, n=plan.n - 1)

    assert plan.accepts(plan.upper.good) == approx(0.97)
    assert plan.accepts(plan.upper.bad) <= 0.08
    assert plan.upper.beta == approx(plan.accepts(plan.upper.bad))
    assert fewer.accepts(fewer.upper.bad) > 0.08
    # Shares outside the tolerance are the ones asked for.
    assert norm.sf((10 - plan.upper.good) / 1.3) == approx(0.002)
    assert norm.sf((10 - plan.upper.bad) / 1.3) == approx(0.03)


def test_one_share_and_a_group_size_give_the_other_line():
    good = acceptance_plan(lower=-10.0, sigma=1.0, p_good=0.001, alpha=0.05, beta=0.10, n=4)
    bad = acceptance_plan(lower=-10.0, sigma=1.0, p_bad=0.05, alpha=0.05, beta=0.10, n=4)

    assert good.accepts(good.lower.good) == approx(0.95)
    assert good.accepts(good.lower.bad) == approx(0.10)
    assert bad.accepts(bad.lower.bad) == approx(0.10)
    assert bad.accepts(bad.lower.good) == approx(0.95)
    assert good.upper is None


def test_modified_limits_stand_three_errors_outside_the_good_level():
    # D. Hill (1956), Applied Statistics 5, 12-19 (formula from memory).
    limits = modified_limits(upper=12.0, lower=-8.0, sigma=1.5, n=5, p_good=0.00135)

    assert limits.upper == approx(12 - (3 - 3 / math.sqrt(5)) * 1.5, abs=1e-4)
    assert limits.lower == approx(-8 + (3 - 3 / math.sqrt(5)) * 1.5, abs=1e-4)
    assert limits.center == approx(2.0)


def test_a_level_that_wanders_inside_is_accepted_and_small_groups_get_wider_limits():
    plan = acceptance_plan(upper=10.0, lower=-10.0, sigma=1.0, p_good=0.001, p_bad=0.05)
    rng = np.random.default_rng(5)
    groups = [rng.normal(level, 1, n) for level, n in ((-5, 4), (5, 9), (9.9, 9), (0, 2))]
    groups.append([np.nan])

    chart = acceptance_chart(groups, plan)

    assert chart.beyond.tolist() == [False, False, True, False, False]
    assert chart.upper[3] > chart.upper[0] > chart.upper[1]
    assert chart.upper[1] == approx(
        acceptance_plan(upper=10.0, sigma=1.0, p_good=0.001, n=9).upper.limit
    )
    assert list(chart.to_frame()) == ["value", "size", "lower", "upper", "beyond"]


def test_a_one_sided_tolerance_has_no_limit_on_the_other_side():
    plan = acceptance_plan(upper=10.0, sigma=1.0, p_good=0.001, p_bad=0.05)

    chart = acceptance_chart([[-1e9, -1e9]], plan)

    assert chart.lower[0] == -np.inf
    assert not chart.beyond[0]
    assert plan.center == plan.upper.limit


@pytest.mark.parametrize(
    ("wrong", "complaint"),
    [
        ({}, "needs a tolerance"),
        ({"upper": 1.0, "sigma": 0.0}, "above 0"),
        ({"upper": 1.0, "p_good": 0.7}, "between 0 and 0.5"),
        ({"upper": 1.0, "p_good": 0.05, "p_bad": 0.01}, "the smaller"),
        ({"upper": 1.0, "p_good": 0.05}, "group size"),
        ({"upper": 1.0, "n": 4}, "p_good"),
        ({"upper": 1.0, "lower": -1.0, "p_good": 0.001, "p_bad": 0.1}, "too narrow"),
    ],
)
def test_what_cannot_be_planned_is_refused(wrong, complaint):
    with pytest.raises(ValueError, match=complaint):
        acceptance_plan(**{"sigma": 1.0, **wrong})
