import numpy as np
import pytest

from spc.charts import run_length, watchfulness

approx = pytest.approx


def test_points_become_parts_and_minutes():
    seen = watchfulness.of_patterns(
        0.8, ["beyond"], every=5, minutes_per_part=1.2, shifts_um=[1.0, 2.0]
    )

    assert seen.false_alarm_parts == approx(5 * 370.398, rel=1e-5)
    assert seen.false_alarm_minutes == approx(6 * 370.398, rel=1e-5)
    for sight in seen.sights:
        points = run_length.arl(["beyond"], sight.shift_um / 0.8)
        assert sight.points == approx(points)
        assert sight.parts == approx((points - 1) * 5 + 3)
        assert sight.minutes == approx(1.2 * sight.parts)


def test_parts_to_a_sight_are_those_of_a_simulation():
    rng = np.random.default_rng(1)
    every, shift = 4, 2.0
    wait = rng.integers(1, every + 1, 20_000)  # parts from the shift to the next measured one
    ground = wait + (rng.geometric(1 - _inside(shift), 20_000) - 1) * every

    (sight,) = watchfulness.of_patterns(1.0, ["beyond"], every=every, shifts_um=[shift]).sights

    assert sight.parts == approx(np.mean(ground), abs=3 * np.std(ground) / np.sqrt(20_000))


def _inside(shift):
    from scipy.stats import norm

    return norm.cdf(3 - shift) - norm.cdf(-3 - shift)


def test_means_of_several_parts_see_more():
    single = watchfulness.of_patterns(1.0, every=5, shifts_um=[1.0])
    means = watchfulness.of_patterns(1.0, every=5, group=5, shifts_um=[1.0])

    assert means.sights[0].shift_sigma == approx(np.sqrt(5))
    assert means.sights[0].parts < single.sights[0].parts / 2


def test_small_shifts_are_seen_sooner_by_weighted_means_and_sums():
    parts = [
        promise(1.0, shifts_um=[0.8]).sights[0].parts
        for promise in (
            lambda *a, **k: watchfulness.of_patterns(*a, ["beyond"], **k),
            watchfulness.of_ewma,
            watchfulness.of_cusum,
        )
    ]

    assert parts[1] < parts[0] / 3
    assert parts[2] < parts[0] / 3


def test_answers_are_sentences_with_parts_and_time():
    lines = watchfulness.of_patterns(1.0, iter(["beyond"]), every=5, minutes_per_part=1.2).lines

    assert len(lines) == 4
    assert "once in 1,852 parts, 37.0 h" in lines[0]
    assert lines[2].startswith("a shift of 2 µm (2 standard errors) is seen after 6.3 points")
    assert lines[2].endswith("30 parts on average, 35 min")
    assert watchfulness.of_ewma(1.0).to_frame()["shift_um"].tolist() == [1.0, 2.0, 3.0]
    assert "min" not in watchfulness.of_cusum(1.0).lines[1]


def test_a_simulated_promise_carries_its_error():
    seen = watchfulness.of_patterns(1.0, ["beyond", "climb"], shifts_um=[1.0])

    assert seen.sights[0].error > 0
    assert "simulated" in seen.lines[0]


@pytest.mark.parametrize("wrong", [{"sigma_um": 0.0}, {"every": 0}, {"group": 3}])
def test_a_sampling_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match="no larger than"):
        watchfulness.of_cusum(**{"sigma_um": 1.0, **wrong})
