import numpy as np
import pytest

from spc.charts.change_point import change_point
from spc.errors import NotEnough

approx = pytest.approx


def test_the_nile_fell_after_1898(pairs):
    # G. W. Cobb (1978), Biometrika 65, 243-251: change at 1898; means 1097.75 and 849.97
    # (from memory), flows as retrieved.
    year, flow = pairs("nile.csv")

    found = change_point(flow)

    assert year[found.last_before] == 1898
    assert found.before == approx(1097.75, abs=0.005)
    assert found.after == approx(849.97, abs=0.005)
    assert found.chance == 0.001


def test_the_split_is_the_best_of_all():
    x = np.random.default_rng(1).normal(0, 1, 40)

    found = change_point(x, shuffles=0)

    left = [x[: k + 1].var() * (k + 1) + x[k + 1 :].var() * (39 - k) for k in range(39)]
    assert found.last_before == int(np.argmin(left))
    assert np.isnan(found.chance)


def test_without_a_shift_the_chance_is_level():
    rng = np.random.default_rng(2)

    chances = [change_point(rng.normal(0, 1, 30), shuffles=99).chance for _ in range(300)]

    # Uniform: standard error of a share of a half in 300 is 3 %.
    assert np.mean(np.array(chances) <= 0.5) == approx(0.5, abs=0.1)


def test_missing_points_keep_their_positions():
    x = np.array([0.0, np.nan, 0.1, 0.0, np.nan, 5.0, 5.1, 5.0])

    found = change_point(x)

    assert (found.last_before, round(found.step, 1)) == (3, 5.0)


def test_three_values_are_too_few():
    with pytest.raises(NotEnough, match="four"):
        change_point([1.0, 2.0, np.nan, 3.0])
