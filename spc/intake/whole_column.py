"""Columns of plain digits read at once, with the same exact arithmetic as cell by cell."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spc.intake.cells import UM

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Up to here a float holds every whole number, so that one division rounds once.
_EXACT = 2**53
_MOST_DIGITS = 15
_LONGEST = 24


@dataclass(frozen=True, eq=False)
class Digits:
    """
    Numbers written in digits, with a sign and a mark at most.

    Attributes
    ----------
    mantissa : ndarray of int64, shape (n,)
        The digits without the mark.
    decimals : ndarray of int64, shape (n,)
        Digits after the mark.
    plain : ndarray of bool, shape (n,)
        Whether the field was read; the others need the careful way.
    """

    mantissa: Ints
    decimals: Ints
    plain: Bools

    @property
    def value(self) -> Floats:
        """As floats, rounded once."""
        return self.mantissa / np.power(10.0, self.decimals)


def digits(buffer: Bytes, starts: Ints, lengths: Ints, mark: str) -> Digits:
    """
    Read every field that holds nothing but a sign, digits and one decimal mark.

    Parameters
    ----------
    buffer : ndarray of uint8
        Text.
    starts, lengths : ndarray of int64, shape (n,)
        Fields in it.
    mark : {".", ","}
        The decimal mark.
    """
    n = len(starts)
    found = Digits(np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n, bool))
    counts = np.bincount(np.minimum(lengths, _LONGEST + 1), minlength=_LONGEST + 2)
    for length in np.flatnonzero(counts[: _LONGEST + 1]):
        if length == 0:
            continue
        where = slice(None) if counts[length] == n else np.flatnonzero(lengths == length)
        mantissa, decimals, plain = _of_length(buffer, starts[where], int(length), ord(mark))
        found.mantissa[where] = mantissa
        found.decimals[where] = decimals
        found.plain[where] = plain
    return found


def _of_length(buffer: Bytes, starts: Ints, length: int, mark: int) -> tuple[Ints, Ints, Bools]:
    mantissa = np.zeros(len(starts), np.int64)
    decimals = np.zeros(len(starts), np.int64)
    after = np.zeros(len(starts), bool)
    count = np.zeros(len(starts), np.int8)
    first = buffer[starts]
    negative = first == 45
    signed = negative | (first == 43)
    plain = np.ones(len(starts), bool)
    for place in range(length):
        code = buffer[starts + place]
        figure = code - np.uint8(48)  # wraps for codes below "0"
        is_digit = figure < 10
        is_mark = code == mark
        if place == 0:
            plain &= is_digit | is_mark | signed
        else:
            plain &= is_digit | (is_mark & ~after)
        if is_digit.all():
            mantissa *= 10
            mantissa += figure
            count += 1
            decimals += after
        else:
            mantissa = np.where(is_digit, mantissa * 10 + figure, mantissa)
            count += is_digit
            decimals += is_digit & after
            after |= is_mark
    plain &= (count > 0) & (count <= _MOST_DIGITS)
    if negative.any():
        mantissa[negative] *= -1
    return mantissa, decimals, plain


def deviations_and_sizes(
    numbers: Digits, *, unit: str, absolute: bool, nominal_um: Fraction, plan_unit: str
) -> tuple[Floats, Floats, Bools]:
    """
    Deviations in µm, sizes in the plan's unit, and where both are exact but for one rounding.

    The arithmetic of `cells.deviation_and_size` on whole numbers.
    """
    n = len(numbers.mantissa)
    deviation, size = np.full(n, np.nan), np.full(n, np.nan)
    exact = np.zeros(n, bool)
    top, bottom = nominal_um.numerator, nominal_um.denominator
    for decimals in np.flatnonzero(np.bincount(numbers.decimals, minlength=1)):
        where = np.flatnonzero((numbers.decimals == decimals) & numbers.plain)
        if not len(where):
            continue
        power = 10 ** int(decimals)
        scale = UM[unit] * bottom
        mantissa = numbers.mantissa[where]
        largest = int(np.abs(mantissa).max()) * scale + abs(top) * power
        if max(largest, power * bottom * UM[plan_unit]) >= _EXACT:
            continue
        um = mantissa * scale
        size_top = um if absolute else um + top * power
        deviation[where] = (size_top - top * power) / float(power * bottom)
        size[where] = size_top / float(power * bottom * UM[plan_unit])
        exact[where] = True
    return deviation, size, exact
