"""
One written cell as an exact number: the careful way, cell by cell.

Whole columns of plain digits are read by `whole_column`; both do the same exact arithmetic, so
that a cell means the same whichever way it was read.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

from spc.errors import BadQuantity
from spc.units import UM_PER_UNIT, read_quantity

UM = {unit: int(value) for unit, value in UM_PER_UNIT.items()}
# Spaces and apostrophes group digits and never mark decimals.
_GROUPED_BY_SPACE = re.compile(r"^[+-]?\d{1,3}(?:[  \u2009'’ ]\d{3})+(?!\d)")
_QUOTED_FORMULA = re.compile(r'^="(.*)"$')
#: Beyond this number no part is measured, whatever its unit. Own choice; keeps every sum finite.
LARGEST = 10**7
# No number is longer; patterns may take the square of the length. Own choice.
_LONGEST = 80
_INFINITE = re.compile(r"^[+-]?\s*(inf(inity)?|∞|1\.#inf.*)$", re.IGNORECASE)


@dataclass(frozen=True)
class Convention:
    """How numbers are written in a file: the decimal mark, and the grouping mark if one is used."""

    mark: str = "."
    group: str | None = None


@dataclass(frozen=True)
class Number:
    """One written number as an exact ratio, its unit (None: not written), digits after the mark."""

    value: Fraction
    unit: str | None
    decimals: int


def read_number(text: str, convention: Convention) -> Number:
    """
    The number in a cell.

    Raises
    ------
    BadQuantity
        With what was seen; its text is the reason of the reject.

    Examples
    --------
    >>> read_number("25,0031 mm", Convention(mark=",")).decimals
    4
    >>> float(read_number("1.234,5", Convention(mark=",", group=".")).value)
    1234.5
    """
    if len(text) > _LONGEST:
        raise BadQuantity(f"{text[:20]!r}... has {len(text)} signs and is not a number")
    plain = _without_grouping(_plain(text), convention)
    if _INFINITE.match(plain):
        raise BadQuantity(f"{text.strip()!r} is not finite")
    try:
        quantity = read_quantity(plain, mark=convention.mark)
    except BadQuantity as error:
        raise BadQuantity(str(error).replace(repr(plain), repr(text.strip()))) from None
    if abs(quantity.value) > LARGEST:
        raise BadQuantity(f"{text.strip()!r} is too large for a size; it counts as not finite")
    return Number(Fraction(quantity.value), quantity.unit, quantity.decimals)


def _plain(text: str) -> str:
    plain = text.strip()
    if plain[:1] == "=":
        match = _QUOTED_FORMULA.match(plain)
        plain = match[1] if match else plain
    # A leading apostrophe keeps a spreadsheet from changing the cell.
    return plain[1:] if plain[:1] == "'" else plain


def _without_grouping(plain: str, convention: Convention) -> str:
    spaced = _GROUPED_BY_SPACE.match(plain)
    if spaced:
        plain = re.sub(r"\D", "", spaced[0].lstrip("+-")) + plain[spaced.end() :]
        plain = ("-" if spaced[0][0] == "-" else "") + plain
    other = "," if convention.mark == "." else "."
    both = rf"^[+-]?\d{{1,3}}(?:\{other}\d{{3}})+\{convention.mark}\d"
    if re.match(both, plain):
        return plain.replace(other, "")
    if convention.group and re.match(
        rf"^[+-]?\d{{1,3}}(?:\{convention.group}\d{{3}})+(?![\d{convention.group}])", plain
    ):
        return plain.replace(convention.group, "")
    return plain


def may_group(text: str, mark: str) -> bool:
    """
    Whether `mark` in this number could group thousands as well as mark decimals.

    Examples
    --------
    >>> may_group("1,234", ","), may_group("0,234", ","), may_group("25,0031", ",")
    (True, False, False)
    """
    return re.match(rf"^[+-]?[1-9]\d{{0,2}}(?:\{mark}\d{{3}})+(?![\d{mark}.,])", text) is not None


def deviation_and_size(
    number: Number, *, unit: str, absolute: bool, nominal_um: Fraction, plan_unit: str
) -> tuple[float, float]:
    """
    Deviation in µm and absolute size in the plan's unit, each rounded once.

    Parameters
    ----------
    number : Number
        As written.
    unit : {"mm", "in", "um"}
        In force for this cell.
    absolute : bool
        Whether the number is a size; else it is a deviation.
    nominal_um : Fraction
        0 for form, finish and taper. [µm]
    plan_unit : {"mm", "in", "um"}
        Of the feature.

    Examples
    --------
    >>> number = read_number("25.0064", Convention())
    >>> deviation_and_size(
    ...     number, unit="mm", absolute=True, nominal_um=Fraction(25000), plan_unit="mm"
    ... )
    (6.4, 25.0064)
    """
    um = number.value * UM[unit]
    size_um = um if absolute else nominal_um + um
    deviation = size_um - nominal_um
    return (
        deviation.numerator / deviation.denominator,
        size_um.numerator / (size_um.denominator * UM[plan_unit]),
    )
