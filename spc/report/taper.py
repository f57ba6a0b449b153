"""Taper: which end is bigger, and which way the table must turn to take it out."""

from markupsafe import Markup

from spc.report.lens import FeatureLens
from spc.report.level import level_of
from spc.report.pieces import Chapter
from spc.report.voice import tame


def taper_chapter(lens: FeatureLens) -> Chapter | None:
    """The taper between two stations in words and as a sketch; None for other features."""
    feature = lens.of.feature
    if feature.between is None or lens.of.sloping is None or not len(lens.of.series):
        return None
    say = lens.lens.voice.say
    level = level_of(lens)
    value, half = level.value_um, level.half_um or 0.0
    ends = [tame(name, 60) for name in feature.between]
    big, small = ends if value >= 0 else ends[::-1]
    slots = {
        "feature": lens.name, "value": lens.estimate(value, signed=True),
        "half": lens.estimate(half), "big": big, "small": small,
    }  # fmt: skip
    title = say("taper.title", feature=lens.name)
    if abs(value) <= half:
        return Chapter(title, (say("taper.even", **slots),))
    words = [say("taper.bigger", **slots), say("taper.turn", **slots), _advised(lens)]
    said = say("taper.sketch", **slots)
    return Chapter(title, tuple(words), sketch=_sketch(ends, value >= 0, said), sketch_says=said)


def _advised(lens: FeatureLens) -> str:
    advice, voice = lens.lens.study.advice, lens.lens.voice
    if advice.action != "swivel" or advice.amount is None:
        return voice.say("taper.no_change")
    unit = {"um": "µm"}.get(advice.amount_unit or "", advice.amount_unit or "")
    return voice.say("taper.by", amount=f"{voice.number(advice.amount, 1, signed=True)} {unit}")


def _sketch(ends: list[str], first_is_bigger: bool, said: str) -> Markup:
    """The part between its two stations, with the arrow of the table at the bigger end."""
    left, right = (34, 16) if first_is_bigger else (16, 34)
    outline = f"M70 {75 - left}L330 {75 - right}V{75 + right}L70 {75 + left}Z"
    at = 70 if first_is_bigger else 330
    return Markup(
        '<svg class="sketch" viewBox="0 0 400 190" role="img" aria-label="{said}">'
        '<path class="datum" d="M0 75H400"/><path class="part" d="{outline}"/>'
        '<g class="c-act" fill="none" stroke="currentColor" stroke-width="3">'
        '<path d="M{at} 158V122M{head} 134L{at} 120L{tail} 134"/></g>'
        '<text x="70" y="{top}" text-anchor="middle">{first}</text>'
        '<text x="330" y="{top}" text-anchor="middle">{second}</text>'
        "</svg>"
    ).format(
        said=said, outline=outline, at=at, head=at - 10, tail=at + 10, top=182, first=ends[0],
        second=ends[1],
    )  # fmt: skip
