"""
Limits of size of an ISO 286 tolerance class: shafts d to s and hole H, IT1 to IT12, to 500 mm.

The tables are those of ISO 286-1:2010 (values from memory); tests hold every cell against the
generating formulas of the same standard, ``i = 0.45 D^(1/3) + 0.001 D`` and its companions.
"""

import re
from bisect import bisect_left
from dataclasses import dataclass
from decimal import Decimal

from spc.errors import SpcError

# Steps of nominal size, "over ... up to and including". [mm]
_STEPS = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)
# ISO 286-1:2010 Table 1 (from memory): one row a grade, one column a step. [µm]
_IT = {
    1: (0.8, 1, 1, 1.2, 1.5, 1.5, 2, 2.5, 3.5, 4.5, 6, 7, 8),
    2: (1.2, 1.5, 1.5, 2, 2.5, 2.5, 3, 4, 5, 7, 8, 9, 10),
    3: (2, 2.5, 2.5, 3, 4, 4, 5, 6, 8, 10, 12, 13, 15),
    4: (3, 4, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20),
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400),
    12: (100, 120, 150, 180, 210, 250, 300, 350, 400, 460, 520, 570, 630),
}
# ISO 286-1:2010 Table 4 (from memory): upper deviation of shafts below nominal. [µm]
_UPPER = {
    "d": (-20, -30, -40, -50, -65, -80, -100, -120, -145, -170, -190, -210, -230),
    "e": (-14, -20, -25, -32, -40, -50, -60, -72, -85, -100, -110, -125, -135),
    "f": (-6, -10, -13, -16, -20, -25, -30, -36, -43, -50, -56, -62, -68),
    "g": (-2, -4, -5, -6, -7, -9, -10, -12, -14, -15, -17, -18, -20),
    "h": (0,) * 13,
}
# ISO 286-1:2010 Table 5 (from memory): lower deviation of shafts above nominal. [µm]
_LOWER = {
    "k": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5),
    "m": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23),
    "n": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40),
    "p": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68),
}
_FINE_STEPS = (3, 6, 10, 14, 18, 24, 30, 40, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250,
               280, 315, 355, 400, 450, 500)  # fmt: skip
_FINE_LOWER = {
    "r": (10, 15, 19, 23, 23, 28, 28, 34, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84,
          94, 98, 108, 114, 126, 132),
    "s": (14, 19, 23, 28, 28, 35, 35, 43, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140,
          158, 170, 190, 208, 232, 252),
}  # fmt: skip
_SHAFTS = ("d", "e", "f", "g", "h", "js", "k", "m", "n", "p", "r", "s")
_CLASS = re.compile(r"^\s*[Øø⌀]?\s*(\d+(?:[.,]\d+)?)\s*([A-Za-z]{1,2})\s*(\d{1,2})\s*$")


class UnknownFit(SpcError):
    """A tolerance class that is not written right or lies outside the tables."""


@dataclass(frozen=True)
class LimitsOfSize:
    """Nominal size [mm] and limit deviations [µm] of one tolerance class."""

    nominal_mm: float
    letter: str
    grade: int
    lower_um: float
    upper_um: float

    @property
    def width_um(self) -> float:
        """The tolerance, IT of the grade. [µm]"""
        return self.upper_um - self.lower_um

    @property
    def least_mm(self) -> float:
        """Lower limit of size. [mm]"""
        return round(self.nominal_mm + self.lower_um / 1000, 9)

    @property
    def greatest_mm(self) -> float:
        """Upper limit of size. [mm]"""
        return round(self.nominal_mm + self.upper_um / 1000, 9)

    def sigma_for(self, cpk: float) -> float:
        """Spread that gives this Cpk to a centred process, ``IT / (6 Cpk)``. [µm]"""
        return self.width_um / (6 * cpk)


def tolerance(nominal_mm: float, grade: int) -> float:
    """
    Standard tolerance of a grade at a nominal size.

    Parameters
    ----------
    nominal_mm : float
        Above 0, up to 500. [mm]
    grade : int
        1 to 12, for IT1 to IT12.

    Returns
    -------
    float
        [µm]

    Examples
    --------
    >>> tolerance(25.0, 6)
    13.0
    """
    if grade not in _IT:
        raise UnknownFit(f"IT{grade} lies outside the tables here, which hold IT1 to IT12")
    if not 0 < nominal_mm <= _STEPS[-1]:
        raise UnknownFit(
            f"{nominal_mm:g} mm lies outside the tables here, which run from above 0 to 500 mm"
        )
    return float(_IT[grade][bisect_left(_STEPS, nominal_mm)])


def widest_um(nominal_mm: float, grade: int) -> float:
    """
    A grade beyond those that are ground, to tell a slip in a plan from a tolerance.

    Parameters
    ----------
    nominal_mm : float
        Above 0, up to 500. [mm]
    grade : int
        11 to 22: from IT6 on, every fifth grade is ten times as wide (ISO 286-1:2010, 4.1, from
        memory).

    Returns
    -------
    float
        [µm]

    Examples
    --------
    >>> widest_um(25.0, 16), widest_um(25.0, 18)
    (1300.0, 3300.0)
    """
    steps = (grade - 6) // 5
    return 10.0**steps * tolerance(nominal_mm, grade - 5 * steps)


def limits_of_size(fit: str) -> LimitsOfSize:
    """
    Limits of a tolerance class such as ``"25 k5"`` or ``"40 H7"``.

    Parameters
    ----------
    fit : str
        Nominal size in millimetres, letter (shafts d, e, f, g, h, js, k, m, n, p, r, s; hole H),
        grade 1 to 12.

    Raises
    ------
    UnknownFit
        When it is not written so or lies outside the tables.

    References
    ----------
    .. [1] ISO 286-1:2010, Tables 1, 4 and 5 (values from memory).

    Examples
    --------
    >>> limits_of_size("25 k5")
    LimitsOfSize(nominal_mm=25.0, letter='k', grade=5, lower_um=2.0, upper_um=11.0)
    """
    match = _CLASS.match(fit)
    if match is None:
        raise UnknownFit(
            f"{fit!r} is not a tolerance class; write size, letter and grade, such as '25 k5'"
        )
    if match[3].startswith("0"):
        raise UnknownFit(
            f"{fit!r}: IT{match[3]} lies outside the tables here, which hold IT1 to IT12"
        )
    nominal = float(Decimal(match[1].replace(",", ".")))
    letter, grade = match[2], int(match[3])
    if letter not in (*_SHAFTS, "H"):
        raise UnknownFit(
            f"{fit!r}: letter {letter!r} is not in the tables here; "
            f"they hold the shafts {', '.join(_SHAFTS)} and the hole H"
        )
    width = tolerance(nominal, grade)
    lower = _lower_deviation(nominal, letter, grade, width)
    return LimitsOfSize(nominal, letter, grade, lower, lower + width)


def _lower_deviation(nominal: float, letter: str, grade: int, width: float) -> float:
    if letter == "H":
        return 0.0
    if letter == "js":
        return -width / 2
    if letter in _UPPER:
        return _UPPER[letter][bisect_left(_STEPS, nominal)] - width
    # k keeps its deviation for IT4 to IT7 only; for other grades it is zero.
    if letter == "k" and not 4 <= grade <= 7:
        return 0.0
    if letter in _FINE_LOWER:
        return float(_FINE_LOWER[letter][bisect_left(_FINE_STEPS, nominal)])
    return float(_LOWER[letter][bisect_left(_STEPS, nominal)])
