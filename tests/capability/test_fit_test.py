import csv
import math
from pathlib import Path

import numpy as np
import pytest

from spc.capability.fit_test import (
    best_fit,
    edf_statistics,
    fit_test,
    fit_tests,
    normality,
    normality_p_value,
    shapiro_wilk,
)
from spc.capability.shapes import FAMILIES, FOR_SIZES, FOR_ZERO_BOUNDED, Shape

PUBLISHED = Path(__file__).parents[1] / "published"


def column(name):
    with (PUBLISHED / name).open() as file:
        return np.array([float(row["value"]) for row in csv.DictReader(file)])


def test_distances_of_the_chick_weights_from_normal():
    # D'Agostino & Stephens, Goodness-of-Fit Techniques (1986), chapter 4, 20 leghorn chicks (from
    # memory): mean 209.6, s 30.65, A2 0.214, W2 0.034, D 0.104.
    chicks = column("chicks.csv")
    found = normality(chicks)
    bell = Shape(FAMILIES["normal"], (found.mean, found.sd))
    distances = edf_statistics(chicks, bell)

    assert (found.mean, found.sd) == (
        pytest.approx(209.6, abs=0.05), pytest.approx(30.65, abs=0.005),
    )  # fmt: skip
    assert found.statistic == pytest.approx(0.214, abs=5e-4)
    assert distances.anderson_darling == found.statistic
    assert distances.cramer_von_mises == pytest.approx(0.034, abs=5e-4)
    assert distances.kolmogorov == pytest.approx(0.104, abs=5e-4)


@pytest.mark.parametrize(
    ("modified", "p", "tolerance"),
    [
        # D'Agostino & Stephens (1986), table 4.7 against the formula of table 4.9 (from memory).
        (0.631, 0.10, 0.005), (0.752, 0.05, 0.005), (0.873, 0.025, 0.0005), (1.035, 0.01, 0.0005),
    ],
)  # fmt: skip
def test_tail_areas_of_the_modified_statistic(modified, p, tolerance):
    assert normality_p_value(modified) == pytest.approx(p, abs=tolerance)


def test_the_p_value_falls_without_steps_to_speak_of():
    grid = np.linspace(0.05, 12.9, 2000)
    p = np.array([normality_p_value(a) for a in grid])

    assert np.all(np.diff(p) < 0.002)
    assert (p[0], p[-1]) == (pytest.approx(1.0, abs=0.01), pytest.approx(0.0, abs=1e-12))


def test_weights_of_eleven_men():
    # Shapiro & Wilk (1965), Biometrika 52, 591-611, worked example (from memory): W = 0.79.
    statistic, p_value = shapiro_wilk(column("sw_weights.csv"))

    assert statistic == pytest.approx(0.79, abs=0.005)
    assert p_value < 0.02


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_the_bootstrap_agrees_with_the_tables_on_what_is_its_own(name):
    # A sample drawn at the quantiles of a shape fits that shape and is accepted.
    theta = {
        "normal": (3.0, 1.0), "flattened normal": (0.0, 1.0, 4.0), "folded normal": (1.0, 1.0),
        "half normal": (0.0, 1.0), "Rayleigh": (2.0,), "Weibull": (2.5, 3.0),
        "lognormal": (0.0, 0.4),
    }[name]  # fmt: skip
    x = Shape(FAMILIES[name], theta).quantile((np.arange(300) + 0.5) / 300)

    assert fit_test(name, x, samples=100).p_value > 0.5


def test_p_values_of_the_bootstrap_follow_those_of_the_table():
    x = np.random.default_rng(8).standard_t(6, 200)

    tabulated = normality(x).p_value
    assert fit_test("normal", x, samples=2000).p_value == pytest.approx(tabulated, abs=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("step", [None, 0.5, 1.0])
@pytest.mark.parametrize("n", [30, 300])
def test_true_shapes_are_refused_as_often_as_the_level_says(n, step):
    generator = np.random.default_rng(3)
    p = []
    for _ in range(300):
        x = generator.normal(3.0, 1.0, n)
        x = x if step is None else np.round(x / step) * step
        p.append(fit_test("normal", x, step=step, samples=200).p_value)

    # Standard errors of 300 runs: 1.3 % at 5 %, 2.9 % at half.
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.035)
    assert np.mean(np.array(p) < 0.5) == pytest.approx(0.5, abs=0.085)


def test_rounding_to_whole_steps_does_not_refuse_a_normal_shape():
    x = np.round(np.random.default_rng(2).normal(5.0, 0.7, 400))

    assert fit_test("normal", x, step=1.0).accepted
    assert normality(x).p_value < 1e-6  # what the table makes of the same readings


@pytest.mark.parametrize(
    ("draw", "name"),
    [
        (lambda g: g.lognormal(0.0, 0.6, 400), "lognormal"),
        (lambda g: np.abs(g.normal(0.0, 1.0, 400)), "folded normal"),
        (lambda g: 3 * g.weibull(1.2, 400), "Weibull"),
        (lambda g: g.rayleigh(1.5, 400), "Rayleigh"),
        (lambda g: g.normal(9.0, 1.0, 400), "normal"),
    ],
)
def test_the_shape_that_made_the_values_is_mostly_chosen(draw, name):
    # Neighbours win now and then: a Rayleigh shape is a Weibull one of shape 2.
    chosen = [
        best_fit(FOR_ZERO_BOUNDED, draw(np.random.default_rng(seed)), samples=100)
        for seed in range(10)
    ]

    assert sum(test is not None and test.shape.name == name for test in chosen) >= 7


def test_a_wide_drift_is_seen_as_flattened():
    generator = np.random.default_rng(7)
    x = generator.normal(0, 1, 1500) + generator.uniform(-4, 4, 1500)

    found = best_fit(FOR_SIZES, x)

    assert found.shape.name == "flattened normal"
    assert found.shape.parameters["width"] == pytest.approx(8.0, abs=0.6)
    assert found.shape.parameters["sd"] == pytest.approx(1.0, abs=0.15)


def test_runners_up_are_told_with_their_p_values():
    x = np.abs(np.random.default_rng(6).normal(0.0, 1.0, 400))

    tests = fit_tests(FOR_ZERO_BOUNDED, x)

    assert tests[0].accepted
    assert [t.accepted for t in tests] == sorted((t.accepted for t in tests), reverse=True)
    assert {"normal", "Weibull", "lognormal"} <= {t.shape.name for t in tests}


def test_no_shape_for_two_humps():
    generator = np.random.default_rng(1)
    x = np.concatenate([generator.normal(-5, 1, 200), generator.normal(5, 1, 200)])

    assert best_fit(("normal",), x) is None


def test_the_same_readings_give_the_same_p_value():
    x = np.random.default_rng(9).normal(size=60)

    assert fit_test("normal", x).p_value == fit_test("normal", x).p_value


@pytest.mark.parametrize(("x", "says"), [([1.0] * 9, "alike"), ([1.0, 2.0, 3.0], "needs 8")])
def test_what_cannot_be_tested_is_refused(x, says):
    with pytest.raises(ValueError, match=says):
        normality(x)


def test_distances_hold_against_a_naive_count():
    x = np.random.default_rng(4).normal(size=50)
    bell = Shape(FAMILIES["normal"], (0.0, 1.0))
    found = edf_statistics(x, bell)

    ordered = sorted(x)
    cdf = [0.5 * (1 + math.erf(v / 2**0.5)) for v in ordered]
    n = len(x)
    a2 = -n - sum(
        (2 * i + 1) / n * (math.log(cdf[i]) + math.log(1 - cdf[n - 1 - i])) for i in range(n)
    )
    d = max(max((i + 1) / n - cdf[i], cdf[i] - i / n) for i in range(n))
    assert (found.anderson_darling, found.kolmogorov) == (pytest.approx(a2), pytest.approx(d))
