"""
Capability of four features of 2,000 parts, against a plain resampling bootstrap of one index.

Run by hand: ``pytest -m bench -s tests/bench/bench_capability.py``. Each figure is the least of
five runs over the least of the reference, in the same process. The reference resamples 2,000
parts 500 times and takes the index of each sample.
"""

import time

import numpy as np
import pytest

from spc.capability.assessment import assess
from spc.capability.intervals import cpk_interval
from spc.gauge.study import variance_study

pytestmark = pytest.mark.bench

PARTS = 2_000


def seconds(job, times=5):
    job()
    spent = []
    for _ in range(times):
        begun = time.perf_counter()
        job()
        spent.append(time.perf_counter() - begun)
    return min(spent)


def resampled():
    generator = np.random.default_rng(0)
    y = generator.normal(size=PARTS)
    drawn = generator.choice(y, size=(500, PARTS))
    index = (5 - np.abs(drawn.mean(1))) / (3 * drawn.std(1, ddof=1))
    return np.quantile(index, (0.025, 0.975))


def report(what, job, most):
    reference = seconds(resampled)
    spent = seconds(job)
    ratio = spent / reference
    print(f"\n{what}: {1000 * spent:.1f} ms, {ratio:.2f} plain bootstraps; target {most}")
    assert ratio < most


def features(*, drift, dress, zero=False):
    generator = np.random.default_rng(1)
    cycle, since = np.repeat(np.arange(40), 50), np.tile(np.arange(1, 51), 40)
    y = generator.normal(size=(4, PARTS)) + dress * generator.normal(size=40)[cycle]
    y = np.round(y + drift * since / 50, 1)
    return np.abs(y) if zero else y, cycle, since


def judge(made, *, zero=False):
    rows, cycle, since = made
    limits = {"lower": None, "upper": 7.0} if zero else {"lower": -6.0, "upper": 10.0}
    for y in rows:
        assess(
            y, cycle=cycle, since_dress=since, target=0.0 if zero else 2.0, stable=True, step=0.1,
            gauge_sd=0.3, zero_bounded=zero, **limits,
        )  # fmt: skip


def test_four_quiet_features():
    made = features(drift=0.0, dress=0.0)
    report("four quiet features", lambda: judge(made), 18)


def test_four_worn_features():
    made = features(drift=4.0, dress=0.7)
    report("four features with wear and dress scatter", lambda: judge(made), 9)


def test_four_features_bounded_by_zero():
    made = features(drift=0.0, dress=0.0, zero=True)
    report("four features bounded by zero", lambda: judge(made, zero=True), 40)


def test_one_exact_interval():
    report("one interval", lambda: cpk_interval(0.1, 1.0, 125, lower=-4, upper=4), 0.5)


def test_one_gauge_study():
    readings = np.random.default_rng(2).normal(size=(3, 10, 3))
    report("one gauge study with bounds", lambda: variance_study(readings), 1.0)
