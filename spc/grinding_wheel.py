"""What is left of a grinding wheel, and how fast its rim runs."""

import math
from dataclasses import dataclass

#: Feet in a metre times seconds in a minute: m/s to ft/min.
FT_MIN_PER_M_S = 60 / 0.3048


def surface_speed(diameter_mm: float, rpm: float) -> float:
    """
    Speed of a wheel's rim. [m/s]

    Examples
    --------
    >>> round(surface_speed(400, 1650), 1)
    34.6
    """
    return math.pi * diameter_mm * rpm / 60_000


def feet_per_minute(metres_per_second: float) -> float:
    """
    A rim speed as it is marked in inch countries. [ft/min]

    Examples
    --------
    >>> round(feet_per_minute(surface_speed(304.8, 1592)))  # 12 in: 5000 ft/min
    5001
    """
    return metres_per_second * FT_MIN_PER_M_S


@dataclass(frozen=True)
class WheelLeft:
    """What is left of a wheel; unknowns are None. Lengths mm, speeds m/s."""

    diameter_mm: float
    dresses_left: int | None
    speed_m_s: float | None
    limit_m_s: float | None

    @property
    def too_fast(self) -> bool:
        """Whether the rim runs faster than marked: stop, whatever else is true."""
        return (
            self.speed_m_s is not None
            and self.limit_m_s is not None
            and self.speed_m_s > self.limit_m_s
        )

    @property
    def caution(self) -> str:
        """What to say beside it; a smaller wheel is never a reason to turn it faster."""
        if self.too_fast:
            return (
                f"the rim runs at {self.speed_m_s:.1f} m/s, above the marked {self.limit_m_s:g} "
                "m/s: stop the wheel and set its speed by the machine's manual"
            )
        return (
            "never run a wheel faster than its marking, however small it has become; "
            "mounting and speed are for trained hands, by the machine's manual and local rules"
        )


def wheel_left(
    *,
    diameter_mm: float,
    dresses: int = 0,
    dress_depth_um: float | None = None,
    scrap_diameter_mm: float | None = None,
    rpm: float | None = None,
    speed_limit_m_s: float | None = None,
) -> WheelLeft:
    """
    What is left of a wheel after some dresses.

    Parameters
    ----------
    diameter_mm : float
        At the start.
    dresses : int
        Since then.
    dress_depth_um : float, optional
        Radial, per dress: the diameter falls by twice that.
    scrap_diameter_mm : float, optional
        Smallest diameter to use.
    rpm, speed_limit_m_s : float, optional
        Spindle speed and the marked operating speed.

    Examples
    --------
    >>> wheel_left(diameter_mm=400, dresses=100, dress_depth_um=20, scrap_diameter_mm=290)
    ... # doctest: +ELLIPSIS
    WheelLeft(diameter_mm=396.0, dresses_left=2650, ...)
    """
    depth = (dress_depth_um or 0.0) / 1000
    now = diameter_mm - 2 * depth * dresses
    left = None
    if depth > 0 and scrap_diameter_mm is not None:
        # A hair of slack, so that 106 mm at 0.04 mm is 2650 dresses in binary, too.
        left = max(0, math.floor((now - scrap_diameter_mm) / (2 * depth) + 1e-9))
    return WheelLeft(
        diameter_mm=round(now, 6),
        dresses_left=left,
        speed_m_s=None if rpm is None else surface_speed(now, rpm),
        limit_m_s=speed_limit_m_s,
    )
