"""What one part costs the new adviser: ``pytest tests/bench/bench_adviser.py -m bench -s``."""

import json
import time

import numpy as np
import pytest

from spc.adviser.adviser import Advisor
from tests.adviser.test_adviser import plan

pytestmark = pytest.mark.bench
PARTS = 400
#: A part taken in and advised. [ms of processor time]
MEDIAN_MS, MOST_MS = 10.0, 50.0


def test_a_part_is_taken_in_and_advised():
    advisor, rng = Advisor(plan(habit=100)), np.random.default_rng(1)
    taken = []
    for k in range(PARTS):
        start = time.process_time()
        advisor.part()
        advisor.reading("seat", 0.02 * (k % 100) + 0.8 * rng.standard_normal())
        advice = advisor.advise()
        taken.append(1e3 * (time.process_time() - start))
        if advice.action == "dress":
            advisor.event("dress")
        if advice.offset_um:
            advisor.event("offset", um=advice.offset_um)
    start = time.process_time()
    assert advisor.advise().parts_left is not None
    left = 1e3 * (time.process_time() - start)
    size = len(json.dumps(advisor.state()))
    print(
        f"\nmedian {np.median(taken):.2f} ms, 95 % {np.quantile(taken, 0.95):.2f}, most "
        f"{max(taken[1:]):.1f}; parts left {left:.1f} ms; state {size / 1000:.0f} kB"
    )
    assert np.median(taken) < MEDIAN_MS
    assert max(taken[1:]) < MOST_MS
