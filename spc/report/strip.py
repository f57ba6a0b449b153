"""The datum strip: the last parts on the bright target line, from edge to edge."""

import numpy as np
from markupsafe import Markup

from spc.report.lens import FeatureLens, Lens
from spc.report.marks import ADVISED, MARKS

#: Parts on the strip: about an hour of work at the pace of a small shaft.
STRIP_PARTS = 40
_DRAWN = ("dress", "offset", "wheel")


def datum_strip(lens: Lens) -> tuple[Markup, str]:
    """
    The last parts of the lead feature on the bright target line, as SVG of any width.

    Places are per cent, so that the discs stay round when the line stretches from edge to edge.
    """
    lead = lens.lead
    if lead is None or not len(lead.of.series):
        return Markup(""), lens.voice.say("next.no_lead") if lead is None else ""
    feature, series = lead.of.feature, lead.of.series
    guarded = [g for g in feature.guarded_um if np.isfinite(g)]
    target = feature.target_um
    values = series.deviation_um[-STRIP_PARTS:]
    marks = [*guarded, *([] if target is None else [target])] or [float(values.mean())]
    room = 0.3 * (max(marks) - min(marks)) or 1.0
    low, high = min(marks) - room, max(marks) + room

    def at(value: float) -> float:
        # Never so near the edge that the shape is cut.
        share = (high - min(max(value, low), high)) / (high - low)
        return round(100 * min(max(share, 0.07), 0.93), 2)

    pieces = [_level(at(g), "guard") for g in guarded]
    if target is not None:
        pieces.append(_level(at(target), "datum"))
    pieces += _strip_acts(lens, series.parts[-STRIP_PARTS:])
    parts = series.parts[-STRIP_PARTS:].tolist()
    for k, (part, value) in enumerate(zip(parts, values.tolist(), strict=True)):
        x = round(2 + 96 * (k + 0.5) / len(parts), 2)
        pieces.append(_strip_part(x, at(value), lead.flags.get(part), last=k == len(parts) - 1))
    words = _strip_words(lead, len(parts), guarded)
    if any(act.after_part >= parts[0] for act in lens.study.acts if act.kind in _DRAWN):
        words = f"{words} {lens.voice.say('next.strip_acts')}"
    if any(lead.flags.get(part, "").endswith(ADVISED) for part in parts):
        words = f"{words} {lens.voice.say('next.strip_advised')}"
    svg = Markup('<svg class="strip" role="img" aria-label="{}">{}</svg>').format(
        words, Markup("").join(pieces)
    )
    return svg, words


def _level(y: float, name: str) -> Markup:
    return Markup('<line class="{}" x1="0" x2="100%" y1="{}%" y2="{}%"/>').format(name, y, y)


def _strip_part(x: float, y: float, action: str | None, *, last: bool) -> Markup:
    if action is None:
        return Markup('<circle class="{}" cx="{}%" cy="{}%" r="{}"/>').format(
            "disc now" if last else "disc", x, y, 6 if last else 4
        )
    mark = MARKS[action]
    return Markup(
        '<svg class="c-{}" x="{}%" y="{}%" width="1" height="1" overflow="visible">'
        '<g transform="translate(-8 -8) scale(.67)">{}</g></svg>'
    ).format(mark.color, x, y, Markup(mark.drawn))


def _strip_acts(lens: Lens, parts: np.ndarray) -> list[Markup]:
    """Dresses and offsets between the parts of the strip."""
    drawn = []
    for act in lens.study.acts:
        if act.kind not in _DRAWN or act.after_part < parts[0]:
            continue
        before = int(np.searchsorted(parts, act.after_part, side="right"))
        x = round(2 + 96 * before / len(parts), 2)
        kind = "offset" if act.kind == "offset" else "dress"
        drawn.append(
            Markup('<line class="act {}" x1="{}%" x2="{}%" y1="5%" y2="95%"/>').format(kind, x, x)
        )
    return drawn


def _strip_words(lead: FeatureLens, n: int, guarded: list[float]) -> str:
    say, feature = lead.lens.voice.say, lead.of.feature
    target = "" if feature.target_um is None else lead.um(feature.target_um)
    words = say("next.strip", n=n, feature=lead.name, target=target)
    if len(guarded) == 2:
        shown = (lead.bare(guarded[0], finer=1), lead.bare(guarded[1], finer=1))
        slots = {"guarded": lead.guarded, "lower": shown[0], "upper": shown[1]}
        return f"{words} {say('next.strip_limits', **slots)}"
    if guarded:
        side = "lower" if np.isfinite(feature.guarded_um[0]) else "upper"
        key = f"next.strip_{side}"
        return f"{words} {say(key, guarded=lead.guarded, **{side: lead.bare(guarded[0], finer=1)})}"
    return words
