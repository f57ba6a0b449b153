"""How warm the machine is, as a share of its way from cold to steady."""

import math

#: A standing machine cools this much more slowly than a running one warms (judgement, no source).
COOLING = 1.5


def warmed(warm: float, minutes: float, tau: float) -> float:
    """
    Warm share after running for some minutes.

    Examples
    --------
    >>> round(warmed(0.0, 40, 40), 3)
    0.632
    """
    return 1 - (1 - warm) * math.exp(-minutes / tau)


def cooled(warm: float, minutes: float, tau: float) -> float:
    """
    Warm share after standing for some minutes.

    Examples
    --------
    >>> round(cooled(1.0, 60, 40), 3)
    0.368
    """
    return warm * math.exp(-minutes / (COOLING * tau))
