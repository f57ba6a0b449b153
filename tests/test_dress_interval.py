"""Cost of a cycle by its length, the best interval, and what refits leave of it."""

import itertools
import math

import numpy as np
import pytest

from spc.adviser.loss import Stakes
from spc.dress_interval import cycle_costs, dress_costs, dress_interval

STAKES = Stakes(low=15, high=5, off_target=0.5, offset=0.6, dress=2.5)


def cost_of(sd, drift, *, parts=400, every=1, first=0.0):
    """Cost of cycles of one spread and one drift, both in half widths, by their length."""
    levels, spreads = drift * np.arange(1, parts + 1), np.full(parts, sd)
    return cycle_costs(levels[None], spreads[None], np.array([first or sd]), STAKES, every=every)[0]


def counted_out(sd, drift, *, every=1):
    """The cheapest sawtooth by trying every aim and every number of parts, part by part."""
    best = np.inf
    for parts in range(every, 200, every):
        climb = drift * (np.arange(parts) + 0.5)
        aims = np.linspace(-0.9, 0.4, 131)[:, None]
        loss = STAKES.loss(aims + climb, sd).sum(axis=1)
        best = min(best, float((loss.min() + STAKES.offset) / parts))
    return best


@pytest.mark.parametrize(
    ("sd", "drift", "every"),
    [(0.06, 0.006, 1), (0.11, 0.03, 1), (0.19, 0.0125, 1), (0.11, 0.125, 1), (0.11, 0.075, 15)],
)
def test_a_long_cycle_costs_what_the_best_sawtooth_counted_part_by_part_costs(sd, drift, every):
    # 0.11 and 0.03: a spread of 0.9 µm and a drift of 0.25 µm a part on limits of 8 µm.
    totals = cost_of(sd, drift, every=every)

    assert (totals[-1] - totals[99]) / 300 == pytest.approx(
        counted_out(sd, drift, every=every), rel=0.03
    )


def test_rare_checks_leave_only_the_sawteeth_that_they_allow():
    often, seldom = (np.ptp(cost_of(0.11, 0.075, every=n)) for n in (1, 15))

    assert seldom > 1.1 * often


def test_a_short_cycle_costs_what_every_set_of_offsets_tried_leaves():
    # Six parts, wear 0.2 half widths a part, and more scatter as the wheel dulls: every set of
    # parts to move before, each stretch with the best of many aims.
    levels, spreads = 0.2 * np.arange(1, 8), 0.1 + 0.02 * np.arange(7)
    aims = np.linspace(-2.5, 1, 351)[:, None]
    first = STAKES.loss(np.linspace(-1, 1, 201), 0.3).min()
    cheapest = math.inf
    for moved in itertools.product([False, True], repeat=5):
        starts = [1, *(k + 2 for k in range(5) if moved[k]), 7]
        cost = 2.5 + 0.6 * (1 + sum(moved)) + first
        for a, b in itertools.pairwise(starts):
            cost += STAKES.loss(aims + levels[a:b], spreads[a:b]).sum(axis=1).min()
        cheapest = min(cheapest, cost)

    found = cycle_costs(levels[None], spreads[None], np.array([0.3]), STAKES, every=1)

    assert found[0, -1] == pytest.approx(cheapest, rel=0.002)


def test_a_size_that_does_not_drift_costs_its_spread_alone():
    # 0.5 * (1/8)^2 = 0.0078 in the middle; tails of 8 sigma are nothing. Offsets are tried every
    # 0.04 half widths, so that a level lies within 0.02 of the middle.
    totals = cost_of(0.125, 0.0, parts=200)

    assert totals == pytest.approx(2.5 + 0.6 + 0.5 / 64 * np.arange(1, 201), rel=0.01)


def test_long_cycles_cost_the_same_gone_through_in_stretches():
    totals, by_part = cost_of(0.11, 0.003, parts=1200), cost_of(0.11, 0.003, parts=400)

    assert totals[:400] == pytest.approx(by_part, rel=0.01)


def test_the_best_dress_interval_balances_dress_and_rising_cost():
    # Derived: cost a n of the n-th part and a dress D give n* = sqrt(2 D/a).
    found = dress_interval(4.0 + np.cumsum(0.002 * np.arange(1, 201)))

    assert found.best == round(math.sqrt(2 * 4 / 0.002))
    assert found.flat_from < found.best < found.flat_to
    assert not found.open_ended
    assert dress_interval(1.0 + np.cumsum([0.1] * 50)).open_ended


def test_bounds_of_the_best_interval_come_from_the_refits():
    # Dress cost 1.8 and part n costs s n: the best n minimises 1.8 / n + s (n + 1) / 2, which is 6
    # at s = 0.1 and 12 at s = 0.025.
    slopes = np.array([0.1] * 50 + [0.025] * 50)[:, None]
    refits = 1.8 + np.cumsum(slopes * np.arange(1, 41), axis=1)

    found = dress_costs(np.vstack([refits[0], refits]), cycles=5)

    assert (found.best_lower, found.interval.best, found.best_upper) == (6, 6, 12)
    assert found.open_share == 0
    assert (found.lower <= found.interval.costs).all()
    more, low, high = found.more_at(12)
    # At 12 parts: 0.15 + 0.65 = 0.80 against 0.65; with the lower slope 0.3125 against 0.3875.
    assert (more, low, high) == pytest.approx((0.15, -0.075, 0.15))
