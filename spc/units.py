"""
Written numbers and their units, read exactly.

Sizes are kept in millimetres, deviations in micrometres. Text becomes a
`decimal.Decimal` first, so that 25.0064 mm on a nominal of 25 mm is a deviation
of 6.4 µm and not 6.399999999998727.
"""

import re
from dataclasses import dataclass
from decimal import Decimal

from spc.errors import BadQuantity

#: Micrometres in one unit. The inch is 25.4 mm exactly (international inch, 1959).
UM_PER_UNIT = {"mm": Decimal(1000), "in": Decimal(25400), "um": Decimal(1)}

_SPELLINGS = {
    "mm": "mm", "millimeter": "mm", "millimetre": "mm", "millimeters": "mm", "millimetres": "mm",
    "in": "in", "inch": "in", "inches": "in", '"': "in", "''": "in", "″": "in", "”": "in",
    "um": "um", "µm": "um", "μm": "um", "micron": "um", "microns": "um", "micrometer": "um",
    "micrometre": "um", "µ": "um", "μ": "um",
}  # fmt: skip

# Minus signs people and programs write: hyphen-minus, hyphen, figure dash, en dash, minus, small
# and full-width forms.
_MINUS = str.maketrans(dict.fromkeys("‐‑‒–−﹣－", "-") | {"＋": "+", "\u00a0": " ", "\u202f": " "})
# Lengths are capped so that no text can overflow a float.
_NUMBER = re.compile(r"^([+-]?)\s*([0-9]{0,20})(?:([.,])([0-9]{0,20}))?(?:[eE]([+-]?[0-9]{1,2}))?$")


@dataclass(frozen=True)
class Quantity:
    """One written number: its value, its unit (None: not written), the digits after the mark."""

    value: Decimal
    unit: str | None
    decimals: int

    def um(self, unit_if_unwritten: str) -> float:
        """
        The value in micrometres.

        Examples
        --------
        >>> read_quantity('.9843"').um("mm")
        25001.22
        """
        return float(self.value * UM_PER_UNIT[self.unit or unit_if_unwritten])


def unit_named(text: str) -> str | None:
    """
    The unit a spelling stands for: "mm", "in" or "um"; None when it is none of them.

    Examples
    --------
    >>> unit_named(" µm "), unit_named("Inches"), unit_named("kg")
    ('um', 'in', None)
    """
    return _SPELLINGS.get(text.strip().casefold())


def read_quantity(text: str, *, mark: str | None = None) -> Quantity:
    """
    The number written in `text`, with or without a unit behind it.

    Parameters
    ----------
    text : str
        Such as ``24.998``, ``-0,004``, ``-4um``, ``.9843"`` or ``+3,1 µm``.
    mark : {".", ","}, optional
        The decimal mark in force. None: either mark, once.

    Returns
    -------
    Quantity
        Exact; `decimals` counts the digits after the mark as written.

    Raises
    ------
    BadQuantity
        For words, ``nan``, infinities, grouping marks, two numbers, unknown units.

    Examples
    --------
    >>> read_quantity("-0,004")
    Quantity(value=Decimal('-0.004'), unit=None, decimals=3)
    >>> read_quantity("-4um").unit
    'um'
    """
    plain = text.translate(_MINUS).strip()
    number, unit = _split_unit(plain, text)
    match = _NUMBER.match(number.strip())
    if match is None or not (match[2] or match[4]):
        raise BadQuantity(f"{text.strip()!r} is not a number; write it such as 24.998 or -0,004")
    sign, whole, seen_mark, fraction, exponent = match.groups()
    if seen_mark and mark and seen_mark != mark:
        raise BadQuantity(
            f"{text.strip()!r} is written with {seen_mark!r}, but the decimal mark here is {mark!r}"
        )
    value = Decimal(f"{sign}{whole or '0'}.{fraction or '0'}") * Decimal(10) ** int(exponent or 0)
    decimals = max(0, len(fraction or "") - int(exponent or 0))
    return Quantity(value, unit, decimals)


def _split_unit(plain: str, text: str) -> tuple[str, str | None]:
    tail = re.search(r"[^\d.,+\-\s][^\d]*$", plain)
    # An exponent such as 2.5e3 ends in digits, so its letter is never taken for a unit.
    if tail is None or tail.start() == 0:
        return plain, None
    unit = unit_named(tail.group())
    if unit is None:
        raise BadQuantity(
            f"{text.strip()!r} ends in {tail.group().strip()!r}, which is no unit of length here; "
            'use mm, in, " or um'
        )
    return plain[: tail.start()], unit


def deviation_um(size: Decimal, nominal: Decimal, unit: str) -> float:
    """
    Size minus nominal, both in `unit`, in micrometres.

    Examples
    --------
    >>> deviation_um(Decimal("25.0064"), Decimal("25"), "mm")
    6.4
    """
    return float((size - nominal) * UM_PER_UNIT[unit])
