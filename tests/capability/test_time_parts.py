import numpy as np
import pytest

from spc.capability.time_models import time_model
from spc.capability.time_parts import take_apart


def run(cycles=6, length=40, *, drift=3.0, dress=1.0, sd=1.0, seed=1):
    generator = np.random.default_rng(seed)
    cycle, since = np.repeat(np.arange(cycles), length), np.tile(np.arange(1, length + 1), cycles)
    y = generator.normal(0, sd, cycles * length) + dress * generator.normal(size=cycles)[cycle]
    return y + drift * (since / length - 0.5), cycle, since


def test_lines_are_least_squares_of_each_cycle():
    y, cycle, since = run()
    parts = take_apart(y, cycle=cycle, since_dress=since)

    for c in range(6):
        mine = cycle == c
        line = np.polynomial.Polynomial.fit(since[mine], y[mine], 1)
        assert parts.path[mine] == pytest.approx(line(since[mine]))
    assert parts.within_df == 240 - 12
    assert parts.within_var == pytest.approx((parts.residual**2).sum() / 228)


def test_variances_add_up_to_that_of_all_parts():
    y, cycle, since = run()
    parts = take_apart(y, cycle=cycle, since_dress=since)

    assert parts.total_var == pytest.approx(y.var(ddof=1))
    whole = parts.scatter_var + parts.drift_var + parts.dress_var
    assert whole == pytest.approx(parts.total_var)
    assert parts.path + parts.residual == pytest.approx(y)


def test_mean_variances_are_those_put_in():
    found = [take_apart(y, cycle=c, since_dress=s) for y, c, s in (run(seed=k) for k in range(80))]

    assert np.mean([p.within_var for p in found]) == pytest.approx(1.0, abs=0.03)
    assert np.mean([p.drift_var for p in found]) == pytest.approx(9 / 12, abs=0.1)
    # Between six cycles: 5/6 of the variance shows in the sample.
    assert np.mean([p.dress_var for p in found]) == pytest.approx(5 / 6, abs=0.2)
    between = np.mean([(p.dress_ms - p.within_var) / p.per_cycle for p in found])
    assert between == pytest.approx(1.0, abs=0.25)


def test_offsets_are_put_back_onto_the_path():
    y, cycle, since = run(drift=0.0, dress=0.0, sd=0.1)
    offset = np.where(since > 20, -5.0, 0.0)
    parts = take_apart(y + offset, bare=y, cycle=cycle, since_dress=since)

    assert parts.within_sd == pytest.approx(0.1, rel=0.15)
    assert np.ptp(parts.path) == pytest.approx(5.0, abs=0.3)
    assert parts.drifts


def test_short_cycles_borrow_the_slope_of_the_long_ones():
    y, cycle, since = run(sd=0.01, dress=0.0)
    keep = (cycle != 3) | (since <= 4)
    parts = take_apart(y[keep], cycle=cycle[keep], since_dress=since[keep])

    mine = parts.cycle == 3
    assert np.diff(parts.path[mine]) == pytest.approx(np.full(3, 3.0 / 40), abs=0.002)
    assert parts.within_df == keep.sum() - 6 - 5


def test_short_cycles_alone_share_one_slope():
    y, cycle, since = run(cycles=20, length=5, drift=4.0, sd=0.1)
    parts = take_apart(y, cycle=cycle, since_dress=since)

    assert parts.within_df == 100 - 21
    assert parts.drifts


def test_parts_between_measured_ones_are_stood_for():
    y, cycle, since = run(cycles=2, length=20)
    keep = (since <= 3) | (since % 5 == 0)
    parts = take_apart(y[keep], cycle=cycle[keep], since_dress=since[keep])

    # Measured: 1, 2, 3, 5, 10, 15, 20.
    assert parts.stands_for[1:7].tolist() == [1.0, 1.0, 2.0, 5.0, 5.0, 5.0]


def test_two_parts_a_cycle_are_too_few():
    with pytest.raises(ValueError, match="cannot carry"):
        take_apart([1.0, 2.0, 3.0], cycle=[0, 1, 1], since_dress=[1, 1, 2])


@pytest.mark.parametrize(
    ("make", "model"),
    [
        (lambda g, c, s: g.normal(size=len(s)), "A1"),
        (lambda g, c, s: g.exponential(size=len(s)), "A2"),
        (lambda g, c, s: g.normal(size=len(s)) * (1 + c), "B"),
        (lambda g, c, s: g.normal(size=len(s)) + 1.5 * g.normal(size=8)[c], "C1"),
        (lambda g, c, s: g.exponential(size=len(s)) + 2 * g.normal(size=8)[c], "C2"),
        (lambda g, c, s: g.normal(size=len(s)) + s / 10, "C3"),
        (lambda g, c, s: g.normal(size=len(s)) + s / 10 + 1.5 * g.normal(size=8)[c], "C4"),
        (lambda g, c, s: g.normal(size=len(s)) * (1 + c) + s / 4, "D"),
    ],
)
def test_each_of_the_eight_models_is_recognised(make, model):
    # ISO 22514-2:2017, meaning of the models from memory; runs invented to show each.
    cycle, since = np.repeat(np.arange(8), 40), np.tile(np.arange(1, 41), 8)
    y = make(np.random.default_rng(5), cycle, since)

    assert time_model(take_apart(y, cycle=cycle, since_dress=since)).name == model


def test_steps_of_the_gauge_are_no_shape():
    y, cycle, since = run(cycles=8, length=60, drift=0.0, dress=0.0)
    parts = take_apart(np.round(y), cycle=cycle, since_dress=since)

    assert time_model(parts, step=1.0).name == "A1"
    assert time_model(parts).name == "A2"
