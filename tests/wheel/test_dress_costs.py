"""What a held size costs, and what refits leave of the best dress interval."""

from dataclasses import replace

import numpy as np
import pytest

from spc.wheel.life import HeldSize, dress_costs, dress_interval

HELD = HeldSize(lower=-8, upper=8, target=0, below=15, above=5, off_target=0.5, offset=0.6, every=1)


def counted_out(held, sd, drift, *, fewest=1):
    """The cheapest sawtooth by trying every aim and every number of parts, part by part."""
    best = np.inf
    for parts in range(fewest, 200):
        climb = drift * (np.arange(parts) + 0.5)
        aims = np.linspace(-7, 3, 101)[:, None]
        loss = held.expected(aims + climb, sd).sum(axis=1)
        best = min(best, float((loss.min() + held.offset) / parts))
    return best


@pytest.mark.parametrize(("sd", "drift"), [(0.5, 0.05), (0.9, 0.25), (1.5, 0.1), (0.9, 1.0)])
def test_a_held_size_costs_what_the_best_sawtooth_counted_part_by_part_costs(sd, drift):
    cost = HELD.part_costs([sd], [drift])[0]

    assert cost == pytest.approx(counted_out(HELD, sd, drift), rel=0.03)


def test_a_size_that_does_not_drift_costs_its_spread_alone():
    # 0.5 * (1/8)^2 = 0.0078 in the middle; tails of 8 sigma are nothing.
    assert HELD.part_costs([1.0], [0.0])[0] == pytest.approx(0.5 / 64, rel=0.05)


def test_rare_checks_leave_only_the_sawteeth_that_they_allow():
    # Once in 15 parts a size that drifts by 0.6 µm a part cannot be set back sooner.
    often, seldom = (replace(HELD, every=n).part_costs([0.9], [0.6])[0] for n in (1, 15))

    assert seldom == pytest.approx(counted_out(HELD, 0.9, 0.6, fewest=15), rel=0.05)
    assert seldom > 1.1 * often


def test_bounds_of_the_best_interval_come_from_the_refits():
    # Dress cost 1.8 and part n costs s n: the best n minimises 1.8 / n + s (n + 1) / 2, which is 6
    # at s = 0.1 and 12 at s = 0.025.
    refits = [dress_interval([s * n for n in range(1, 41)], 1.8) for s in [0.1] * 50 + [0.025] * 50]

    found = dress_costs(refits[0], refits, cycles=5)

    assert (found.best_lower, found.interval.best, found.best_upper) == (6, 6, 12)
    assert found.open_share == 0
    assert (found.lower <= found.interval.costs).all()
    more, low, high = found.more_at(12)
    # At 12 parts: 0.15 + 0.65 = 0.80 against 0.65; with the lower slope 0.3125 against 0.3875.
    assert (more, low, high) == pytest.approx((0.15, -0.075, 0.15))
