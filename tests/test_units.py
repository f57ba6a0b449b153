import contextlib
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.errors import BadQuantity
from spc.units import deviation_um, read_quantity, unit_named


@pytest.mark.parametrize(
    ("text", "value", "unit", "decimals"),
    [
        ("24.998", "24.998", None, 3),
        ("24,998", "24.998", None, 3),
        ("-0,004", "-0.004", None, 3),
        ("\N{MINUS SIGN}0.004", "-0.004", None, 3),
        ("–3", "-3", None, 0),
        ("-4um", "-4", "um", 0),
        ("+3,1 µm", "3.1", "um", 1),
        ("+3.1 \N{GREEK SMALL LETTER MU}m", "3.1", "um", 1),
        ('.9843"', "0.9843", "in", 4),
        ("25.0031 mm", "25.0031", "mm", 4),
        ("25.", "25", None, 0),
        ("  7 ", "7", None, 0),
        ("2.5e-3", "0.0025", None, 4),
        ("1E2", "100", None, 0),
        ("25,0055\N{NO-BREAK SPACE}mm", "25.0055", "mm", 4),
    ],
)
def test_written_numbers_are_read_exactly(text, value, unit, decimals):
    quantity = read_quantity(text)

    assert quantity.value == Decimal(value)
    assert (quantity.unit, quantity.decimals) == (unit, decimals)


@pytest.mark.parametrize(
    "text",
    ["", " ", "nan", "NaN", "inf", "-inf", "Infinity", "---", "OVER", "#N/A", "1,234.5", "1.2.3",
     "1 234", "2,5,1", "--4", "4 kg", ".", "-", "0x10", "1_000", "٣", "mm", "4 5", "1e999",
     "9" * 40],
)  # fmt: skip
def test_what_is_no_number_is_refused(text):
    with pytest.raises(BadQuantity):
        read_quantity(text)


def test_a_mark_that_is_not_in_force_is_refused():
    assert read_quantity("24,998", mark=",").value == Decimal("24.998")
    with pytest.raises(BadQuantity, match="decimal mark"):
        read_quantity("24.998", mark=",")


def test_an_inch_is_25_4_mm_exactly():
    # International yard and pound agreement, 1959.
    assert read_quantity('1"').um("mm") == 25400


def test_a_deviation_has_no_floating_dust():
    assert deviation_um(Decimal("25.0064"), Decimal("25"), "mm") == 6.4


def test_units_have_many_spellings():
    assert [unit_named(t) for t in ("MM", "Inch", "”", "Micron", "furlong")] == [
        "mm", "in", "in", "um", None,
    ]  # fmt: skip


@given(st.decimals(-1000, 1000, places=4), st.sampled_from([".", ","]))
def test_either_mark_gives_the_number_back(value, mark):
    assert read_quantity(str(value).replace(".", mark), mark=mark).value == value


@given(st.text(max_size=20))
def test_any_text_is_a_number_or_refused(text):
    with contextlib.suppress(BadQuantity):
        assert read_quantity(text).value.is_finite()
