"""Odd but finite readings are judged or declined, never a fault of the program."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.capability.assessment import assess
from spc.capability.fit_test import best_fit, fit_tests

#: A mistyped size: 400080 for 40.0080 leaves a deviation of this order.
FAR = [1e9, -1e9, 400_038.0 * 1000, 3e4, 1e-9, 0.0]


@st.composite
def odd_runs(draw):
    """30 to 60 readings: ordinary ones, alike or of few values, with some far out."""
    n = draw(st.integers(30, 60))
    seed = draw(st.integers(0, 2**16))
    values = draw(st.sampled_from([1, 2, 3, n]))
    scale = draw(st.sampled_from([1e-6, 0.5, 2.0, 1e4, 1e7]))
    level = draw(st.sampled_from([0.0, 8.0, -9997.0, 1e7]))
    generator = np.random.default_rng(seed)
    pool = level + scale * generator.normal(size=values)
    y = pool if values == n else generator.choice(pool, size=n)
    strays = st.tuples(st.integers(0, n - 1), st.sampled_from(FAR))
    for at, far in draw(st.lists(strays, max_size=3)):
        y[at] = far
    cycles = draw(st.sampled_from([1, 2, 5]))
    step = draw(st.sampled_from([None, 0.1, 1.0]))
    return np.round(y, 1) if step else y, cycles, step


def judged(y, cycles=1, *, step=None, zero_bounded=False, stable=True):
    n = len(y)
    cycle = np.arange(n) * cycles // n
    since = 1 + np.arange(n) - np.searchsorted(cycle, cycle)
    return assess(
        y, cycle=cycle, since_dress=since, lower=None if zero_bounded else 2.0, upper=13.0,
        target=0.0 if zero_bounded else 7.5, stable=stable, zero_bounded=zero_bounded, step=step,
        gauge_sd=0.2,
    )  # fmt: skip


@settings(max_examples=60, deadline=None, derandomize=True)
@given(run=odd_runs(), zero_bounded=st.booleans(), stable=st.booleans())
def test_any_finite_readings_are_judged_or_declined(run, zero_bounded, stable):
    y, cycles, step = run
    y = np.abs(y) if zero_bounded else y

    found = judged(y, cycles, step=step, zero_bounded=zero_bounded, stable=stable)

    assert found.n == len(y)
    assert found.verdict
    for index in (found.total.cpk, found.within.cpk, found.ppm):
        assert (index.value is None and index.why) or np.isfinite(index.value)
        assert not np.isnan([b for b in (index.lower, index.upper) if b is not None]).any()


def test_two_slips_among_zeros_overflow_nothing():
    y = np.array([1e9, 400038000.0, *[0.0] * 28])

    found = judged(y, step=0.1, zero_bounded=True, stable=False)

    assert found.verdict
    assert found.total.cpk.value is None or np.isfinite(found.total.cpk.value)


def test_readings_inside_one_step_of_the_gauge_tell_no_shape():
    y = 40.0 + 0.002 * np.arange(40) / 40

    found = judged(y, step=0.1)

    assert found.shape == ""
    assert found.total.cpk.value is None
    assert not any(test.accepted for test in fit_tests(("normal",), y, step=0.1))
    assert best_fit(("normal", "folded normal"), y, step=0.1) is None


def test_one_size_with_a_slipped_comma_leaves_no_shape_but_an_answer():
    y = np.random.default_rng(3).normal(7.5, 1.0, 45)
    y[20] = 400_038.0 * 1000

    found = judged(y)

    assert found.shape == ""
    assert 20 in found.outliers


def test_a_run_of_ordinary_readings_keeps_its_shape():
    found = judged(np.round(np.random.default_rng(3).normal(7.5, 1.0, 60), 1), step=0.1)

    assert found.shape == "normal"
    assert found.total.cpk.value is not None
