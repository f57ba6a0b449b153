import numpy as np
import pytest
from scipy import stats

from spc.charts.doubts import (
    anderson_darling,
    doubts,
    rounding_inflation,
    sigma_interval,
    step_of,
)
from spc.charts.limits import FrozenLimits
from spc.charts.shewhart import averages_range_chart, individuals_chart
from spc.charts.trended import cycles_chart, sloping_chart

approx = pytest.approx


def about(chart, **given):
    return {doubt.about: doubt for doubt in doubts(chart, **given)}


def single(x, **given):
    return individuals_chart(x, **given).location


def test_nothing_speaks_against_a_long_stable_normal_run():
    assert doubts(single(np.random.default_rng(1).normal(5, 1, 300))) == ()


def test_neighbours_alike_are_seen_and_told_how_narrow_limits_are():
    rng = np.random.default_rng(2)
    x = np.zeros(400)
    for i in range(1, 400):
        x[i] = 0.6 * x[i - 1] + rng.normal()

    found = about(single(x))

    assert set(found) == {"neighbours"}
    assert found["neighbours"].misleads
    assert found["neighbours"].size == approx(0.6, abs=0.1)
    assert "too narrow" in found["neighbours"].says


def test_steps_of_two_sigma_mislead_and_of_one_only_coarsen():
    x = np.random.default_rng(3).normal(0, 1, 200)

    fine, coarse, wild = (about(single(np.round(x / step) * step)) for step in (0.1, 1.1, 3.0))

    assert "steps" not in fine
    assert not coarse["steps"].misleads
    assert wild["steps"].misleads
    assert "limits mislead" in wild["steps"].says
    # A step that is known counts although no two readings happen to be so close.
    assert about(single(x), step=2.5)["steps"].misleads


def test_rounding_enlarges_spread_as_computed():
    x = np.random.default_rng(4).normal(0, 1, 400_000)

    for step in (0.5, 1.0, 1.5):
        # Standard error of a standard deviation of 400,000 values: 0.1 %.
        assert np.round(x / step).std() * step == approx(rounding_inflation(step, 1.0), rel=5e-3)


def test_the_step_of_readings_is_found():
    assert step_of([24.9985, 25.0, 24.9995, np.nan]) == approx(0.0005)
    assert step_of([1.0, 1.0]) == 0.0
    assert step_of([0.1 + 0.2, 0.3, 0.4]) == approx(0.1)


def test_a_skew_process_is_not_normal_and_says_which_way():
    found = about(single(np.random.default_rng(5).exponential(2.0, 200)))

    assert found["shape"].says.startswith("values are not normal")
    assert "skewness" in found["shape"].says
    assert not found["shape"].misleads


def test_a_drift_belongs_on_another_chart():
    x = 0.1 * np.arange(120) + np.random.default_rng(6).normal(0, 1, 120)

    found = about(single(x))

    assert found["drift"].misleads
    assert found["drift"].size == approx(0.1, rel=0.2)
    assert "within some 16 points" in found["drift"].says
    assert "neighbours" not in found  # the drift explains them


def test_about_its_wear_line_a_drift_is_no_doubt():
    since = np.tile(np.arange(1, 41), 5)
    cycle = np.repeat(np.arange(5), 40)
    y = 0.2 * since + np.random.default_rng(7).normal(0, 1, 200)

    assert about(single(y)).keys() >= {"drift"} or about(single(y)).keys() >= {"neighbours"}
    assert about(cycles_chart(cycle, since, y)) == {}


def test_few_points_leave_sigma_open():
    x = np.random.default_rng(8).normal(0, 1, 60)

    found = about(single(x, base=(0, 11)))["few"]

    assert "12 points" in found.says
    assert about(single(x)) == {}
    assert about(single(x, frozen=FrozenLimits(center=0.0, sigma=1.0))) == {}
    groups = averages_range_chart(np.random.default_rng(9).normal(0, 1, (40, 5)), base=(0, 11))
    # Twelve groups of five know sigma better than twelve single parts.
    assert _width(about(groups.location)["few"]) < 0.6 * _width(found)
    line = sloping_chart(np.arange(12), x[:12])
    assert "12 points" in about(line)["few"].says


def _width(doubt):
    low, high = (float(word) for word in doubt.says.split("from ")[1].split(" (")[0].split(" to "))
    return high / low


def test_the_interval_of_sigma_is_that_of_chi_square():
    low, high = sigma_interval(2.0, 19)

    # Montgomery, Example 8.4: chi-square 8.91 and 32.85 for 19 degrees of freedom (from memory).
    assert (2 / low) ** 2 * 19 == approx(32.85, abs=0.005)
    assert (2 / high) ** 2 * 19 == approx(8.91, abs=0.005)


def test_the_shape_test_reproduces_the_leghorn_chicks(series):
    # D'Agostino and Stephens (1986), chapter 4, weights of 20 chicks (from memory): 0.214.
    a2, chance = anderson_darling(series("chicks.csv"))

    assert a2 == approx(0.214, abs=5e-4)
    assert chance > 0.5


def test_the_shape_test_has_the_published_tail():
    # As above, Table 4.7: percentage points 0.631, 0.752, 0.873 and 1.035 of the modified
    # statistic belong to 10, 5, 2.5 and 1 % (from memory; the formula fits to 0.5 %).
    from spc.charts.doubts import _tail

    assert [_tail(a) for a in (0.631, 0.752, 0.873, 1.035)] == approx(
        [0.10, 0.05, 0.025, 0.01], abs=5e-4
    )


def test_the_shape_statistic_agrees_with_a_general_library():
    x = np.random.default_rng(10).normal(3, 2, 77)

    second = stats.anderson(x, "norm", method="interpolate").statistic
    assert anderson_darling(x)[0] == approx(second)


def test_too_little_or_constant_data_raise_no_question_of_shape():
    assert np.isnan(anderson_darling([1.0, 2.0])[0])
    assert np.isnan(anderson_darling([1.0] * 20)[1])
    assert doubts(single([2.0] * 40)) == ()


@pytest.mark.slow
def test_a_good_run_is_seldom_doubted():
    rng = np.random.default_rng(11)

    raised = sum(bool(doubts(single(rng.normal(0, 1, 80)))) for _ in range(3_000))

    # Three questions at 2 in 1,000 each: 18 expected; standard error about 4.
    assert raised < 18 + 4 * 4.3


def test_a_base_on_one_step_is_doubted_in_words():
    chart = individuals_chart([0.0] * 30 + [0.1, 0.0, 0.1], base=(0, 29)).location

    (steps,) = (doubt for doubt in doubts(chart) if doubt.about == "steps")

    assert steps.misleads
    assert "sigma is 0" in steps.says
    assert "inf" not in steps.says
