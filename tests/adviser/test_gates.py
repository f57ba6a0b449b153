"""What the adviser must do on whole runs: leave alone, do without tampering, tell parts left."""

from itertools import pairwise

import numpy as np
import pytest

from spc.adviser.adviser import Advisor
from tests.adviser.grinder import Grinder, adviser, plan_of, run

pytestmark = pytest.mark.slow


def quiet(seed):
    return Grinder(seed, drift=0.0, dull=0.0, dress_sd=0.0, start=0.0)


def test_a_quiet_process_is_left_alone():
    offsets = 0
    for seed in range(4):
        grinder = quiet(seed)
        run(adviser(habit=None, step=1.0), grinder, 1000)
        offsets += sum(act == "offset" and part > 20 for part, act, _ in grinder.acts)
        assert not any(act == "dress" for _, act, _ in grinder.acts)

    assert offsets / (4 * 1000 / 500) < 1.0


def test_a_quiet_wheel_is_dressed_at_its_hard_limit_and_not_before():
    for seed in range(3):
        grinder = quiet(seed)
        run(adviser(habit=50, most=75), grinder, 400)
        assert {age for _, act, age in grinder.acts if act == "dress"} == {75}


def test_nothing_silly_in_long_runs():
    for seed in range(4):
        grinder = Grinder(seed)
        run(adviser(), grinder, 800)
        parts = [part for part, act, _ in grinder.acts if act == "offset"]
        # Two moves without a part between them only around a dress.
        dressed = {part for part, act, _ in grinder.acts if act == "dress"}
        assert all(b > a or a in dressed for a, b in pairwise(parts))
        assert min(age for _, act, age in grinder.acts if act == "dress") > 10


def test_wear_is_steered_far_better_than_by_setting_up_alone():
    steered = alone = 0
    for seed in range(4):
        grinder = Grinder(seed)
        run(adviser(), grinder, 800)
        steered += grinder.out
        machine = Grinder(seed, start=0.0)
        for _ in range(800):
            machine.part()
            if machine.age == 60:
                machine.dress()
                machine.base = 0.0
        alone += machine.out

    assert steered < 0.35 * alone


@pytest.mark.parametrize("late", [False, True])
def test_parts_left_keep_their_promise(late):
    # Without any act, the first part at risk comes after the cautious figure; it is told for 90 %,
    # and of wheels far past their life it holds in 80 % of these runs: it is too bold there.
    kept = []
    for seed in range(40):
        advisor, grinder = Advisor(plan_of()), Grinder(100 + seed, start=0.0, dress_sd=0.6)
        run(advisor, grinder, 120)
        while (grinder.age > 0.5 * grinder.life) != late or grinder.age < 8:
            run(advisor, grinder, 1)
        left = advisor.advise().parts_left
        if left is not None:
            kept.append(_life(grinder) >= left.low)

    assert len(kept) > 30
    assert (0.75 if late else 0.85) < np.mean(kept) <= 1.0


def _life(grinder):
    """Parts until one is out with probability 0.5 %, from the true level."""
    from scipy.special import ndtr

    for ahead in range(1, 201):
        age = grinder.age + ahead
        level = grinder.base + grinder.register + grinder.drift * age
        spread = grinder.sd * (1 + grinder.dull * (age / grinder.life) ** 3)
        out = ndtr((-8 - level) / spread) + ndtr((level - 8) / spread)
        if out > 0.005:
            return ahead - 1
    return 200
