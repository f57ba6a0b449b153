import math

import numpy as np
import pytest

from spc.gauge.guard_band import (
    GUARD_PER_U,
    Limits,
    conformance_probability,
    conformity,
    guard_factor,
    guarded_limits,
    measurement_index,
    risks,
)


def test_breakdown_voltage_of_the_zener_diode():
    # JCGM 106:2012, section 7.3 example (values from memory): limit -5.40 V, y -5.47 V, u 0.05 V.
    found = conformance_probability(-5.47, 0.05, upper=-5.40)

    assert float(found) == pytest.approx(0.92, abs=0.005)


@pytest.mark.parametrize(
    ("p", "z"),
    # JCGM 106:2012, Table 1 (values from memory).
    [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)],
)
def test_guard_of_a_stated_probability(p, z):
    assert guard_factor(p) == pytest.approx(z, abs=0.005)
    # The same table the other way: a value that far inside one limit conforms with p.
    assert float(conformance_probability(-z, 1.0, upper=0.0)) == pytest.approx(p, abs=0.0016)


def test_guard_of_the_default_decision_rule():
    # ISO 14253-1:2017 (from memory): 1.65 u, 0.82 to 0.83 U.
    assert guard_factor(0.95) == pytest.approx(1.65, abs=0.006)
    assert guard_factor(0.95) / 2 == pytest.approx(GUARD_PER_U, abs=0.003)


def test_both_limits_take_their_share():
    # Closed form: the middle of limits two uncertainties apart on each side.
    found = conformance_probability([0.0, 2.0], 1.0, lower=-2.0, upper=2.0)

    assert found == pytest.approx([math.erf(2**0.5), 0.5 - 0.5 * math.erfc(4 / 2**0.5)])


def test_one_limit_leaves_the_other_side_open():
    assert guarded_limits(2.0, upper=8.0) == Limits(-math.inf, 6.35)
    assert guarded_limits(2.0, lower=1.0).upper == math.inf


def test_every_part_is_counted_once():
    y = np.random.default_rng(1).normal(0, 5, 500)
    found = conformity(y, 1.5, lower=-8.0, upper=8.0)

    assert found.conform + found.fail + found.neither == 500
    assert found.conform == (np.abs(y) <= 8 - 0.825 * 1.5).sum()
    assert found.fail == (np.abs(y) > 8 + 0.825 * 1.5).sum()


def test_without_uncertainty_there_is_no_doubt():
    assert conformity([7.9, 8.1], 0.0, upper=8.0).neither == 0


@pytest.mark.parametrize(
    ("limits", "accept"),
    [
        ({"lower": -2.0, "upper": 2.0}, None),
        ({"lower": -2.0, "upper": 2.0}, Limits(-1.6, 1.7)),
        ({"upper": 1.5}, None),
        ({"lower": -1.0}, Limits(-0.8, math.inf)),
    ],
)
def test_risks_are_those_of_a_brute_simulation(limits, accept):
    generator = np.random.default_rng(2)
    true = generator.normal(0.3, 1.0, 2_000_000)
    seen = true + generator.normal(0, 0.3, true.size)
    low, high = limits.get("lower", -math.inf), limits.get("upper", math.inf)
    good = (true >= low) & (true <= high)
    taken = accept or Limits(low, high)
    passed = (seen >= taken.lower) & (seen <= taken.upper)

    found = risks(0.3, 1.0, 0.3, **limits, accept=accept)

    assert found.consumer == pytest.approx((passed & ~good).mean(), abs=4e-4)
    assert found.producer == pytest.approx((~passed & good).mean(), abs=4e-4)


def test_a_guard_trades_one_risk_for_the_other():
    plain = risks(0.0, 1.0, 0.2, lower=-2.5, upper=2.5)
    guarded = risks(
        0.0, 1.0, 0.2, lower=-2.5, upper=2.5, accept=guarded_limits(0.4, lower=-2.5, upper=2.5)
    )

    assert guarded.consumer < plain.consumer
    assert guarded.producer > plain.producer


def test_index_of_a_measurement():
    # JCGM 106:2012, 7.6, from the definition: T/(4u).
    assert measurement_index(0.2, lower=-2.0, upper=2.0) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: conformance_probability(0.0, 0.0, upper=1.0), "above 0"),
        (lambda: conformance_probability(0.0, 1.0), "at least one limit"),
        (lambda: guarded_limits(10.0, lower=-1.0, upper=1.0), "no room"),
        (lambda: guarded_limits(-1.0, upper=1.0), "0 or more"),
        (lambda: guard_factor(0.3), "from 0.5"),
        (lambda: risks(0.0, 0.0, 1.0, upper=1.0), "spread above 0"),
        (lambda: measurement_index(1.0, lower=2.0, upper=1.0), "not below"),
    ],
)
def test_what_makes_no_sense_is_refused(call, says):
    with pytest.raises(ValueError, match=says):
        call()
