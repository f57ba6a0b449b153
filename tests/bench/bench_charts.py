"""
Charts of ten million readings, against one pass over the same array.

Run by hand: ``pytest -m bench -s tests/bench/bench_charts.py``. Each figure is the least of
five runs over the least of the reference, in the same process.
"""

import time

import numpy as np
import pytest

from spc.charts import chain, run_length
from spc.charts.cusum import cusum_chart
from spc.charts.ewma import ewma_chart
from spc.charts.shewhart import individuals_chart
from spc.charts.signals import ALL, PATTERNS, chosen, watch

pytestmark = pytest.mark.bench

READINGS = 10_000_000


@pytest.fixture(scope="module")
def x():
    return np.random.default_rng(0).normal(6.0, 1.5, READINGS)


def one_pass(x):
    return np.abs(np.diff(x)).mean()


def seconds(job, times=5):
    spent = []
    for _ in range(times):
        begun = time.perf_counter()
        job()
        spent.append(time.perf_counter() - begun)
    return min(spent)


def report(what, job, x, most):
    one_pass(x)
    reference = seconds(lambda: one_pass(x))
    ratio = seconds(job) / reference
    print(f"\n{what}: {ratio:.1f} passes of diff, abs and mean ({reference:.3f} s); target {most}")
    assert ratio < most


def test_single_parts_with_the_default_patterns(x):
    report("default patterns", lambda: watch(individuals_chart(x).location.z), x, 6)


def test_single_parts_with_every_pattern(x):
    report("every pattern", lambda: watch(individuals_chart(x).location.z, ALL), x, 12)


def test_weighted_means(x):
    report("weighted means", lambda: ewma_chart(x).beyond, x, 25)


def test_sums(x):
    report("sums", lambda: cusum_chart(x).beyond, x, 25)


def test_the_exact_run_length_of_all_patterns_of_distance():
    distances = [name for name, pattern in PATTERNS.items() if not pattern.order]
    begun = time.perf_counter()
    chain.chain.__wrapped__(chosen(distances)).moments(0.0)
    spent = time.perf_counter() - begun
    print(f"\nexact run length of {len(distances)} patterns: {spent:.3f} s; target 1")
    assert spent < 1
    begun = time.perf_counter()
    run_length.of_cusum()
    run_length.of_ewma()
    print(f"sums and weighted means: {time.perf_counter() - begun:.3f} s")
