import re
import string
import tomllib
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import spc.report
from spc.errors import SpcError
from spc.plan import Feature
from spc.report.voice import TEXTS, Voice, digits_for, mark_of, tame, voice

ROOM = Path(spc.report.__file__).parent


def keys():
    with (TEXTS / "english.toml").open("rb") as file:
        sections = tomllib.load(file)
    return {f"{s}.{k}": text for s, entries in sections.items() for k, text in entries.items()}


def code():
    files = [*ROOM.glob("*.py"), *ROOM.glob("templates/*.j2")]
    return "\n".join(file.read_text("utf-8") for file in files)


def is_used(key, written, words):
    """Named in full, or put together from a beginning and a word that both stand in the code."""
    key = key.removesuffix("_one")  # chosen by `count`
    if re.search(rf"""["']{re.escape(key)}["']""", written):
        return True
    section, name = key.split(".")
    beginnings = re.findall(rf"""["']({section}\.[a-z_]*)(?:\{{|["']\s*~)""", written)
    return any(key.startswith(b) and key.removeprefix(b) in words for b in beginnings) or (
        name in words and f"{section}." in beginnings
    )


#: What charts plot, as keys.
STATISTICS = {
    "weighted_mean", "sum_upwards", "sum_downwards", "mean", "median", "range",
    "standard_deviation", "deviation_from_nominal", "moving_range", "individual",
    "standardised", "score_by_the_parts_before", "what_is_new_in_each_part",
}  # fmt: skip


def test_every_text_is_used_somewhere():
    from typing import get_args

    from spc.adviser.advice import ACTIONS
    from spc.plan import MORE_CHARTS, Kind
    from spc.run import EVENT_KINDS

    written = code()
    words = set(re.findall(r"""["']([a-z_]+)["']""", written))
    words |= {*get_args(Kind), *EVENT_KINDS, *ACTIONS}
    # What an adviser wants looked at, and how a plan writes, come as words from there.
    words |= {"gauge", "entry", "centres", "temperature", "diameter", "radius"}
    # Further charts by the plan's names, what they plot and their levels.
    words |= {*MORE_CHARTS, *STATISTICS, "acceptable", "rejectable", "top", "lines"}
    # Kinds of span that a page may be about.
    words |= {"shift", "wheel"}
    # Keys of an adviser's check of itself.
    words |= {"n", "spread", "beyond"}

    assert [key for key in keys() if not is_used(key, written, words)] == []


def test_every_key_named_in_full_exists():
    named = set(re.findall(r"""say\(\s*["']([a-z]+\.[a-z_]+)["']""", code()))

    assert named
    assert named <= set(keys())


def test_every_kind_event_and_action_has_its_words():
    from typing import get_args

    from spc.adviser.advice import ACTIONS
    from spc.plan import Kind
    from spc.run import EVENT_KINDS

    known = keys()
    for kind in get_args(Kind):
        assert f"kind.{kind}" in known
    for kind in EVENT_KINDS:
        assert f"event.{kind}" in known
    for action in ACTIONS:
        assert f"action.{action}" in known
        assert f"handover.expect_{action}" in known


def test_texts_hold_no_markup_and_only_plain_slots():
    for key, text in keys().items():
        assert "<" not in text, key
        for _, slot, spec, conversion in string.Formatter().parse(text):
            assert not spec, key
            assert not conversion, key
            assert slot is None or slot.isidentifier(), key


def test_a_number_has_the_digits_asked_for_and_a_true_minus():
    point, comma = Voice({}, ".", ZoneInfo("UTC")), Voice({}, ",", ZoneInfo("UTC"))

    assert point.number(-3.04, 1) == "−3.0"
    assert point.number(3.05, 2, signed=True) == "+3.05"
    assert point.number(-0.04, 1, signed=True) == "0.0"
    assert comma.number(1234.5, 1) == "1234,5"


def test_a_size_carries_the_digits_that_the_step_supports():
    seat = Feature(name="seat", nominal=25.0, upper=0.01, lower=-0.01)
    spool = Feature(name="spool", nominal=0.75, upper=0.0003, lower=-0.0003, unit="in")
    english = voice()

    assert english.size(seat, 1.3, 0.1) == "25.0013 mm"
    assert english.size(seat, 1.0, 1.0) == "25.001 mm"
    assert english.size(spool, 2.54, 1.27) == "0.75010 in"


def test_digits_follow_the_step():
    assert [digits_for(step) for step in (10, 1, 0.5, 0.1, 0.01)] == [0, 0, 1, 1, 2]
    assert digits_for(0) == 1


@pytest.mark.parametrize(
    ("locale", "mark"),
    [(None, "."), ("en", "."), ("de", ","), ("fr_FR.UTF-8", ","), ("de-CH", "."), ("ja_JP", ".")],
)
def test_the_decimal_mark_follows_the_locale(locale, mark):
    assert mark_of(locale) == mark


def test_a_locale_that_is_none_is_refused_with_its_cure():
    with pytest.raises(SpcError, match="write it such as de"):
        mark_of("<script>")


def test_direction_marks_and_controls_are_shown_not_obeyed():
    assert tame("seat\u202e\u2066 A\x00") == "seat⟨U+202E⟩⟨U+2066⟩ A⟨U+0000⟩"
    assert len(tame("x" * 999)) == 200
