"""One filter of the bank beside statsmodels' own; odd readings, jumps, spread and dresses."""

from dataclasses import replace

import numpy as np
import pytest

from spc.adviser import filter as bank
from spc.adviser import model as book
from spc.adviser.filter import Belief
from spc.adviser.model import LEVEL, SLOPE, USUAL_SLOPE, Model
from spc.adviser.prior import Prior

approx = pytest.approx
GAUGE_VAR = 0.03**2
HOME = LEVEL + 1  # of one size


def heard(belief, *values, size=None, gauge_var=GAUGE_VAR):
    """The belief after readings of the part ground last, of one size where none is told."""
    size = np.zeros(len(values), int) if size is None else np.array(size)
    return belief.read(size, np.array(values), np.full(len(values), gauge_var))


def told(levels, *, sd=0.12, seed=0, gauge_var=GAUGE_VAR):
    """A belief after one reading of each part at these levels."""
    noise = sd * np.random.default_rng(seed).standard_normal(len(levels))
    belief = Belief.begin(Model())
    for level, more in zip(levels, noise, strict=True):
        belief = heard(belief.part(), level + more, gauge_var=gauge_var)
    return belief


def expected(belief):
    return belief.weight @ belief.mean


def test_each_filter_is_the_kalman_filter_of_the_textbook(monkeypatch):
    # A second witness: statsmodels' filter with the same Z, T, R, Q and H, spread known and
    # neither odd readings nor jumps.
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    monkeypatch.setattr(bank, "ODD_RATE", 1e-300)
    monkeypatch.setattr(bank, "JUMP_RATE", 1e-300)
    monkeypatch.setattr(bank, "LEAP_RATE", 1e-300)
    parts = 30
    y = 0.01 * np.arange(parts) + 0.1 * np.random.default_rng(5).standard_normal(parts)
    start = Belief.begin(Model())
    belief = replace(start, dof=np.full(start.dof.shape, 1e12))
    k = 70
    scale = []
    designs = []
    for value in y:
        belief = belief.part()
        designs.append(belief.model.design(belief.age, belief.cold)[k, 0])
        scale.append(belief.part_var[k, 0] + GAUGE_VAR)
        belief = heard(belief, value)

    other = KalmanFilter(k_endog=1, k_states=start.model.states, k_posdef=1)
    other.bind(y)
    other["design"] = np.array(designs).T[None]
    other["transition"] = np.eye(start.model.states)
    other["selection", LEVEL, 0] = 1.0
    other["state_cov", 0, 0] = start.wander_var[0, k]
    other["obs_cov"] = np.array(scale)[None, None]
    first = start.part()
    other.initialize_known(first.mean[k], first.cov[k])
    found = other.filter()

    assert belief.mean[k] == approx(found.filtered_state[:, -1], abs=1e-9)
    assert belief.cov[k] == approx(found.filtered_state_cov[:, :, -1], abs=1e-9)


def test_the_filters_of_several_sizes_are_the_textbooks_too(monkeypatch):
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    for rate in ("ODD_RATE", "JUMP_RATE", "OWN_JUMP_RATE", "LEAP_RATE", "ODD_PART_RATE"):
        monkeypatch.setattr(bank, rate, 1e-300)
    parts, sizes = 12, 3
    rng = np.random.default_rng(6)
    y = 0.01 * np.arange(parts)[:, None] + 0.1 * rng.standard_normal((parts, sizes))
    y[4, 1] = np.nan  # not read
    start = Belief.begin(Model(registers=(0, 0, 1)))
    belief = replace(start, dof=np.full(start.dof.shape, 1e12))
    model, k = start.model, 41
    designs, noises = [], []
    for row in y:
        belief = belief.part()
        designs.append(model.design(belief.age, belief.cold)[k])
        sd = np.sqrt(belief.part_var[k])
        alike = book.ALIKE + (1 - book.ALIKE) * np.eye(sizes)
        noises.append(np.outer(sd, sd) * alike + GAUGE_VAR * np.eye(sizes))
        read = np.flatnonzero(np.isfinite(row))
        belief = heard(belief, *row[read], size=read)

    other = KalmanFilter(k_endog=sizes, k_states=model.states, k_posdef=model.states)
    other.bind(y)
    other["design"] = np.array(designs).transpose(1, 2, 0)
    other["transition"] = np.eye(model.states)
    other["selection"] = np.eye(model.states)
    first = start.part()
    other["state_cov"] = first.cov[k] - start.cov[k]
    other["obs_cov"] = np.array(noises).transpose(1, 2, 0)
    other.initialize_known(first.mean[k], first.cov[k])
    found = other.filter()

    assert belief.mean[k] == approx(found.filtered_state[:, -1], abs=1e-9)
    assert belief.cov[k] == approx(found.filtered_state_cov[:, :, -1], abs=1e-9)


def test_an_odd_reading_of_one_size_is_told_from_a_jump_of_all():
    rng = np.random.default_rng(3)
    belief = Belief.begin(Model(registers=(0, 0, 0)))
    for _ in range(20):
        belief = heard(belief.part(), *(0.1 * rng.standard_normal(3)), size=[0, 1, 2])
    odd = heard(belief.part(), 0.0, 1.3, 0.0, size=[0, 1, 2])
    jump = heard(belief.part(), 1.3, 1.3, 1.3, size=[0, 1, 2])

    assert odd.odd[1] > 0.9 > 0.05 > max(odd.odd[0], odd.odd[2], odd.strange)
    assert jump.strange > 0.9 > 0.05 > max(jump.odd)
    # One part so far off may be odd itself; the second one says that the level has moved.
    again = heard(jump.part(), 1.3, 1.25, 1.35, size=[0, 1, 2])
    moved = (expected(b)[b.model.level] - expected(belief)[b.model.level] for b in (jump, again))
    assert np.all(next(moved) < 0.6)
    assert np.all(next(moved) > 0.9)


def test_a_seat_that_wears_more_than_the_others_is_known_to():
    rng = np.random.default_rng(4)
    belief = Belief.begin(Model(registers=(0, 0)))
    for k in range(1, 81):
        noise = 0.1 * rng.standard_normal(2)
        belief = heard(belief.part(), 0.004 * k + noise[0], 0.008 * k + noise[1], size=[0, 1])
    lean = expected(belief)[belief.model.lean]

    assert lean[1] - lean[0] == approx(0.004, abs=0.0015)


def test_a_row_of_the_design_is_what_the_page_of_formulas_says():
    model = Model()
    z = model.design(30.0, 0.4)[np.argmin(model.life), 0]  # a life of 25 parts

    assert z == approx([30, 0, 1 - np.exp(-5), -0.4, (5 / 25) ** 2, 1, 0])


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

    new_mean, new_cov = Model().dressed(mean, cov, 0.04)

    assert new_mean == approx(t @ mean)
    assert new_cov == approx(t @ cov @ t.T + noise)


def test_wear_and_spread_are_learnt():
    belief = told(0.012 * np.arange(1, 61), sd=0.08)

    assert expected(belief)[SLOPE] == approx(0.012, abs=0.002)
    assert np.sqrt(belief.weight @ belief.variance[:, 0]) == approx(0.08, rel=0.2)


def test_one_reading_far_off_hardly_moves_the_level_and_is_held_to_be_odd():
    calm = told(np.zeros(20))
    after = heard(calm.part(), 1.5)

    assert after.odd[0] > 0.8
    assert abs(expected(after)[LEVEL] - expected(calm)[LEVEL]) < 0.3


def test_a_second_reading_of_the_part_tells_an_odd_reading_from_a_jump():
    calm = told(np.zeros(20)).part()
    agrees = heard(calm, 1.2, 1.23)
    differs = heard(calm, 1.2, 0.02)

    # Either the part is odd or the level has jumped; the next part tells which.
    assert agrees.odd[0] < 0.01
    assert agrees.strange > 0.98
    next_one = heard(agrees.part(), 1.2)
    assert expected(next_one)[LEVEL] - expected(calm)[LEVEL] > 0.7
    assert differs.odd[0] > 0.99
    assert expected(differs)[LEVEL] == approx(expected(calm)[LEVEL], abs=0.05)


def test_a_jump_carries_most_of_itself_over_the_next_dress():
    calm = told(np.zeros(20)).part()
    jumped = heard(calm, 1.2, 1.23)
    moved = expected(jumped)[LEVEL] - expected(calm)[LEVEL]
    carried = expected(jumped.dress())[LEVEL] - expected(calm.dress())[LEVEL]

    assert carried / moved == approx(bank.JUMP_STAYS, abs=0.15)


def test_a_dull_wheel_is_seen_in_its_spread():
    rng = np.random.default_rng(8)
    belief = Belief.begin(Model(Prior.told(100)))
    for k in range(1, 161):
        sd = 0.08 * (1 + 1.8 * max(k - 80, 0) / 80)
        belief = heard(belief.part(), sd * rng.standard_normal())
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
            wide = heard(wide.part(), high + noise)
            narrow = heard(narrow.part(), low + noise)
        wide, narrow = wide.dress(), narrow.dress()

    assert np.sqrt(wide.scatter_var) > 0.28
    assert np.sqrt(narrow.scatter_var) < 0.16


def test_probabilities_stay_probabilities_and_covariances_positive():
    rng = np.random.default_rng(1)
    belief = Belief.begin(Model(Prior.told(60)))
    for k in range(150):
        belief = belief.part()
        if k % 3 == 0:
            value = rng.standard_normal() * (3 if k % 21 == 0 else 0.15)
            belief = heard(belief, value)
        if k % 50 == 49:
            belief = belief.dress().pause(100)

    assert belief.weight.sum() == approx(1)
    assert np.all(np.linalg.eigvalsh(belief.cov) > -1e-12)
    assert belief.cov == approx(belief.cov.transpose(0, 2, 1))
