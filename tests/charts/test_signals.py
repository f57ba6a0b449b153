import itertools
import math

import numpy as np
import pytest
from scipy.stats import norm

from spc.charts.shewhart import individuals_chart
from spc.charts.signals import ALL, DEFAULT, PATTERNS, Pattern, chosen, completed, to_frame, watch

approx = pytest.approx

# A value in each zone of a chart, and the chance of the zone on a stable normal process.
EDGES = np.array([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf])
ZONES = np.array([-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5])
CHANCE = np.diff(norm.cdf(EDGES))


def chance(name, sides, points):
    """Chance that so many stable points in a row make the pattern, all of them looked at."""
    places = np.array(list(itertools.product(range(8), repeat=points)))
    seen = dict(completed(ZONES[places], PATTERNS[name]))
    made = np.any([seen[side].any(axis=1) for side in sides], axis=0)
    return float(CHANCE[places].prod(axis=1)[made].sum())


def test_patterns_of_distance_have_the_published_chances():
    # L. S. Nelson (1984), J. Quality Technology 16, 237-239, tail areas (from memory).
    assert chance("beyond", [+1], 1) == approx(0.00135, abs=5e-6)
    assert chance("two_of_three", [+1], 3) == approx(0.00153, abs=5e-6)
    assert chance("four_of_five", [-1], 5) == approx(0.00277, abs=5e-6)


@pytest.mark.parametrize(
    ("name", "value", "printed"),
    [
        # As above, values from memory; both sides together.
        ("one_side", 0.5, 0.00391),
        ("hugging", 0.5, 0.00326),
        ("avoiding", 1.5, 0.0001),
    ],
)
def test_unbroken_runs_have_the_published_chances(name, value, printed):
    pattern = PATTERNS[name]
    one = {"one_side": 0.5, "hugging": norm.cdf(1) - norm.cdf(-1), "avoiding": 2 * norm.sf(1)}
    sides = 2 if name == "one_side" else 1

    assert sides * one[name] ** pattern.count == approx(printed, abs=5e-6)
    # And it takes exactly that many.
    row = np.full(pattern.count, value)
    assert [s.last for s in watch(row, [name])] == [pattern.count - 1]
    assert watch(row[1:], [name]) == ()


def test_orders_have_the_published_chances():
    # L. S. Nelson (1984) (from memory): six rising or falling 0.00278. Every order of six
    # values is as likely as any other.
    orders = np.array(list(itertools.permutations(range(6))))
    made = np.any([seen.any(axis=1) for _, seen in completed(orders, PATTERNS["climb"])], axis=0)
    assert made.mean() == approx(0.00278, abs=5e-6)

    # Up and down by turns: orders of n values that alternate number twice the Euler zigzag
    # number, 1385 for 8 and 199360981 for 14 (OEIS A000111), the latter with chance 0.00457.
    eight = Pattern("eight", "", "", count=8, among=8, order="see_saw")
    orders = np.array(list(itertools.permutations(range(8))))
    assert completed(orders, eight)[0][1].any(axis=1).sum() == 2 * 1385
    assert PATTERNS["see_saw"].among == 14
    assert 2 * 199360981 / math.factorial(14) == approx(0.00457, abs=5e-6)


def naive(z, pattern, side):
    """Last points of a pattern, by looking at every stretch of points in turn."""
    found = []
    for last in range(len(z)):
        window = z[max(0, last - pattern.among + 1) : last + 1]
        if pattern.order == "climb":
            if len(window) == pattern.among and (np.diff(window) * side > 0).all():
                found.append(last)
            continue
        if pattern.order == "see_saw":
            step = np.sign(np.diff(window))
            if len(window) == pattern.among and (step[1:] * step[:-1] == -1).all():
                found.append(last)
            continue
        off = np.abs(window) if pattern.either_side else side * window
        hit = (off > pattern.low) & (off < pattern.high)
        if hit.sum() >= pattern.count and hit[-1]:
            found.append(last)
    return found


@pytest.mark.parametrize("name", ALL)
def test_a_fast_look_sees_what_a_slow_one_sees(name):
    rng = np.random.default_rng(17)
    pattern = PATTERNS[name]
    z = rng.normal(0, 1, 6_000)
    z[1000:1600] *= 0.4  # stretches that hug, stray and stand still
    z[2000:2600] *= 2.5
    z[3000:3400] = np.round(z[3000:3400])

    for side, made in completed(z, pattern):
        assert np.flatnonzero(made).tolist() == naive(z, pattern, side)
        assert made.any()


def test_overlapping_sightings_are_one_signal_from_first_to_last_point():
    z = [0.1] * 12 + [-0.1] + [0.1] * 9

    seen = watch(z, ["one_side"])

    assert [(s.first, s.last, s.side) for s in seen] == [(0, 11, 1), (13, 21, 1)]
    assert seen[0].says == "12 points in a row above the centre"


def test_a_pattern_completed_by_its_first_points_begins_at_the_first():
    assert [(s.first, s.last) for s in watch([2.5, 2.6, 0.0], ["two_of_three"])] == [(0, 1)]


def test_each_point_beyond_is_a_signal_of_its_own():
    seen = watch([3.2, 3.1, -3.3], ["beyond"])

    assert [(s.first, s.side, s.says) for s in seen] == [
        (0, 1, "a point beyond the upper limit"),
        (1, 1, "a point beyond the upper limit"),
        (2, -1, "a point beyond the lower limit"),
    ]


def test_a_point_on_the_centre_or_equal_to_the_last_breaks_a_run():
    assert watch([0.1] * 8 + [0.0] + [0.1] * 8, ["one_side"]) == ()
    assert watch([0, 1, 2, 3, 3, 4, 5], ["climb"]) == ()


def test_missing_points_are_passed_over_and_positions_stay_those_of_the_chart():
    z = [0.1] * 5 + [np.nan] * 3 + [0.1] * 4 + [4.0]

    seen = watch(z)

    assert [(s.pattern, s.first, s.last) for s in seen] == [("beyond", 12, 12), ("one_side", 0, 12)]


def test_lengths_are_the_plans():
    assert watch([0.1] * 7, ["one_side"], one_side=7)
    assert not watch([0.1] * 7, ["one_side"], one_side=8)
    assert watch([1, 2, 3, 4], ["climb"], climb=4)[0].says == (
        "4 points in a row, each higher than the last"
    )


def test_a_pattern_of_ones_own_can_be_watched_for():
    # T(2, 2, 1.78, inf) of D. Klein (2000), J. Quality Technology 32, 427-434 (from memory).
    two = Pattern("two far out", "{count} of {among}", "Klein 2000", count=2, among=2, low=1.78)

    assert [(s.first, s.last, s.side) for s in watch([0, -1.8, -1.9, 0], [two])] == [(1, 2, -1)]


def test_every_pattern_says_what_it_sees_and_where_it_was_published():
    assert set(DEFAULT) < set(PATTERNS)
    for name, pattern in PATTERNS.items():
        assert pattern.name == name
        assert pattern.source
        assert "{" not in pattern.words
    z = np.random.default_rng(0).normal(0, 1, 5000)
    for signal in watch(z, ALL):
        assert signal.says
        assert "{" not in signal.says
        assert signal.first <= signal.last


def test_patterns_of_ones_own_are_put_into_words_too():
    near = Pattern("near", "", "", count=3, among=4, low=1.0, high=2.0)
    band = Pattern("band", "", "", count=2, among=2, low=1.0, high=2.0, either_side=True)
    anything = Pattern("all", "", "", low=-np.inf, either_side=True)

    says = [s.says for s in watch([1.5, 1.6, 1.7], [near, band, anything])]

    assert says[0] == (
        "3 of 4 points in a row more than 1/3 of the way to the upper limit, less than 2/3"
    )
    assert says[1] == (
        "3 points in a row within 2/3 of the way to the limits "
        "and not within 1/3 of the way to the limits"
    )
    assert says[2] == "a point anywhere"


def test_signals_come_as_a_table():
    frame = to_frame(watch([4.0, 0.0, -5.0]))

    assert frame["side"].tolist() == [1, -1]
    assert list(to_frame(()).columns) == ["pattern", "first", "last", "side", "says", "source"]


def test_an_unknown_or_impossible_pattern_is_refused():
    with pytest.raises(ValueError, match="there are beyond, one_side"):
        chosen(["seven_up"])
    with pytest.raises(ValueError, match="4 of 3"):
        Pattern("odd", "", "", count=4, among=3)


def test_no_points_and_no_patterns_give_no_signals():
    assert watch([]) == ()
    assert watch([np.nan, np.nan]) == ()
    assert watch([9.0], []) == ()


def test_a_chart_is_watched_by_its_own_limits():
    chart = individuals_chart([0.0, 1.0, 0.0, 1.0, 9.0], base=(0, 3)).location

    assert [s.first for s in watch(chart.z)] == np.flatnonzero(chart.beyond).tolist() == [4]
