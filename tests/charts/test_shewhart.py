import numpy as np
import pytest

from spc import sigma
from spc.charts.limits import Base, FrozenLimits, base_of, joined
from spc.charts.shewhart import (
    averages_range_chart,
    averages_s_chart,
    individuals,
    individuals_chart,
    medians_chart,
)

approx = pytest.approx


def out(chart):
    """Numbers of the points beyond a limit, the first being 1, as books count."""
    return [int(place) + 1 for place in np.flatnonzero(chart.beyond)]


def without(count, *numbers):
    left_out = tuple(number - 1 for number in numbers)
    return Base(0, count - 1, left_out, ("assignable cause found",) * len(left_out))


# --- single parts -----------------------------------------------------------------------------


def test_individuals_reproduces_the_handbook_flow_rates(series):
    # NIST/SEMATECH e-Handbook, 6.3.2.2 (values from memory): mean 50.81, mean moving range
    # 1.8778, limits 45.8159 and 55.8041. The handbook rounds d2 to 1.128, which moves its
    # limits by 0.0017.
    flow = series("nist_6322.csv")

    limits = individuals(flow)

    assert limits.center == approx(50.81)
    assert sigma.moving_ranges(flow).mean() == approx(1.8778, abs=5e-5)
    assert (limits.lower, limits.upper) == approx((45.8159, 55.8041), abs=0.00185)


@pytest.mark.parametrize(
    ("name", "printed", "slack"),
    [
        # Montgomery, Introduction to Statistical Quality Control, Example 5-5 (from memory):
        # mean 33.52, mean range 0.48, limits 32.24 and 34.80, range limit 1.57.
        ("viscosity.csv", (33.52, 32.24, 34.80, 1.57), (0.005, 0.006, 0.006, 0.005)),
        # Montgomery & Runger, Applied Statistics, Table 16-3 (limits from memory): mean 99.1,
        # limits 92.21 and 105.99, range limit 8.46. The mean is rounded before the limits.
        ("concentration.csv", (99.1, 92.21, 105.99, 8.46), (0.05, 0.015, 0.021, 0.005)),
    ],
)
def test_individuals_and_moving_ranges_reproduce_the_textbooks(series, name, printed, slack):
    pair = individuals_chart(series(name))

    seen = (*_three(pair.location), pair.spread.limits.upper)
    for got, want, allowed in zip(seen, printed, slack, strict=True):
        assert got == approx(want, abs=allowed)


def _three(chart):
    return chart.limits.center, chart.limits.lower, chart.limits.upper


def test_a_chart_of_parts_has_a_point_for_each_and_ranges_from_the_second():
    pair = individuals_chart([1.0, 3.0, np.nan, 4.0, 5.0])

    assert pair.location.values.tolist()[:2] == [1.0, 3.0]
    assert np.isnan(pair.spread.values).tolist() == [True, False, True, True, False]
    assert not pair.location.beyond.any()
    assert pair.location.sigma == approx(1.5 / sigma.d2(2))


def test_limits_come_from_the_base_span_and_stay():
    rng = np.random.default_rng(2)
    x = np.concatenate([rng.normal(0, 1, 40), rng.normal(8, 1, 10)])

    pair = individuals_chart(x, base=(0, 39))

    assert pair.location.limits == individuals(x[:40])
    assert pair.location.beyond[40:].all()
    assert pair.location.base.count == 40


def test_ranges_that_touch_an_excluded_point_do_not_enter_the_limits():
    x = [1.0, 2.0, 50.0, 2.0, 3.0]

    pair = individuals_chart(x, base=Base(0, 4, (2,), ("part dropped on the floor",)))

    assert pair.location.sigma == approx(1 / sigma.d2(2))
    assert pair.location.limits.center == 2.0
    assert pair.location.base.count == 4
    assert out(pair.location) == [3]


def test_frozen_limits_judge_a_later_run_and_travel_as_plain_text_and_numbers():
    first = individuals_chart(np.random.default_rng(0).normal(5, 1, 50))
    kept = first.freeze(who="KL", when="2026-02-03", why="after new diamond")

    later = individuals_chart([5.0, 20.0], frozen=FrozenLimits.from_dict(kept.to_dict()))

    assert later.location.limits == first.location.limits
    assert later.location.base is None
    assert out(later.location) == [2]
    assert (kept.count, kept.why) == (50, "after new diamond")


def test_shifting_and_stretching_the_data_does_the_same_to_the_limits():
    x = np.random.default_rng(8).normal(0, 1, 30)

    plain, moved = individuals(x), individuals(25 + 3 * x)

    assert moved.center == approx(25 + 3 * plain.center)
    assert moved.upper == approx(25 + 3 * plain.upper)


def test_a_run_without_spread_puts_every_other_part_beyond():
    pair = individuals_chart([2.0, 2.0, 2.0, 3.0], base=(0, 2))

    assert pair.location.z.tolist() == [0.0, 0.0, 0.0, np.inf]
    assert out(pair.location) == [4]


# --- groups -----------------------------------------------------------------------------------


def test_piston_rings_reproduce_the_textbook(groups):
    # Montgomery, Introduction to Statistical Quality Control, 6th ed., Table 6.3 (from memory).
    # The source rounds the mean range to 0.023 before limits and sigma; slack covers that.
    rings = groups("piston_phase1.csv")

    pair = averages_range_chart(rings)

    assert pair.location.limits.center == approx(74.001, abs=0.0005)
    assert pair.spread.limits.center == approx(0.023, abs=0.0005)
    assert pair.location.limits.upper == approx(74.014, abs=0.0011)
    assert pair.location.limits.lower == approx(73.988, abs=0.0011)
    assert pair.spread.limits.upper == approx(0.049, abs=0.0005)
    assert pair.spread.limits.lower == 0
    assert pair.location.sigma == approx(0.0099, abs=0.00015)
    assert pair.location.values[[0, 5, 17]] == approx([74.010, 73.996, 74.007], abs=0.0005)
    assert not pair.location.beyond.any()
    assert not pair.spread.beyond.any()


def test_limits_frozen_on_piston_rings_find_the_later_shift(groups):
    # As above, Table 6.4: groups 37, 38 and 39 lie outside the limits of the first 25.
    both = np.vstack([groups("piston_phase1.csv"), groups("piston_phase2.csv")])

    pair = averages_range_chart(both, base=(0, 24))

    assert out(pair.location) == [37, 38, 39]


def test_piston_rings_with_deviations_reproduce_the_textbook(groups):
    # As above, Example 6.3; the source rounds the mean s to 0.0094.
    pair = averages_s_chart(groups("piston_phase1.csv"))

    assert pair.spread.limits.center == approx(0.0094, abs=5e-5)
    assert pair.location.limits.upper == approx(74.014, abs=0.0007)
    assert pair.location.limits.lower == approx(73.988, abs=0.0007)
    assert pair.spread.limits.upper == approx(0.0196, abs=0.00015)
    assert pair.spread.limits.lower == 0


# File, numbers excluded, (centre, mean range, upper, lower, range upper), slack, numbers of
# means and of ranges outside.
TEXTBOOK_GROUPS = {
    # Montgomery & Runger, Applied Statistics, Table 16-1, vane opening (from memory); the
    # source rounds the factors to three decimals.
    "vane": (
        "vane.csv", (), (33.32, 5.8, 36.67, 29.97, 12.27), (0.005, 0.05, 0.005, 0.005, 0.011),
        [6, 8, 11, 19], [9],
    ),
    "vane without its five": (
        "vane.csv", (6, 8, 9, 11, 19), (33.21, 5.0, 36.10, 30.33, 10.57),
        (0.005, 0.05, 0.011, 0.011, 0.005), None, None,
    ),
    # ISO 8258:1991, plug radius (from memory); the source works from rounded figures.
    "plug": (
        "plug_radius.csv", (), (0.1924, 0.0287, 0.2133, 0.1715, 0.0655),
        (5e-5, 5e-5, 5e-5, 5e-5, 1.5e-4), [18, 19, 20], [],
    ),
    "plug without its three": (
        "plug_radius.csv", (18, 19, 20), (0.1968, 0.0310, 0.2194, 0.1742, 0.0707),
        (5e-5, 5e-5, 1.5e-4, 1.5e-4, 1.5e-4), None, None,
    ),
    # Ryan, Statistical Methods for Quality Improvement, Table 4.2 (from memory); A2 rounded.
    "ryan": (
        "ryan.csv", (), (59.44, 31.3, 82.26, 36.62, 71.43), (0.005, 0.05, 0.021, 0.021, 0.015),
        None, None,
    ),
    # Montgomery, capability chapter, bottle strength (from memory); A2, D4 rounded.
    "bottle": (
        "bottle_strength.csv", (), (264.06, 77.3, 308.66, 219.46, 163.49),
        (0.005, 0.05, 0.017, 0.017, 0.055), [], [],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", TEXTBOOK_GROUPS)
def test_means_and_ranges_reproduce_the_textbooks(groups, case):
    name, excluded, printed, slack, means_out, ranges_out = TEXTBOOK_GROUPS[case]
    table = groups(name)

    pair = averages_range_chart(table, base=without(len(table), *excluded))

    level, spread = pair.location.limits, pair.spread.limits
    seen = (level.center, spread.center, level.upper, level.lower, spread.upper)
    for got, want, allowed in zip(seen, printed, slack, strict=True):
        assert got == approx(want, abs=allowed)
    if means_out is not None:
        assert out(pair.location) == means_out
        assert out(pair.spread) == ranges_out


def test_piston_rings_with_readings_missing_reproduce_the_textbook(groups):
    # Montgomery, Introduction to Statistical Quality Control, 6th ed., Example 6.4 (from memory):
    # the same rings, the last readings of some groups missing: 113 readings, mean 74.001, pooled
    # s 0.0103, and limits for groups of 5, 3 and 4, of means and of s. Its s-bar is that pooled
    # figure, which the factors for s-bar are then used with.
    rings = groups("piston_phase1.csv")
    present = [5, 3, 5, 5, 5, 4, 4, 5, 4, 5, 5, 5, 3, 5, 3, 5, 4, 5, 5, 3, 5, 5, 5, 5, 5]
    table = np.where(np.arange(5) < np.array(present)[:, None], rings, np.nan)

    root = sigma.pooled(table, unbiased=False)
    pair = averages_s_chart(table, pooled=True)

    assert sum(present) == np.count_nonzero(~np.isnan(table)) == 113
    assert root == approx(0.0103, abs=5e-5)
    assert pair.location.limits.center == approx(74.001, abs=5e-4)
    center = pair.location.limits.center
    for n, upper, lower, s_upper in (
        (5, 74.016, 73.986, 0.022),
        (3, 74.021, 73.981, 0.026),
        (4, 74.018, 73.984, 0.023),
    ):
        assert center + sigma.A3(n) * root == approx(upper, abs=6e-4)
        assert center - sigma.A3(n) * root == approx(lower, abs=6e-4)
        assert sigma.B4(n) * root == approx(s_upper, abs=6e-4)
        # Our limits rest on sigma itself: narrower by c4 of the group, but for pooling's own bias.
        place = present.index(n)
        reach = pair.location.upper[place] - center
        assert reach == approx(sigma.A3(n) * root * sigma.c4(n), rel=4e-3)


def test_limits_follow_the_size_of_each_group():
    rng = np.random.default_rng(12)
    ragged = [rng.normal(10, 2, n) for n in (3, 5, 2, 5, 4) * 6]

    for make, expected in ((averages_range_chart, sigma.d2), (averages_s_chart, sigma.c4)):
        pair = make(ragged)
        level, spread = pair.location, pair.spread
        for place, group in enumerate(ragged):
            n = len(group)
            assert level.upper[place] - level.center[place] == approx(3 * level.sigma / np.sqrt(n))
            assert spread.center[place] == approx(expected(n) * level.sigma)
        assert level.center[0] == approx(np.concatenate(ragged).mean())


def test_a_group_of_one_has_a_mean_and_no_range():
    pair = averages_range_chart([[1.0, 2.0], [3.0], [2.0, 4.0]])

    assert pair.location.values.tolist() == [1.5, 3.0, 3.0]
    assert pair.location.upper[1] - pair.location.center[1] == approx(3 * pair.location.sigma)
    assert np.isnan(pair.spread.values[1])
    assert not pair.spread.beyond.any()


def test_medians_have_the_limits_of_the_median_factor():
    # ISO 8258:1991 (from memory): mean of medians plus and minus A4 times the mean range,
    # A4 = 0.691 for five readings, as printed.
    table = np.random.default_rng(3).normal(0, 1, (25, 5))

    pair = medians_chart(table)

    reach = 0.691 * np.ptp(table, axis=1).mean()
    assert pair.location.values == approx(np.median(table, axis=1))
    assert pair.location.limits.center == approx(np.median(table, axis=1).mean())
    assert pair.location.limits.upper - pair.location.limits.center == approx(reach, rel=1e-3)


def test_medians_of_even_and_missing_readings_are_those_of_what_is_there():
    pair = medians_chart([[4.0, 1.0, 3.0, 2.0], [5.0, np.nan, 1.0, 2.0]])

    assert pair.location.values.tolist() == [2.5, 2.0]


def test_deviations_pooled_and_averaged_agree_on_a_long_base():
    table = np.random.default_rng(4).normal(0, 3, (2000, 4))

    averaged, pooled = averages_s_chart(table), averages_s_chart(table, pooled=True)

    assert averaged.location.sigma == approx(pooled.location.sigma, rel=0.02)


# --- base spans and changes -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("base", "complaint"),
    [
        ((3, 2), "rise"),
        ((0, 5), "5 points"),
        (Base(0, 4, (9,), ("far away",)), "5 points"),
    ],
)
def test_a_base_outside_the_series_is_refused(base, complaint):
    with pytest.raises(ValueError, match=complaint):
        base_of(base, 5)


def test_every_exclusion_needs_its_reason():
    with pytest.raises(ValueError, match="each needs its own"):
        Base(0, 9, (1, 2), ("chip",))


def test_a_change_of_limits_is_marked_on_the_joined_chart():
    old = individuals_chart([1.0, 2.0, 1.0]).location
    new = individuals_chart([4.0, 5.0, 4.0, 5.0], base=Base(1, 3)).location

    both = joined(old, new, why=["new gauge"])

    assert both.values.tolist() == [1, 2, 1, 4, 5, 4, 5]
    assert both.center[[0, 6]].tolist() == [old.center[0], new.center[0]]
    assert [(change.position, change.says) for change in both.changes] == [(3, "new gauge")]
    assert (both.base.first, both.base.last) == (4, 6)


def test_a_pair_gives_both_charts_as_one_table():
    frame = averages_range_chart([[1.0, 2.0], [2.0, 4.0]]).to_frame()

    assert frame["mean"]["value"].tolist() == [1.5, 3.0]
    assert frame["range"]["value"].tolist() == [1.0, 2.0]


def test_a_chart_gives_its_rows_as_a_table():
    frame = individuals_chart([1.0, 2.0, 3.0, 9.0], base=(0, 2)).location.to_frame()

    assert list(frame) == ["value", "center", "lower", "upper", "z", "beyond", "in_base"]
    assert frame["in_base"].tolist() == [True, True, True, False]
    assert frame["beyond"].tolist() == [False, False, False, True]
