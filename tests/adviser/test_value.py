"""The value function beside sums done by hand and every interval tried."""

import numpy as np
import pytest

from spc.adviser import induction
from spc.adviser import value as book
from spc.adviser.filter import Belief
from spc.adviser.loss import GRID, PITCH, SPREADS, Sizes, Stakes
from spc.adviser.model import Model
from spc.adviser.prior import Prior
from spc.adviser.value import solve

approx = pytest.approx
NOISE_VAR = 0.03**2


def ahead(cost, kernels, lengths):
    """Three lanes where nobody recognises a dull wheel and every part is read."""
    stays, never = np.ones(cost.shape[:2]), np.zeros(cost.shape[:2], dtype=bool)
    return induction.Ahead(cost, kernels, stays, never, np.ones(cost.shape[:2]), lengths, fresh=1)


def rate_of(stakes, loss, *, shift=0.0):
    """Rate at which a fresh wheel is worth nothing, for a loss per block and level."""
    lengths = np.ones(len(loss))
    cost = np.repeat(loss[:, None, :], 3, axis=1)
    kernel = induction.kernels(np.full(len(loss), shift), np.zeros(len(loss)))
    kernels = np.repeat(kernel[:, None, :], 3, axis=1)
    rate = 0.5
    for _ in range(30):
        leave = np.full((len(loss), 3), stakes.dress)
        keep, length = induction.backward(
            ahead(cost, kernels, lengths), stakes, np.full(3, rate), leave
        )
        rate += keep[0].min() / length[0]
    return rate


def test_without_offsets_the_rate_is_that_of_the_best_dress_interval():
    # Age replacement: the least of (price + losses up to n) / n over all n, tried one by one.
    stakes = Stakes(dress=3.0, offset=1e6)
    hazard = 0.01 + 0.002 * np.arange(1, 201)
    tried = [(3.0 + hazard[:n].sum()) / n for n in range(1, 201)]
    loss = np.repeat(hazard[:, None], len(GRID), axis=1)

    assert rate_of(stakes, loss) == approx(min(tried), rel=1e-6)


def test_with_wear_alone_the_cost_is_that_of_the_best_sawtooth():
    # Loss c x^2, growth b a part, a move costs p: teeth of n parts about the target cost
    # p/n + c b^2 (n^2 - 1)/12 a part. Row `THIS` may neither dress nor end before its 1500 parts.
    b, c, price, parts = 0.02, 2.0, 0.1, 1500
    n = np.arange(1, 60)
    tooth = (price / n + c * b**2 * (n**2 - 1) / 12).min()
    loss = np.repeat(c * GRID[None, :] ** 2, parts, axis=0)
    kernel = induction.kernels(np.full(parts, b), np.zeros(parts))
    # The run ends free of charge after its last part.
    dress = np.full((parts, 3), 1e9)
    dress[-1] = 0.0
    lanes = ahead(
        np.repeat(loss[:, None, :], 3, axis=1),
        np.repeat(kernel[:, None, :], 3, axis=1),
        np.ones(parts),
    )
    keep, _ = induction.backward(
        lanes, Stakes(dress=0.0, offset=price, off_target=c), np.zeros(3), dress
    )

    assert keep[book.THIS].min() / parts == approx(tooth, rel=0.07)


def test_kernels_keep_mean_and_variance_of_the_move():
    shift, news = np.array([0.013, -0.2, 0.05]), np.array([0.0, 0.002, 0.01])
    kernels = induction.kernels(shift, news)
    at = PITCH * np.arange(-10, 11)

    assert kernels.sum(axis=1) == approx(1)
    assert kernels @ at == approx(shift)
    assert kernels @ at**2 - shift**2 == approx(news)


def test_the_loss_of_a_level_is_counted_at_both_limits():
    # On the upper limit half of the parts are rework; the square is 1 + sd^2.
    stakes = Stakes(low=8.0, high=2.0, off_target=0.4)
    table = stakes.table
    k = int(np.argmin(np.abs(SPREADS - 0.1)))
    sd = SPREADS[k]
    at = int(np.argmin(np.abs(GRID - 1.04)))

    from scipy.special import ndtr

    by_hand = 2 * ndtr((GRID[at] - 1) / sd) + 0.4 * (GRID[at] ** 2 + sd**2)
    assert table[k, at] == approx(by_hand)


def aged(parts, *, seed=4, every=1, slope=0.006, sd=0.1, dull_from=10**9):
    rng = np.random.default_rng(seed)
    belief = Belief.begin(Model(Prior.told(100)))
    for k in range(1, parts + 1):
        belief = belief.part()
        if k % every == 0:
            wide = 1 + 2 * max(k - dull_from, 0) / dull_from
            reading = slope * k + sd * wide * rng.standard_normal()
            belief = belief.read(np.array([0]), np.array([reading]), np.array([NOISE_VAR]))
    return belief


def solved(belief, stakes=Stakes(), **rest):  # noqa: B008 (frozen)
    told = {"every": 5, "due": 5}
    return solve(belief, belief.dress(), Sizes.one(stakes, NOISE_VAR), **(told | rest))


def test_a_fresh_wheel_is_worth_nothing_and_the_rate_does_not_hang_on_where_it_began(monkeypatch):
    belief = aged(30)
    stakes = Stakes(returns=False)
    once = solved(belief, stakes)
    monkeypatch.setattr(book, "_first_guess", lambda belief, sizes: 3 * once.rate)
    again = solved(belief, stakes)

    assert once.keep[book.FRESH].min() == approx(0, abs=0.01 * stakes.dress)
    assert again.rate == approx(once.rate, rel=0.01)


def test_the_best_offset_is_a_multiple_of_the_step_and_brings_the_level_back():
    value = solved(aged(30), Stakes(step=0.07))
    cost, _, amount = value.offset(np.array([0.8]))

    assert amount / 0.07 == approx(round(amount / 0.07))
    assert abs(0.8 + amount) < 0.25
    assert cost < value.grind(np.array([0.8]))


def test_with_wear_upward_the_aim_lies_below_the_middle():
    steep = solved(aged(30, slope=0.015), Stakes(low=5.0, high=5.0))
    aim = GRID[int(np.argmin(steep.keep[book.THIS, 0]))]

    assert aim < -0.04


def test_never_closer_to_the_scrap_limit_when_scrap_costs_more():
    belief = aged(30)
    aims = []
    for scrap in (5.0, 50.0, 500.0):
        value = solved(belief, Stakes(low=scrap, high=5.0, off_target=0.1, step=0.01))
        aims.append(value.offset(np.zeros(1))[2])

    assert aims == sorted(aims)


def test_money_in_another_currency_changes_no_act():
    belief = aged(60)
    one = Stakes()
    other = Stakes(
        low=one.low * 100, high=one.high * 100, off_target=one.off_target * 100,
        offset=one.offset * 100, dress=one.dress * 100, measure=one.measure * 100,
    )  # fmt: skip
    a, b = solved(belief, one), solved(belief, other)

    assert b.keep == approx(100 * a.keep, rel=1e-6, abs=1e-6)
    assert b.offset(np.array([0.6]))[2] == a.offset(np.array([0.6]))[2]


def test_a_dearer_dress_comes_later():
    def waits(price):
        stakes = Stakes(dress=price, off_target=0.1)
        for age in range(20, 200, 10):
            value = solved(aged(age, slope=0.0, dull_from=60), stakes)
            if value.keep[book.THIS].min() > stakes.dress:
                return age
        return 200

    assert 20 < waits(0.3) < waits(30.0)


def test_a_reading_is_worth_more_the_less_is_known():
    sure, unsure = aged(40), aged(40, every=20)
    a, b = solved(sure), solved(unsure)

    def gain(value):
        return value.gain_of_reading(np.array([0.3]), 2.5, np.array([0.02]))

    assert b.doubt[0] > a.doubt[0]
    assert gain(b) > gain(a) >= 0


def test_nothing_is_dressed_or_moved_for_parts_that_never_come():
    # With one part to come a dress saves at most its loss, and so does an offset.
    belief = aged(150, slope=0.0, dull_from=60)
    endless, short = solved(belief), solved(belief, left=1)
    level = np.array([0.1])

    assert endless.dress(level, cold=False)[0] < endless.grind(level)
    assert short.grind(level) < short.dress(level, cold=False)[0]
    assert short.grind(level) < short.offset(level)[0]


def test_a_batch_without_an_end_in_sight_is_one_without_an_end():
    belief = aged(60)
    far, never = solved(belief, left=1e5), solved(belief)

    assert far.rate == approx(never.rate, rel=0.02)
    waits = [
        v.grind(np.array([0.1])) - v.dress(np.array([0.1]), cold=False)[0] for v in (far, never)
    ]
    assert waits[0] == approx(waits[1], abs=0.02)
