"""One filter of the bank beside statsmodels' own; odd readings, jumps, spread and dresses."""

from dataclasses import replace

import numpy as np
import pytest

from spc.adviser import filter as bank
from spc.adviser import model as book
from spc.adviser.filter import Belief
from spc.adviser.model import HOME, LEVEL, SLOPE, USUAL_SLOPE, Model, dressed

approx = pytest.approx
GAUGE_VAR = 0.03**2


def told(levels, *, sd=0.12, seed=0, gauge_var=GAUGE_VAR):
    """A belief after one reading of each part at these levels."""
    noise = sd * np.random.default_rng(seed).standard_normal(len(levels))
    belief = Belief.begin(Model())
    for level, more in zip(levels, noise, strict=True):
        belief = belief.part().read(np.array([level + more]), gauge_var)
    return belief


def expected(belief):
    return belief.weight @ belief.mean


def test_each_filter_is_the_kalman_filter_of_the_textbook(monkeypatch):
    # A second witness: statsmodels' filter with the same Z, T, R, Q and H, spread known and
    # neither odd readings nor jumps.
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    monkeypatch.setattr(bank, "ODD_RATE", 1e-300)
    monkeypatch.setattr(bank, "JUMP_RATE", 1e-300)
    parts = 30
    y = 0.01 * np.arange(parts) + 0.1 * np.random.default_rng(5).standard_normal(parts)
    start = Belief.begin(Model())
    belief = replace(start, dof=np.full(len(start.dof), 1e12))
    k = 70
    scale = []
    designs = []
    for value in y:
        belief = belief.part()
        designs.append(belief.model.design(belief.age, belief.cold)[k])
        scale.append(belief.part_var[k] + GAUGE_VAR)
        belief = belief.read(np.array([value]), GAUGE_VAR)

    other = KalmanFilter(k_endog=1, k_states=book.STATES, k_posdef=1)
    other.bind(y)
    other["design"] = np.array(designs).T[None]
    other["transition"] = np.eye(book.STATES)
    other["selection", LEVEL, 0] = 1.0
    other["state_cov", 0, 0] = start.wander_var[k]
    other["obs_cov"] = np.array(scale)[None, None]
    first = start.part()
    other.initialize_known(first.mean[k], first.cov[k])
    found = other.filter()

    assert belief.mean[k] == approx(found.filtered_state[:, -1], abs=1e-9)
    assert belief.cov[k] == approx(found.filtered_state_cov[:, :, -1], abs=1e-9)


def test_a_row_of_the_design_is_what_the_page_of_formulas_says():
    model = Model()
    z = model.design(30.0, 0.4)[np.argmin(model.life)]  # a life of 25 parts

    assert z == approx([1, 0, 30, 0, 1 - np.exp(-5), -0.4, (5 / 25) ** 2])


def test_a_dress_is_the_transition_matrix_with_its_noise():
    rng = np.random.default_rng(3)
    root = rng.standard_normal((7, 7))
    mean, cov = rng.standard_normal(7), root @ root.T
    t = np.eye(7)
    t[LEVEL], t[SLOPE] = np.eye(7)[HOME], np.eye(7)[USUAL_SLOPE]
    noise = np.zeros((7, 7))
    noise[LEVEL, LEVEL] = 0.04
    usual = mean[USUAL_SLOPE] ** 2 + cov[USUAL_SLOPE, USUAL_SLOPE]
    noise[SLOPE, SLOPE] = book.SLOPE_SCATTER**2 * usual

    new_mean, new_cov = dressed(mean, cov, 0.04)

    assert new_mean == approx(t @ mean)
    assert new_cov == approx(t @ cov @ t.T + noise)


def test_wear_and_spread_are_learnt():
    belief = told(0.012 * np.arange(1, 61), sd=0.08)

    assert expected(belief)[SLOPE] == approx(0.012, abs=0.002)
    assert np.sqrt(belief.weight @ belief.variance) == approx(0.08, rel=0.2)


def test_one_reading_far_off_hardly_moves_the_level_and_is_held_to_be_odd():
    calm = told(np.zeros(20))
    after = calm.part().read(np.array([1.5]), GAUGE_VAR)

    assert after.odd > 0.8
    assert abs(expected(after)[LEVEL] - expected(calm)[LEVEL]) < 0.3


def test_a_second_reading_of_the_part_tells_an_odd_reading_from_a_jump():
    calm = told(np.zeros(20)).part()
    agrees = calm.read(np.array([1.2, 1.23]), GAUGE_VAR)
    differs = calm.read(np.array([1.2, 0.02]), GAUGE_VAR)

    assert agrees.odd < 0.01
    assert expected(agrees)[LEVEL] - expected(calm)[LEVEL] > 0.7
    assert differs.odd > 0.99
    assert expected(differs)[LEVEL] == approx(expected(calm)[LEVEL], abs=0.05)


def test_a_jump_carries_most_of_itself_over_the_next_dress():
    calm = told(np.zeros(20)).part()
    jumped = calm.read(np.array([1.2, 1.23]), GAUGE_VAR)
    moved = expected(jumped)[LEVEL] - expected(calm)[LEVEL]
    carried = expected(jumped.dress())[LEVEL] - expected(calm.dress())[LEVEL]

    assert carried / moved == approx(bank.JUMP_STAYS, abs=0.15)


def test_a_dull_wheel_is_seen_in_its_spread():
    rng = np.random.default_rng(8)
    belief = Belief.begin(Model(100))
    for k in range(1, 161):
        sd = 0.08 * (1 + 1.8 * max(k - 80, 0) / 80)
        belief = belief.part().read(np.array([sd * rng.standard_normal()]), GAUGE_VAR)
    life = np.exp(belief.weight @ np.log(belief.model.life))

    assert belief.weight @ belief.model.dulling > 1.2
    assert life == approx(80, rel=0.4)


def test_the_scatter_of_dresses_is_learnt_from_the_levels_they_leave():
    rng = np.random.default_rng(2)
    wide = narrow = Belief.begin(Model())
    for _ in range(12):
        high, low = 0.5 * rng.standard_normal(), 0.05 * rng.standard_normal()
        for _ in range(8):
            noise = 0.1 * rng.standard_normal()
            wide = wide.part().read(np.array([high + noise]), GAUGE_VAR)
            narrow = narrow.part().read(np.array([low + noise]), GAUGE_VAR)
        wide, narrow = wide.dress(), narrow.dress()

    assert np.sqrt(wide.scatter_var) > 0.28
    assert np.sqrt(narrow.scatter_var) < 0.16


def test_probabilities_stay_probabilities_and_covariances_positive():
    rng = np.random.default_rng(1)
    belief = Belief.begin(Model(60))
    for k in range(150):
        belief = belief.part()
        if k % 3 == 0:
            value = rng.standard_normal() * (3 if k % 21 == 0 else 0.15)
            belief = belief.read(np.array([value]), GAUGE_VAR)
        if k % 50 == 49:
            belief = belief.dress().pause(100)

    assert belief.weight.sum() == approx(1)
    assert np.all(np.linalg.eigvalsh(belief.cov) > -1e-12)
    assert belief.cov == approx(belief.cov.transpose(0, 2, 1))
