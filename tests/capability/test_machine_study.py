import numpy as np
import pytest

from spc.capability.indices import cp, cpk
from spc.capability.machine_study import machine_study


def parts(n=50, *, drift=0.0, seed=3):
    generator = np.random.default_rng(seed)
    return generator.normal(0.5, 1.0, n) + drift * np.arange(n) / (n - 1)


def test_fifty_steady_parts_give_the_ordinary_indices():
    y = parts()
    found = machine_study(y, lower=-8.0, upper=8.0)

    assert found.cm.value == pytest.approx(cp(y.std(ddof=1), lower=-8, upper=8))
    assert found.cmk.value == pytest.approx(cpk(y.mean(), y.std(ddof=1), lower=-8, upper=8))
    assert (found.cm.name, found.cmk.name) == ("Cm", "Cmk")
    assert found.shape == "normal"


def test_wear_during_the_study_is_refused():
    # ISO 22514-3 excludes tool wear from a machine study (from memory).
    found = machine_study(parts(drift=6.0), lower=-8.0, upper=8.0)

    assert found.cmk.value is None
    assert "excludes tool wear" in found.cmk.why


def test_detrended_data_are_judged_and_declared():
    y = parts(drift=6.0)
    found = machine_study(y, lower=-8.0, upper=14.0, detrend=True)

    line = np.polynomial.Polynomial.fit(np.arange(50), y, 1)
    sd = np.sqrt(((y - line(np.arange(50))) ** 2).sum() / 48)
    assert found.cm.value == pytest.approx(22 / (6 * sd))
    assert found.detrended
    assert "wear taken out" in found.words


@pytest.mark.parametrize(
    ("n", "more", "says"),
    [
        (29, {}, "30 are the least"),
        (50, {"cycle": [0] * 25 + [1] * 25}, "2 dress cycles"),
        (50, {"since_dress": list(range(0, 100, 2))}, "not consecutive"),
    ],
)
def test_parts_that_make_no_machine_study_are_refused(n, more, says):
    found = machine_study(parts(n), lower=-8.0, upper=8.0, **more)

    assert found.cm.value is None
    assert says in found.words


def test_thirty_parts_will_do_and_it_says_they_are_few():
    assert (
        "fewer than the customary 50"
        in machine_study(parts(30, seed=4), lower=-9.0, upper=9.0).words
    )


def test_the_whole_interval_decides():
    assert "above 1.67" in machine_study(parts(), lower=-12.0, upper=12.0).words
    assert "below 1.67" in machine_study(parts(), lower=-3.0, upper=3.0).words
    assert "not enough yet" in machine_study(parts(), lower=-5.5, upper=5.5).words
