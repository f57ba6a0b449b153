"""The wheel: drift of every dress cycle, what dresses did, where the size is heading."""

import math

from spc.adviser.forecast import FARTHEST
from spc.dress_cycles import WearLine
from spc.findings import Act
from spc.grinding_wheel import feet_per_minute, wheel_left
from spc.report.acts_done import effect_words
from spc.report.ages import ages_picture
from spc.report.how_often import dress_chapter
from spc.report.lens import FeatureLens, Lens
from spc.report.pieces import Chapter, Picture, Table, Term
from spc.report.taper import taper_chapter
from spc.report.voice import tame
from spc.report.wheel_figures import cycles_figure, forecast_figure

#: Dress cycles listed on the page.
MOST_LISTED = 40


def chapters(lens: Lens) -> tuple[Chapter, ...]:
    """Drift and forecast of the lead feature, then the wheel itself."""
    lead = lens.lead
    found = []
    if lead is not None and len(lead.of.series):
        found.append(Chapter(lead.name, (), tuple(_pictures(lead))))
    form = [p for f in lens.features if f.of.feature.zero_bounded for p in [ages_picture(f)] if p]
    if form:
        found.append(Chapter(lens.voice.say("ages.form_chapter"), (), tuple(form)))
    found += [taper for f in lens.features for taper in [taper_chapter(f)] if taper]
    often = dress_chapter(lens)
    found += [often] if often else []
    found.append(_life(lens))
    return tuple(found)


def _pictures(lens: FeatureLens) -> list[Picture]:
    say, study = lens.lens.voice.say, lens.lens.study
    pictures = [
        Picture(
            key="cycles",
            title=say("wheel.cycles_title", feature=lens.name),
            caption=drift_words(lens),
            spec=cycles_figure(lens, study.cycles),
            tables=(cycles_table(lens),),
        )
    ]
    more = (_forecast(lens), ages_picture(lens))
    return [*pictures, *(picture for picture in more if picture is not None)]


def drift_words(lens: FeatureLens) -> str:
    """How fast wear moves the feature, with the spread between cycles."""
    say, voice = lens.lens.voice.say, lens.lens.voice
    lines = [w for w in lens.of.wear if w is not None]
    if not lines:
        return say("wheel.cycles_none", feature=lens.name)
    if len(lines) == 1:
        only = lines[0]
        low, high, drift = (
            voice.number(v, 3, signed=True)
            for v in (only.slope_lower, only.slope_upper, only.slope)
        )
        return say("wheel.cycles_one", feature=lens.name, drift=drift, low=low, high=high)
    slopes = [w.slope for w in lines]
    drift, low, high = (
        voice.number(v, 3, signed=True)
        for v in (sum(slopes) / len(slopes), min(slopes), max(slopes))
    )
    spread = say("wheel.cycles_spread", low=low, high=high)
    return say("wheel.cycles_says", feature=lens.name, drift=drift, n=len(lines), spread=spread)


def cycles_table(lens: FeatureLens) -> Table:
    """Every dress cycle: how it began, its parts, its drift, what its dress did, what ended it."""
    say, study = lens.lens.voice.say, lens.lens.study
    acts = {a.after_part: a for a in study.acts if a.kind in ("dress", "wheel")}
    rows = []
    for k, cycle in enumerate(study.cycles):
        wear = lens.of.wear[k] if k < len(lens.of.wear) else None
        ended = (
            say(f"event.{study.cycles[k + 1].begun_by}")
            if k + 1 < len(study.cycles)
            else say("wheel.running")
        )
        began = say("wheel.start") if cycle.begun_by == "start" else say(f"event.{cycle.begun_by}")
        age = "" if cycle.age_known else f" ({say('wheel.unknown_age')})"
        rows.append(
            (
                str(k + 1),
                began + age,
                lens.lens.span(cycle.first_part, cycle.last_part),
                str(cycle.last_part - cycle.first_part + 1),
                *_drift_cells(lens, wear),
                _step(lens, acts.get(cycle.first_part - 1)),
                ended,
            )
        )
    head = ("number", "began", "parts", "count", "drift", "interval", "step", "ended")
    return Table(
        tuple(say(f"wheel.table_{h}") for h in head),
        tuple(rows[-MOST_LISTED:]),
        frozenset({0, 3, 4, 5, 6}),
    )


def _drift_cells(lens: FeatureLens, wear: WearLine | None) -> tuple[str, str]:
    voice = lens.lens.voice
    if wear is None:
        return voice.say("page.not_enough"), ""
    low, high = (voice.number(v, 3, signed=True) for v in (wear.slope_lower, wear.slope_upper))
    return voice.number(wear.slope, 3, signed=True), voice.say("wheel.between", low=low, high=high)


def _step(lens: FeatureLens, act: Act | None) -> str:
    return "" if act is None else effect_words(lens.lens, act)


def _forecast(lens: FeatureLens) -> Picture | None:
    say, left = lens.lens.voice.say, lens.lens.study.advice.parts_left
    wear = next((w for w in reversed(lens.of.wear) if w is not None), None)
    if left is None or left.high == 0 or wear is None:
        return None
    # Only a limit that wear is heading for can be crossed; a one-sided feature may have none there.
    if not math.isfinite(lens.of.feature.guarded_um[1 if wear.slope >= 0 else 0]):
        return None
    key = {0: "forecast_zero", 1: "forecast_one"}.get(left.low, "forecast")
    key = f"wheel.{'forecast_capped' if left.low >= FARTHEST else key}"
    words = say(
        key, low=left.low, middle=left.middle, high=left.high, cap=FARTHEST, guarded=lens.guarded
    )
    head = (say("wheel.fan"), say("wheel.ahead"), say("run.part"))
    now = lens.lens.study.last_part
    rows = tuple(
        (say(f"wheel.fan_{k}"), str(n), str(now + n))
        for k, n in (("lower", left.low), ("middle", left.middle), ("upper", left.high))
    )
    return Picture(
        key="forecast",
        title=say("wheel.forecast_title", feature=lens.name),
        caption=words,
        spec=forecast_figure(lens, wear.slope, (left.low, left.middle, left.high)),
        tables=(Table(head, rows, frozenset({1, 2})),),
        notes=(say("wheel.fan_note"),),
    )


def _life(lens: Lens) -> Chapter:
    """Diameter, speed and dresses left, as far as the plan and the record tell."""
    say, voice, wheel = lens.voice.say, lens.voice, lens.study.plan.wheel
    dresses = sum(act.kind == "dress" for act in lens.study.acts)
    terms = [Term(say("wheel.count"), str(dresses))]
    if wheel.name:
        terms.insert(0, Term(say("wheel.wheel_name"), tame(wheel.name, 60)))
    for count, key in ((wheel.parts_per_dress, "habit"), (wheel.max_parts_per_dress, "hard_limit")):
        if count is not None:
            terms.append(Term(say(f"wheel.{key}"), str(count)))
    if wheel.diameter_mm is None:
        return Chapter(say("wheel.life"), (say("wheel.no_diameter"),), terms=tuple(terms))
    left = wheel_left(
        diameter_mm=wheel.diameter_mm,
        dresses=dresses,
        dress_depth_um=wheel.dress_depth_um,
        scrap_diameter_mm=wheel.scrap_diameter_mm,
        rpm=wheel.rpm,
        speed_limit_m_s=wheel.speed_limit_m_s,
    )
    terms.append(Term(say("wheel.diameter"), f"{voice.number(left.diameter_mm, 2)} mm"))
    if left.dresses_left is not None:
        terms.append(Term(say("wheel.dresses_left"), str(left.dresses_left)))
    for speed, key in ((left.speed_m_s, "speed"), (left.limit_m_s, "speed_limit")):
        if speed is not None:
            terms.append(Term(say(f"wheel.{key}"), _speed(lens, speed)))
    caution = voice.retell(left.caution)
    return Chapter(
        say("wheel.life"), (caution[:1].upper() + caution[1:] + ".",), terms=tuple(terms)
    )


def _speed(lens: Lens, metres_per_second: float) -> str:
    number = lens.voice.number
    feet = number(feet_per_minute(metres_per_second), 0)
    return lens.voice.say("wheel.speed_value", m_s=number(metres_per_second, 1), ft_min=feet)
