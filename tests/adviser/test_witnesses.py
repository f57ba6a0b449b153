"""What others have published on filters, dead bands and tampering, beside the adviser's numbers."""

from dataclasses import replace

import numpy as np
import pytest

from spc.adviser import filter as bank
from spc.adviser import model as book
from spc.adviser.filter import Belief
from spc.adviser.loss import GRID, Sizes, Stakes
from spc.adviser.model import LEVEL, Model
from spc.adviser.value import THIS, solve
from tests.adviser.grinder import adviser

approx = pytest.approx


def only_level(variance, *, sd=1e-4, wander=0.0):
    """A belief in which the level alone is unknown and wanders, and parts scatter by so much."""
    start = Belief.begin(Model())
    life, dulling, wanders = start.model.life, start.model.dulling, start.model.wander[:, 0]
    cov = np.zeros_like(start.cov) + 1e-12 * np.eye(start.cov.shape[1])
    cov[:, LEVEL, LEVEL] = variance
    # One hypothesis of the bank is as good as true: the longest life.
    own = (life == max(life)) & (dulling == min(dulling))
    own &= wanders == (max if wander else min)(wanders)
    spread = wander / max(wanders) if wander else sd
    return replace(
        start, mean=np.zeros_like(start.mean), cov=cov, log_weight=np.where(own, 0.0, -60.0),
        dof=np.full(start.dof.shape, 1e12), variance=np.full(start.variance.shape, spread**2),
        scatter_var=1e-8, cold=0.0,
    )  # fmt: skip


def level(belief):
    return float(belief.weight @ belief.mean[:, LEVEL])


def heard(belief, value, gauge_var):
    return belief.read(np.array([0]), np.array([value]), np.array([gauge_var]))


def test_after_a_setup_the_gains_are_those_of_the_harmonic_rule(monkeypatch):
    # Grubbs (1954), Industrial Quality Control, reprinted J. Quality Technology 15 (1983)
    # 186-189, from memory: with set-up and measuring variance both 1 the k-th correction is
    # 1/(1 + k) of the k-th deviation.
    printed = [0.5, 0.3333, 0.25, 0.2, 0.1667, 0.1429]
    monkeypatch.setattr(bank, "ODD_RATE", 1e-300)
    monkeypatch.setattr(bank, "JUMP_RATE", 1e-300)
    monkeypatch.setattr(bank, "LEAP_RATE", 1e-300)
    belief, gains = only_level(1.0), []
    for _ in printed:
        before = level(belief)
        belief = heard(belief, before + 0.1, 1.0)
        gains.append((level(belief) - before) / 0.1)

    assert gains == approx(printed, abs=5e-5)


def test_a_large_first_error_is_believed_when_the_setup_is_hardly_known(monkeypatch):
    # Same source: a set-up far more uncertain than a reading gives a first gain of 1.
    monkeypatch.setattr(bank, "ODD_RATE", 1e-300)
    monkeypatch.setattr(bank, "JUMP_RATE", 1e-300)
    monkeypatch.setattr(bank, "LEAP_RATE", 1e-300)
    assert level(heard(only_level(1e6), 5.0, 1.0)) == approx(5.0, abs=1e-4)


@pytest.mark.parametrize(("ratio", "half_band"), [(10, 2.2), (50, 3.5), (100, 4.3)])
def test_under_pure_wander_the_band_is_that_of_box_and_luceno(ratio, half_band, monkeypatch):
    # Box and Luceño, Statistical Control by Monitoring and Feedback Adjustment (1997), from
    # memory: optimal half band in units of the wander per part, for R = price/(loss x wander²).
    monkeypatch.setattr(book, "WANDERS", ((0.0, 0.0), (100.0, 0.0)))
    wander = 0.12
    belief = only_level(1e-9, wander=wander)
    stakes = Stakes(
        lower=-9.0, upper=9.0, low=0.0, high=0.0, off_target=1.0, offset=ratio * wander**2,
        dress=1e3, measure=0.0, step=1e-3, returns=False,
    )  # fmt: skip
    keep = solve(belief, belief.dress(), Sizes.one(stakes, 1e-9), every=1, due=1).keep[THIS, 0]
    fine = np.linspace(-1.5, 1.5, 3001)
    inside = fine[np.interp(fine, GRID, keep) <= keep.min() + stakes.offset]

    assert (inside.max() - inside.min()) / 2 / wander == approx(half_band, rel=0.2)


def test_white_noise_is_not_fed_back():
    # Deming, Out of the Crisis (1986), ch. 11, from memory: adjusting by every deviation (rule 2
    # of the funnel) doubles the variance of a steady process; leaving it alone (rule 1) does not.
    noise = 0.9 * np.random.default_rng(7).standard_normal(240)
    tampered, register = [], 0.0
    for value in noise:
        tampered.append(value + register)
        register -= tampered[-1]
    advisor, steered, register = adviser(habit=None, sample=1), [], 0.0
    for value in noise:
        steered.append(value + register)
        advisor.part()
        advisor.reading("seat", round(steered[-1], 1))
        move = advisor.advise().offset_um
        if move:
            advisor.event("offset", um=move)
            register += move

    assert np.var(tampered) / np.var(noise) == approx(2.0, abs=0.2)
    assert np.var(steered[20:]) / np.var(noise[20:]) < 1.12
