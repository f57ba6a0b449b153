"""Stretches that stand twice in a sequence are told from what gauges and wear make by chance."""

import numpy as np
import pytest

from spc.copied import Copy, copies


def gauge(n, *, step, seed, drift=0.0, sd=0.5):
    """Readings as a gauge of some step shows them: wear dressed off after every 60 parts."""
    rng = np.random.default_rng(seed)
    return np.round((drift * (np.arange(n) % 60) + rng.normal(0, sd, n)) / step).astype(np.int64)


@pytest.mark.parametrize("drift", [0.0, 0.05, 0.15])
@pytest.mark.parametrize("step", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("n", [12, 80, 300, 3000])
def test_no_gauge_however_coarse_is_taken_for_a_copy(n, step, drift):
    for seed in range(10):
        assert copies(gauge(n, step=step, drift=drift, seed=seed)) == []


STUCK = {
    "stuck": np.zeros(200, dtype=np.int64),
    "stuck halfway": np.concatenate([gauge(3000, step=0.1, seed=1), np.full(200, 99)]),
    "two values in turn": np.arange(300) % 2,
    "stuck now and then": np.where(np.arange(900) % 300 < 60, 77, gauge(900, step=0.1, seed=2)),
    "nothing": np.zeros(0, dtype=np.int64),
}


@pytest.mark.parametrize("codes", STUCK.values(), ids=STUCK)
def test_a_gauge_that_is_stuck_makes_no_copy(codes):
    assert copies(codes) == []


@pytest.mark.parametrize("count", [40, 12, 6])
def test_a_stretch_pasted_twice_is_found_whole(count):
    codes = gauge(60, step=0.1, seed=4, sd=2.0)

    assert copies(np.concatenate([codes, codes[10 : 10 + count], [998, 999]])) == [
        Copy(first=60, earlier=10, count=count)
    ]


def test_a_stretch_pasted_three_times_is_found_twice():
    codes = gauge(40, step=0.1, seed=5)

    assert copies(np.concatenate([codes, codes, codes])) == [
        Copy(first=40, earlier=0, count=40), Copy(first=80, earlier=0, count=40)
    ]  # fmt: skip


def test_forty_values_of_a_half_micrometre_gauge_are_found_among_wear():
    codes = gauge(120, step=0.5, drift=0.1, seed=6)

    (found,) = copies(np.concatenate([codes, codes[30:70]]))

    assert found.count >= 38
    assert found.first - found.earlier == 90
