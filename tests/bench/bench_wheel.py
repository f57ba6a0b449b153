"""What one part costs the adviser, against a small linear solve of the same machine."""

import time

import numpy as np
import pytest

from spc.wheel.advice import Advisor
from tests.wheel.grinder import Grinder, run, settings

pytestmark = pytest.mark.bench
PARTS = 1500


def _reference():
    """Seconds of one 100 by 100 solve: the named measure of this machine."""
    matrix = np.random.default_rng(0).standard_normal((100, 100)) + 100 * np.eye(100)
    row = np.ones(100)
    start = time.perf_counter()
    for _ in range(200):
        np.linalg.solve(matrix, row)
    return (time.perf_counter() - start) / 200


def test_part_reading_and_advice():
    for every in (1, 5):
        advisor, grinder = Advisor(settings(sample=every)), Grinder(3)
        start = time.perf_counter()
        run(advisor, grinder, PARTS, every=every)
        each = (time.perf_counter() - start) / PARTS
        print(f"\nread every {every}: {each * 1e3:.3f} ms a part, {each / _reference():.1f} solves")


def test_parts_left():
    advisor, grinder = Advisor(settings()), Grinder(3)
    run(advisor, grinder, 50)
    start = time.perf_counter()
    for _ in range(20):
        advisor.event("note")
        assert advisor.advise().parts_left is not None
    each = (time.perf_counter() - start) / 20
    print(f"\nparts left: {each * 1e3:.2f} ms, {each / _reference():.1f} solves")
