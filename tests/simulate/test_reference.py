"""The reference with full knowledge, against brute force and against every rule of thumb."""

import itertools
import math

import numpy as np
import pytest

from spc.adviser.loss import Stakes
from spc.simulate.reference import BestActs, Outlook

approx = pytest.approx
#: Half width of the tolerance. [µm]
HALF = 8.0
STAKES = Stakes(low=15, high=5, off_target=0.5, offset=0.6, dress=2.5, step=0.0)


def expected_loss(level, sd):
    """Expected cost of a part by adding up a fine grid: slow and plain."""
    x = level + sd * np.linspace(-8, 8, 16001)
    density = np.exp(-(((x - level) / sd) ** 2) / 2)
    cost = 0.5 * (x / HALF) ** 2 + 15 * (x < -HALF) + 5 * (x > HALF)
    return np.sum(cost * density) / np.sum(density)


@pytest.mark.parametrize("level", [-7.5, 0.0, 3.0, 9.0])
def test_the_expected_loss_is_the_integral_of_the_cost_of_parts(level):
    assert STAKES.loss(level / HALF, 1.1 / HALF) == approx(expected_loss(level, 1.1), rel=0.003)


def followed(best, outlook, level):
    """Cost and acts of following the table without any noise."""
    cost, acts = 0.0, []
    for h in range(len(outlook.growth_um)):
        act, move = best.act(h, level)
        acts.append(act)
        if act == "dress":
            return cost + STAKES.dress, acts
        if act == "offset":
            level += move
            cost += STAKES.offset
        level += outlook.growth_um[h]
        cost += float(STAKES.loss(level / HALF, outlook.sd_um[h] / HALF))
    return cost + STAKES.dress, acts


def test_the_acts_are_those_of_brute_force():
    # Eight parts, wear 1.5 µm a part: try every set of parts to correct before, each with the best
    # of many aims, and no early dress.
    outlook = Outlook(np.full(8, 1.5), np.full(8, 0.9), np.zeros(8), 0.0)
    best = BestActs(outlook, STAKES, HALF, rate=10.0)  # so dear that no dress comes early
    aims = np.linspace(-8, 4, 121)

    def segment(start, parts):
        levels = np.array([start + 1.5 * (i + 1) for i in range(parts)])
        return STAKES.loss(levels / HALF, 0.9 / HALF).sum()

    cheapest = math.inf
    for corrected in itertools.product([False, True], repeat=8):
        starts = [0, *[h for h in range(1, 8) if corrected[h]], 8]
        cost = 0.0
        for place, (a, b) in enumerate(itertools.pairwise(starts)):
            if place == 0 and not corrected[0]:
                cost += segment(2.0, b - a)
            else:
                cost += STAKES.offset + min(segment(aim, b - a) for aim in aims)
        cheapest = min(cheapest, cost)
    cost, acts = followed(best, outlook, 2.0)

    assert "offset" in acts
    # The table knows levels to 0.2 µm.
    assert cost == approx(cheapest + STAKES.dress, rel=0.01)


def test_a_dull_wheel_is_dressed_when_the_next_parts_cost_more_than_the_average():
    spread = np.full(60, 0.9)
    spread[30:] = 4.0  # from part 31 on scrap is certain to be dearer than a dress
    outlook = Outlook(np.zeros(60), spread, np.zeros(60), 0.0)
    best = BestActs(outlook, STAKES, HALF, rate=0.1)

    acts = [best.act(h, 0.0)[0] for h in range(60)]

    assert acts[:28] == ["grind_on"] * 28
    assert acts[30] == "dress"
    assert best.act(99, 0.0)[0] == "dress"


def test_a_level_near_the_middle_is_left_alone():
    best = BestActs(
        Outlook(np.full(50, 0.05), np.full(50, 0.9), np.zeros(50), 0.05), STAKES, HALF, rate=0.1
    )

    assert best.act(0, 0.5)[0] == "grind_on"
    assert best.act(0, 7.0) == ("offset", approx(-8.2, abs=1.5))
