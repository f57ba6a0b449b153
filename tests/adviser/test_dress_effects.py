"""What a dress does to size and offsets: told, untold and learnt, or told wrongly."""

import numpy as np
import pytest

from spc.adviser.filter import TOLD_EFFECT, UNTOLD_EFFECT, Belief
from spc.adviser.model import SETTLING, Model
from tests.adviser.test_filter import expected, heard

approx = pytest.approx


def cycles(resets, clears, *, told=(None, None), count=4, seed=2):
    """After cycles with 0.8 of wear, a move of -0.5, and dresses that do as is told."""
    rng = np.random.default_rng(seed)
    belief = Belief.begin(Model(), resets=told[0], clears=told[1])
    base = register = moved = 0.0
    for _ in range(count):
        for k in range(1, 41):
            if k == 30:
                register -= 0.5
                moved = -0.5
            size = base + 0.02 * k + register + 0.08 * rng.standard_normal()
            belief = heard(belief.part(), size - register)
        belief = belief.dress(np.array([moved]))
        base += 0.0 if resets else 0.8
        # The books keep the register; a control that takes the moves back moves the level instead.
        base -= moved if clears else 0.0
        moved = 0.0
    return heard(belief.part(), base + 0.02)


@pytest.mark.parametrize("resets", [True, False])
@pytest.mark.parametrize("clears", [True, False])
def test_what_the_plan_does_not_tell_of_a_dress_is_learnt(resets, clears):
    # With neither, each dress leaves 0.8, with both 0.5: that takes some more dresses to tell.
    belief = cycles(resets, clears, count=4 if resets or clears else 10)

    assert (belief.resets > UNTOLD_EFFECT) == resets
    assert (belief.clears > UNTOLD_EFFECT) == clears


def test_a_plan_that_tells_it_wrongly_is_not_believed_for_ever():
    belief = cycles(True, False, told=(True, True), count=8)

    assert belief.clears < 0.5 < belief.resets


def test_after_a_dress_that_leaves_the_wear_the_level_is_where_it_was():
    belief = Belief.begin(Model(), resets=False)
    rng = np.random.default_rng(5)
    for k in range(1, 41):
        belief = heard(belief.part(), 0.02 * k + 0.08 * rng.standard_normal())
    after = belief.dress()

    assert 1 - after.resets == approx(TOLD_EFFECT)
    # What settles in each cycle is no wear.
    settling = expected(after)[SETTLING]
    assert expected(after)[after.model.level] + settling == approx(0.8, abs=0.1)
