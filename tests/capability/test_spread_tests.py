import csv
from pathlib import Path

import numpy as np
import pytest

from spc.capability.spread_tests import bartlett, brown_forsythe

PUBLISHED = Path(__file__).parents[1] / "published"


def gear_batches():
    with (PUBLISHED / "gear.csv").open() as file:
        rows = [(int(r["batch"]), float(r["value"])) for r in csv.DictReader(file)]
    return [np.array([v for b, v in rows if b == batch]) for batch in range(1, 11)]


def test_gear_batches_spread_apart_by_bartlett():
    # NIST/SEMATECH e-Handbook, 1.3.5.7, GEAR.DAT (values from memory): 20.7858 against 16.919. The
    # printed statistic carries single-precision noise.
    statistic, p_value = bartlett(gear_batches())

    assert statistic == pytest.approx(20.7858, abs=8.5e-5)
    assert p_value < 0.05


def test_gear_batches_do_not_by_their_medians():
    # NIST/SEMATECH e-Handbook, 1.3.5.10 (values from memory): 1.70591 against 1.9855.
    statistic, p_value = brown_forsythe(gear_batches())

    assert statistic == pytest.approx(1.70591, abs=1.05e-5)
    assert p_value > 0.05


def test_both_are_those_of_scipy():
    from scipy import stats

    generator = np.random.default_rng(1)
    groups = [generator.normal(0, s, n) for s, n in ((1, 12), (1.5, 30), (1, 7))]

    assert bartlett(groups) == pytest.approx(tuple(stats.bartlett(*groups)))
    assert brown_forsythe(groups) == pytest.approx(tuple(stats.levene(*groups, center="median")))


def test_too_little_to_compare_is_no_difference():
    assert brown_forsythe([np.array([1.0, 2.0]), np.array([1.0, 2.0, 3.0])]) == (0.0, 1.0)
    assert brown_forsythe([np.ones(5), np.ones(5)]) == (0.0, 1.0)
