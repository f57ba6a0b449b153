import pytest

from spc.errors import BadQuantity
from spc.live.typed import NotUnderstood, understand, value_of
from spc.plan import Feature

SEAT = Feature(name="seat", nominal=25.0, upper=0.01, lower=-0.01)
FINE = Feature(name="seat", nominal=25.0, upper=0.01, lower=-0.01, gauge_step_um=0.01)
COARSE = Feature(name="seat", nominal=25.0, upper=0.01, lower=-0.01, gauge_step_um=1.0)
INCH = Feature(name="land", nominal=1.0, upper=0.0004, lower=-0.0004, unit="in")
ROUND = Feature(name="roundness", kind="roundness", upper=2.5, unit="um")


@pytest.mark.parametrize(
    ("text", "feature", "um", "size"),
    [
        ("24,998", SEAT, -2.0, 24.998),
        ("24.998", SEAT, -2.0, 24.998),
        ("-2", SEAT, -2.0, 24.998),
        ("0", SEAT, 0.0, 25.0),
        ("+3.1", SEAT, 3.1, 25.0031),
        ("-0,004", SEAT, -4.0, 24.996),
        ("0.03", SEAT, 30.0, 25.03),
        ("8.0", COARSE, 8.0, 25.008),
        (".9843\"", SEAT, 1.22, 25.00122),
        ("25001 um", SEAT, 1.0, 25.001),
        ("-4um", SEAT, -4.0, 24.996),
        ("−4 µm", SEAT, -4.0, 24.996),
        ("1.25", FINE, 1.25, 25.00125),
        ("1.0002", INCH, 5.08, 1.0002),
        ("25.4051mm", INCH, 5.1, 25.4051 / 25.4),
        ("-0.0002", INCH, -5.08, 0.9998),
        ("0.8", ROUND, 0.8, 0.8),
        ("0.0008mm", ROUND, 0.8, 0.8),
    ],
)  # fmt: skip
def test_a_number_is_a_size_or_a_deviation_by_what_the_plan_makes_plausible(
    text, feature, um, size
):
    value = value_of(text, feature)

    assert value.deviation_um == um
    assert value.size == pytest.approx(size, rel=1e-15)
    assert value.doubt == ""


@pytest.mark.parametrize("text", ["12.5", "2.4998", "249.98", "26", "25.5", "99", "70um", "-1000"])
def test_what_lies_three_widths_off_is_doubted(text):
    assert "tolerance widths" in value_of(text, SEAT).doubt


@pytest.mark.parametrize(
    ("lower", "upper", "text", "doubt"),
    [
        (0.002, 0.011, "27", "27 is 16 µm beyond the limits of seat, 1.8 tolerance widths"),
        (0.002, 0.011, "25.027", "25.027 is 16 µm beyond the limits of seat, 1.8 tolerance widths"),
        (0.002, 0.011, "-11.6", "-11.6 is 14 µm beyond the limits of seat, 1.5 tolerance widths"),
        (0.002, 0.011, "20", ""),
        # Limits far from nominal, as those of a running fit: what lies between them is no slip.
        (0.050, 0.060, "55", ""),
        (0.050, 0.060, "5", "5 is 45 µm beyond the limits of seat, 4.5 tolerance widths"),
    ],
)
def test_what_lies_far_beyond_the_limits_is_doubted(lower, upper, text, doubt):
    seat = Feature(name="seat", nominal=25.0, lower=lower, upper=upper)

    assert value_of(text, seat).doubt == doubt


def test_a_form_below_zero_is_doubted():
    assert "below zero" in value_of("-0.3", ROUND).doubt


def test_two_meanings_are_refused_with_the_cure():
    with pytest.raises(NotUnderstood, match="write its unit"):
        value_of("0.01", FINE)


@pytest.mark.parametrize("text", ["nan", "inf", "25..0", "2 5.0", "1e99999", "25.0;25.1", "2×3"])
def test_no_number_is_refused(text):
    with pytest.raises((BadQuantity, NotUnderstood)):
        value_of(text, SEAT)


@pytest.mark.parametrize(
    ("text", "verb", "amount", "note"),
    [
        ("dress", "dress", None, ""),
        ("Abrichten", "dress", None, ""),
        ("dress diamond turned", "dress", None, "diamond turned"),
        ("offset -3", "offset", -3.0, ""),
        ("offset −3,5 µm after tea", "offset", -3.5, "after tea"),
        ("offset -0.003mm", "offset", -3.0, ""),
        ("pause 20", "pause", 20.0, ""),
        ("pause 20 min lunch", "pause", 20.0, "lunch"),
        ("pause", "pause", None, ""),
        ("swivel 4", "swivel", 4.0, ""),
        ("note 25.0 looks odd", "note", None, "25.0 looks odd"),
        ("ground 4", "ground", 4.0, ""),
        ("undo wrong part", "undo", None, "wrong part"),
        ("", "skip", None, ""),
    ],
)
def test_events_and_words(job, text, verb, amount, note):
    line = understand(text, job())

    assert (line.verb, line.amount, line.note) == (verb, amount, note)


@pytest.mark.parametrize("text", ["offset 0", "offset -0.000mm", "other 0 um", "#3 offset 0.0"])
def test_a_move_of_nothing_is_refused(job, text):
    with pytest.raises(NotUnderstood, match="nothing was moved"):
        understand(text, job())


@pytest.mark.parametrize("before", ["#3", "# 3", "#3:", "# 3:", "3:"])
@pytest.mark.parametrize(("rest", "verb"), [("24.998", "reading"), ("dress", "dress")])
def test_a_part_number_may_end_in_a_colon(job, before, rest, verb):
    line = understand(f"{before} {rest}", job())

    assert (line.part, line.verb) == ("3", verb)


def test_several_readings_part_numbers_and_named_features(seats):
    plan = seats

    assert understand("25.001 24.999 0.8", plan).numbers == ("25.001", "24.999", "0.8")
    assert understand("25.001 mm -2 um", plan).numbers == ("25.001 mm", "-2 um")
    line = understand("#118 seat tail 24.998", plan)
    assert (line.part, line.feature, line.numbers) == ("118", "seat tail", ("24.998",))
    assert understand("118: 24.998", plan).part == "118"
    assert understand("seat 24.998", plan).feature == "seat"


@pytest.mark.parametrize(
    "text",
    ["offset", "offset -0.003", "offset three", "#118 undo", "ground -1", "ground many", "part",
     "ground ²", "ground ٣", "ground " + "9" * 5000, "seat ²",
     "24.998 nan", "hello", "nan", "-"],
)  # fmt: skip
def test_what_means_nothing_is_refused_with_what_would_be_right(job, text):
    with pytest.raises(NotUnderstood, match=r"such as|lists|write|stands"):
        understand(text, job())


@pytest.mark.parametrize(
    ("text", "part", "note"),
    [
        ("undo", "", ""),
        ("undo wrong part", "", "wrong part"),
        ("undo #3", "3", ""),
        ("undo part 3", "3", ""),
        ("undo # 118: dirt on it", "118", "dirt on it"),
        ("undo Part 118 dirt", "118", "dirt"),
    ],
)
def test_undo_may_name_the_part_whose_readings_are_taken_back(text, part, note, seats):
    line = understand(text, seats)

    assert (line.verb, line.part, line.note) == ("undo", part, note)


@pytest.mark.parametrize("text", ["undo 3", "undo #x", "undo part", "undo #3.5", "undo 25,007"])
def test_an_undo_that_seems_to_name_something_else_takes_back_nothing(text, seats):
    with pytest.raises(NotUnderstood, match="undo takes the last line back"):
        understand(text, seats)
