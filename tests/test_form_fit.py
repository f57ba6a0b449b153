"""Growth of form and finish with the wheel's age."""

import numpy as np
import pytest
from scipy.special import ndtr

from spc.errors import NotEnough
from spc.form_fit import FormFit, FormGrowth


def values(random, *, cycles=8, growth=0.8, power=2.0, sd=0.15, parts=40):
    ages = np.tile(np.arange(4, parts + 1, 4), cycles)
    log = np.log(0.8) + growth * (ages / parts) ** power + sd * random.normal(size=len(ages))
    return ages, np.exp(log), np.repeat(np.arange(cycles), parts // 4)


def test_the_share_outside_is_found_again_at_every_age():
    random = np.random.default_rng(1)
    truth = FormFit(np.log(0.8), 0.8, 0.15, 2.0, 0.0, 40.0)

    said = [FormGrowth(*values(random)).best.outside([10, 25, 40], 1.6) for _ in range(60)]

    assert np.mean(said, axis=0) == pytest.approx(truth.outside([10, 25, 40], 1.6), abs=0.02)


@pytest.mark.parametrize("unequal", [0.0, 0.3])
def test_bounds_by_refits_hold_the_share_outside_at_every_age(unequal):
    random, ages = np.random.default_rng(2), [20, 32, 40]
    # Cycles whose dulling differs by a normal share: the mean over many of them.
    some = unequal * np.random.default_rng(1).standard_normal(2000)
    grown = np.add.outer(0.8 + some, np.zeros(3)) * (np.array(ages) / 40) ** 2
    truth = ndtr((np.log(0.8) + grown - np.log(1.6)) / 0.15).mean(axis=0)
    inside = []
    for _ in range(100):
        age, value, cycle = values(random)
        value = value * np.exp(unequal * random.normal(size=8)[cycle] * (age / 40) ** 2)
        growth = FormGrowth(age, value, cycle)
        drawn = [growth.drawn(random).outside(ages, 1.6) for _ in range(60)]
        low, high = np.quantile(drawn, (0.025, 0.975), axis=0, method="weibull")
        inside.append((low <= truth) & (truth <= high))

    # 100 runs carry a standard error of 2 to 3 %.
    assert (np.mean(inside, axis=0) >= 0.87).all()
    assert np.mean(inside) <= 0.98


def test_cycles_that_dull_unequally_spread_when_old():
    random = np.random.default_rng(3)
    ages, value, cycle = values(random, cycles=20)
    uneven = value * np.exp(0.3 * random.normal(size=20)[cycle] * (ages / 40) ** 2)

    fit = FormGrowth(ages, uneven, cycle).best

    assert fit.sd_at(40) > 1.5 * fit.sd_at(4)


def test_a_falling_line_is_taken_for_none():
    fit = FormGrowth(*values(np.random.default_rng(4), growth=-0.5)).best

    assert fit.growth == 0
    assert fit.middle(1) == pytest.approx(fit.middle(40))


def test_too_few_cycles_are_refused():
    with pytest.raises(NotEnough, match="2 dress cycles"):
        FormGrowth(*values(np.random.default_rng(5), cycles=2))
