"""What earlier runs teach: never counted twice, never wider than without them, better with more."""

import json

import numpy as np
import pytest

from spc.adviser import history as book
from spc.adviser.adviser import Advisor
from spc.adviser.filter import Belief
from spc.adviser.history import learned_of, pooled
from spc.adviser.model import Model
from spc.adviser.prior import Prior
from tests.adviser.test_adviser import plan

approx = pytest.approx


def taught(**evidence):
    return {"schema": book.SCHEMA, "half_um": 8.0, "taught": evidence}


def test_a_run_without_readings_teaches_nothing():
    learned = learned_of(Belief.begin(Model(Prior.told(80))), 8.0)

    assert learned["taught"] == {}
    assert pooled(Prior.told(80), [learned], 8.0) == Prior.told(80)


def test_with_runs_that_agree_the_pool_is_the_normal_theory_of_the_textbook():
    # One run, spread between runs a quarter of the prior's sd: by hand.
    prior = Prior(slope=(0.008, 0.008))
    tau2, v = (0.25 * 0.008) ** 2, 0.001**2
    weight = 1 / (v + tau2)
    precision = 1 / 0.008**2 + weight
    mean = (0.008 / 0.008**2 + weight * 0.02) / precision
    made = pooled(prior, [taught(slope=[0.02, v])], 8.0)

    assert made.slope == approx((mean, np.sqrt(tau2 + 1 / precision)))


def test_more_runs_say_it_better_and_runs_that_differ_less_well():
    alike = [taught(slope=[0.02, 1e-6]) for _ in range(19)]
    apart = [taught(slope=[0.02 + 0.01 * (-1) ** k, 1e-6]) for k in range(19)]
    one, many, mixed = (pooled(Prior(), runs, 8.0).slope for runs in (alike[:1], alike, apart))

    assert abs(many[0] - 0.02) < abs(one[0] - 0.02)
    assert many[1] < one[1] < Prior().slope[1]
    assert many[1] < mixed[1] <= Prior().slope[1]


def test_lengths_follow_the_tolerance_of_the_next_job():
    half = pooled(Prior(), [taught(slope=[0.02, 1e-8], sigma=[2 * np.log(0.1), 0.01])], 16.0)
    same = pooled(Prior(), [taught(slope=[0.01, 2.5e-9], sigma=[2 * np.log(0.05), 0.01])], 8.0)

    assert half.slope == approx(same.slope)
    assert half.sigma == approx(same.sigma)


@pytest.mark.parametrize("runs", [1, 19])
def test_the_drift_of_a_new_run_is_known_better_with_runs_behind_it(runs):
    rng = np.random.default_rng(runs)
    past = []
    for _ in range(runs):
        advisor = Advisor(plan(), history=past)
        for cycle in range(2):
            for k in range(1, 41):
                advisor.part()
                advisor.reading("seat", 0.12 * k - 2 + 0.7 * rng.standard_normal())
            advisor.event("dress") if not cycle else None
        past.append(json.loads(json.dumps(advisor.learned())))
    known, fresh = Advisor(plan(), history=past), Advisor(plan())
    for one in (known, fresh):
        for value in (0.2, -0.3, 0.1):
            one.part()
            one.reading("seat", value)
    errors = []
    for one in (known, fresh):
        belief, frames = one._steer.belief, one._frames
        usual = frames.half_um * (belief.weight @ belief.mean[:, 1])
        errors.append(abs(usual - 0.12))

    assert errors[0] < 0.02
    assert errors[0] <= errors[1] + 0.005
