import numpy as np
import pytest
import statsmodels.api as sm

from spc.charts.limits import Base, FrozenLimits
from spc.charts.trended import cycles_chart, sloping_chart
from spc.errors import NotEnough

approx = pytest.approx

# The share outside three standard errors of a normal value.
OUTSIDE = 0.0026997960632601866


def wear(rng, cycles=6, parts=40, slope=0.15, slope_sd=0.0, sd=0.6, level_sd=1.5):
    cycle = np.repeat(np.arange(cycles), parts)
    since = np.tile(np.arange(1, parts + 1), cycles)
    slopes = rng.normal(slope, slope_sd, cycles)[cycle]
    levels = rng.normal(0, level_sd, cycles)[cycle]
    return cycle, since, levels + slopes * since + rng.normal(0, sd, len(cycle))


def test_the_line_meets_the_certified_one(pairs):
    # NIST StRD, linear regression, Norris: certified values to 15 digits.
    x, y = pairs("strd_norris.csv")

    chart = sloping_chart(x, y)

    assert chart.intercept == approx(-0.262323073774029, abs=1e-12)
    assert chart.slope == approx(1.00211681802045, abs=1e-12)
    assert chart.intercept_error == approx(0.232818234301152, abs=1e-12)
    assert chart.slope_error == approx(0.429796848199937e-03, abs=1e-14)
    assert chart.sigma == approx(0.884796396144373, abs=1e-12)
    assert chart.r_squared == approx(0.999993745883712, abs=1e-12)


def test_limits_are_the_prediction_limits_of_a_general_library():
    rng = np.random.default_rng(7)
    since = np.arange(1, 31)
    y = 2 + 0.2 * since + rng.normal(0, 0.5, 30)

    chart = sloping_chart(since, y, base=(0, 14))

    fit = sm.OLS(y[:15], sm.add_constant(since[:15])).fit()
    ahead = fit.get_prediction(sm.add_constant(since)).conf_int(obs=True, alpha=OUTSIDE)
    assert chart.lower == approx(ahead[:, 0])
    assert chart.upper == approx(ahead[:, 1])
    assert chart.slope_interval == approx(tuple(fit.conf_int()[1]))
    assert chart.base.count == 15


def test_limits_widen_away_from_the_parts_that_drew_the_line():
    since = np.arange(60)
    y = np.random.default_rng(1).normal(0, 1, 60)

    chart = sloping_chart(since, y, base=(0, 19))
    width = chart.upper - chart.lower

    assert (np.diff(width[10:]) > 0).all()
    assert width[59] > 1.5 * width[10]


def test_drift_alone_is_no_signal_and_a_jump_is():
    cycle, since, y = wear(np.random.default_rng(5), slope=0.3)
    y[130] += 5

    chart = cycles_chart(cycle, since, y)

    assert np.flatnonzero(chart.beyond).tolist() == [130]
    assert chart.slope == approx(0.3, abs=0.01)
    assert chart.sigma == approx(0.6, rel=0.2)


def test_a_part_that_is_missing_or_excluded_draws_no_line():
    since, y = np.arange(1.0, 9), np.arange(1.0, 9) * 2
    y[3], y[5] = np.nan, 400.0

    chart = sloping_chart(since, y, base=Base(0, 7, (5,), ("wrong part measured",)))

    assert (chart.slope, chart.intercept) == approx((2, 0), abs=1e-12)
    assert np.flatnonzero(chart.beyond).tolist() == [5]


@pytest.mark.parametrize(("since", "y"), [([1, 2], [1.0, 2.0]), ([4, 4, 4], [1.0, 2.0, 3.0])])
def test_too_few_parts_for_a_line_are_refused(since, y):
    with pytest.raises(NotEnough, match="a line needs three"):
        sloping_chart(since, y)


def test_one_cycle_alone_has_the_line_of_the_sloping_chart():
    rng = np.random.default_rng(11)
    since = np.arange(1, 21)
    y = 3 - 0.1 * since + rng.normal(0, 0.4, 20)

    one, many = sloping_chart(since, y), cycles_chart(np.zeros(20, int), since, y)

    assert many.center == approx(one.center)
    assert many.upper == approx(one.upper)
    assert many.sigma == approx(one.sigma)


def test_short_cycles_borrow_the_common_slope_and_long_ones_keep_their_own():
    rng = np.random.default_rng(3)
    cycle, since, y = wear(rng, cycles=10, parts=60, slope=0.2, slope_sd=0.08, sd=0.5)
    cycle = np.concatenate([cycle, [10, 10]])
    since = np.concatenate([since, [1, 2]])
    y = np.concatenate([y, [0.0, 2.0]])

    chart = cycles_chart(cycle, since, y)

    own = np.polyfit(since[cycle == 0], y[cycle == 0], 1)[0]
    assert chart.slopes[0] == approx(own, abs=0.003)
    # The two parts alone would say 2 µm a part.
    assert chart.slopes[10] == approx(chart.slope, abs=0.1)
    assert chart.slope_spread == approx(np.std(chart.slopes[:10], ddof=1), rel=0.1)
    assert chart.center[-2:].mean() == approx(1.0)


def test_slopes_that_differ_by_chance_only_become_one():
    cycle, since, y = wear(np.random.default_rng(2), cycles=12, parts=15, slope_sd=0)

    chart = cycles_chart(cycle, since, y)

    own = [np.polyfit(since[cycle == c], y[cycle == c], 1)[0] for c in range(12)]
    assert np.std(chart.slopes) < 0.35 * np.std(own)


def test_a_single_part_after_a_dress_is_shown_within_wide_limits():
    cycle, since, y = wear(np.random.default_rng(6), cycles=3, parts=12)
    cycle, since, y = np.append(cycle, 3), np.append(since, 1), np.append(y, 40.0)

    chart = cycles_chart(cycle, since, y)

    assert not chart.beyond[-1]
    assert chart.upper[-1] - chart.center[-1] > 3 * chart.sigma * np.sqrt(2)


def test_sigma_of_all_cycles_comes_from_the_base_span():
    rng = np.random.default_rng(10)
    cycle, since, y = wear(rng, cycles=4, parts=30, sd=0.5)
    y[60:] += rng.normal(0, 3, 60)

    chart = cycles_chart(cycle, since, y, base=(0, 59))

    assert chart.sigma == approx(0.5, rel=0.25)
    assert not chart.beyond[:60].any()
    assert chart.beyond[60:].sum() > 10
    assert chart.degrees == 56


def test_frozen_sigma_and_slope_judge_a_short_cycle_of_a_later_run():
    kept = FrozenLimits(center=0.0, sigma=0.5, slope=0.2)
    since = np.arange(1, 6)

    chart = cycles_chart(np.zeros(5, int), since, 0.2 * since + [0, 0, 0, 0, 9], frozen=kept)

    assert chart.slopes[0] == approx(0.2)
    assert chart.beyond.tolist() == [False, False, False, False, True]
    assert chart.base is None


def test_a_base_in_which_no_spread_can_be_seen_is_refused():
    with pytest.raises(NotEnough, match="dress cycle of three"):
        cycles_chart([0, 0, 1], [1, 2, 1], [0.0, 1.0, 5.0])
    with pytest.raises(NotEnough, match="no dress cycle has two"):
        cycles_chart([0, 1, 2], [1, 1, 1], [0.0, 1.0, 5.0])
    with pytest.raises(ValueError, match="one of each"):
        cycles_chart([0, 1], [1, 1], [0.0])


@pytest.mark.slow
def test_stable_cycles_cry_wolf_no_more_often_than_limits_promise():
    rng = np.random.default_rng(21)
    beyond = points = 0
    for _ in range(300):
        cycle, since, y = wear(rng, cycles=8, parts=25, slope_sd=0.03)
        chart = cycles_chart(cycle, since, y)
        beyond, points = beyond + int(chart.beyond.sum()), points + len(y)
    error = np.sqrt(OUTSIDE / points)

    # Parts that drew their own line sit a little inside the limits of one further part.
    assert 0.4 * OUTSIDE < beyond / points < OUTSIDE + 3 * error


@pytest.mark.slow
def test_a_part_after_the_base_cries_wolf_exactly_as_often_as_said():
    rng = np.random.default_rng(22)
    since = np.arange(1, 17)
    trials = 20_000

    seen = sum(
        bool(sloping_chart(since, 0.2 * since + rng.normal(0, 1, 16), base=(0, 11)).beyond[-1])
        for _ in range(trials)
    )

    assert abs(seen / trials - OUTSIDE) < 3 * np.sqrt(OUTSIDE / trials)


def test_points_set_apart_draw_no_line_but_count_for_sigma():
    x = np.arange(1.0, 21.0)
    y = np.random.default_rng(9).normal(0, 1, 20) + 30.0 * (x > 12)

    chart = cycles_chart(np.zeros(20), x, y, base=(0, 11), apart=range(12, 20))
    first = cycles_chart(np.zeros(12), x[:12], y[:12])
    reversed_ = cycles_chart(np.zeros(20), x, y, base=(0, 11), apart=range(12))

    assert chart.center[:12] == pytest.approx(first.center)
    assert chart.sigma == reversed_.sigma == pytest.approx(first.sigma)
    assert reversed_.center[12:].mean() == pytest.approx(y[12:].mean())


def test_values_exactly_on_their_line_are_no_signal_and_a_digit_off_is():
    since = np.arange(1.0, 33.0)
    y = np.round(0.1 * since + 5.9, 1)

    assert not cycles_chart(np.zeros(32), since, y, base=(0, 19)).beyond.any()
    y[25] += 0.1
    assert np.flatnonzero(cycles_chart(np.zeros(32), since, y, base=(0, 19)).beyond).tolist() == [
        25
    ]
