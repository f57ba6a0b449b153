"""Rim speeds and what is left of a wheel, against the handbook and by hand."""

import math

import pytest

from spc.grinding_wheel import feet_per_minute, surface_speed, wheel_left


def test_wheel_speeds_are_those_of_the_handbook():
    # Machinery's Handbook, grinding wheel speeds, from memory: revolutions for diameters in
    # inches and surface feet per minute, rounded to whole revolutions.
    rows = [(1, 4000, 15279), (1, 5500, 21008), (1, 6500, 24828), (6, 5000, 3183),
            (12, 4000, 1273), (12, 5000, 1592), (12, 6500, 2069), (14, 5000, 1364),
            (24, 5000, 796)]  # fmt: skip
    for inches, sfpm, rpm in rows:
        found = feet_per_minute(surface_speed(25.4 * inches, rpm))
        assert found == pytest.approx(sfpm, abs=0.55 * math.pi * inches / 12)


def test_dresses_left_and_the_marked_limit():
    left = wheel_left(
        diameter_mm=400, dresses=250, dress_depth_um=20, scrap_diameter_mm=290, rpm=1650,
        speed_limit_m_s=33,
    )  # fmt: skip

    assert left.diameter_mm == 390
    assert left.dresses_left == 2500
    assert left.speed_m_s == pytest.approx(33.69, abs=0.01)
    assert left.too_fast
    assert "stop" in left.caution


def test_the_caution_never_tells_anyone_to_turn_faster():
    left = wheel_left(diameter_mm=400, dresses=2000, dress_depth_um=20, rpm=1650)

    assert "never run a wheel faster" in left.caution
