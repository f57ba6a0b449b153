"""
How fast invented parts are ground: ``pytest tests/bench/bench_simulate.py -m bench -s``.

The reference is the least a simulator of this process could do part by part: draw its nine random
numbers one by one from a generator and take four exponentials.
"""

import math
from statistics import median
from time import perf_counter

import numpy as np
import pytest

from spc.simulate.contenders import Contender, play
from spc.simulate.process import Grinder
from spc.simulate.settings import PRESETS
from spc.simulate.strange import StrangeGrinder, drawn

PARTS = 2000
S1 = PRESETS["S1"]


def seconds(job, *, repeats=5):
    """Median of `repeats` runs."""
    taken = []
    for _ in range(repeats):
        start = perf_counter()
        job()
        taken.append(perf_counter() - start)
    return median(taken)


def plain_draws():
    random, total = np.random.default_rng(1), 0.0
    for _ in range(PARTS):
        for _ in range(9):
            total += random.standard_normal()
        for _ in range(4):
            total += math.exp(-abs(total) / 1e9)
    return total


def ground():
    grinder = Grinder(S1, 1)
    for _ in range(PARTS):
        grinder.scheduled()
        grinder.part()


def strange():
    machine = StrangeGrinder(drawn(7), 1)
    for _ in range(PARTS):
        machine.part()


@pytest.mark.bench
@pytest.mark.parametrize(
    ("name", "job", "most"),
    [
        ("process", ground, 5),
        ("second family", strange, 5),
        ("scored rule of thumb", lambda: play(Contender("beyond", 31, 5, 0.5), S1, 1, PARTS), 8),
        ("scored adviser", lambda: play(Contender("adviser"), S1, 1, PARTS), 250),
    ],
)
def test_parts_per_second(name, job, most):
    reference, taken = seconds(plain_draws), seconds(job)
    print(
        f"\n{name}: {1e6 * taken / PARTS:.1f} µs a part, "
        f"{taken / reference:.2f} times nine plain draws ({1e6 * reference / PARTS:.1f} µs)"
    )
    assert taken / reference < most
