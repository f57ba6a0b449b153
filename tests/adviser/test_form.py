"""Form and finish: the line of the logarithm, its forecast, and a dress in time."""

import numpy as np
import pytest

from spc.adviser.adviser import Advisor
from spc.adviser.form import Form
from spc.adviser.prior import Prior
from spc.plan import Plan

approx = pytest.approx


def grown(parts, growth, *, start=0.5, sd=0.1, seed=1):
    """A form after parts whose logarithm climbs by `growth` a part."""
    rng = np.random.default_rng(seed)
    form = Form.begin(2.0, Prior.told(100))
    for age in range(1, parts + 1):
        form = form.read(2.0 * start * np.exp(growth * age + sd * rng.standard_normal()), age)
    return form


def test_the_climb_is_learnt_and_foretold():
    form = grown(60, 0.008)

    assert form.level_um(60) == approx(np.exp(0.48), rel=0.1)
    # Half of the parts are out where the line meets the limit, after log(2) / 0.008 = 87 parts.
    ages = np.arange(1.0, 200.0)
    assert ages[np.argmax(form.out(ages) > 0.5)] == approx(87, abs=12)


def test_a_form_that_stays_is_never_foretold_to_leave():
    form = grown(80, 0.0)

    assert form.out(np.array([90.0, 150.0])).max() < 0.02


def test_one_high_value_is_no_growth():
    calm = grown(30, 0.0)
    high = calm.read(1.9, 31)

    assert high.out(np.array([40.0]))[0] < 0.03


def shaft():
    return Plan.model_validate(
        {
            "job": {"part": "Pin"},
            "feature": [
                {"name": "seat", "nominal": 20.0, "upper": 0.01, "lower": -0.01, "sample": 1},
                {"name": "round", "kind": "roundness", "upper": 2.0, "unit": "um"},
            ],
            "machine": {"dress_resets_size": True, "dress_clears_offsets": True},
        }
    )


def test_a_dress_comes_before_the_form_leaves_its_limit_and_says_so():
    rng = np.random.default_rng(3)
    advisor, told = Advisor(shaft()), None
    for k in range(1, 120):
        advisor.part()
        advisor.reading("seat", 0.8 * rng.standard_normal())
        advisor.reading("round", 0.8 * np.exp(0.012 * k + 0.08 * rng.standard_normal()))
        advice = advisor.advise()
        if advice.action == "dress":
            told = k, advice
            break

    assert told is not None
    # The line meets the limit at part 76.
    assert 40 < told[0] < 76
    assert told[1].subject == "round"
    assert "round" in told[1].evidence
