"""The charts a plan asked for beside single parts and the wear line: pictures, words, numbers."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.charts.limits import Chart
from spc.more_charts.basis import MoreChart
from spc.report.lens import FeatureLens
from spc.report.limit_changes import base_band, change_marks, change_words
from spc.report.pieces import Picture, Table
from spc.report.run_figures import MOST_JOINED, MOST_MARKS, TOPS_FROM, crowded, to_check, unit_words
from spc.report.steel import (
    ACT,
    RULE,
    SOFT,
    Figure,
    discs,
    evenly,
    figure,
    hollow,
    level,
    line,
    plain,
    spread_labels,
    y_title,
)
from spc.report.voice import tame

#: Points beyond their limits listed with their values; the rows hold all parts.
MOST_LISTED = 40
#: Height of one, two or three panels, and the share of it that each takes from the top.
_HEIGHTS = {1: 320, 2: 450, 3: 590}
_DOMAINS = {
    1: ((0.0, 1.0),),
    2: ((0.5, 1.0), (0.0, 0.36)),
    3: ((0.68, 1.0), (0.35, 0.57), (0.0, 0.22)),
}
_DRESSES = ("dress", "wheel")
_ACTS = (*_DRESSES, "offset")


def more_pictures(lens: FeatureLens) -> Iterator[Picture]:
    """One picture for every further chart that could be drawn."""
    for more in lens.of.more:
        if more.charts:
            yield _picture(lens, more)


def not_drawn(lens: FeatureLens) -> Iterator[str]:
    """Every further chart that could not be drawn, and why."""
    say = lens.lens.voice.say
    for more in lens.of.more:
        if not more.charts:
            why = lens.lens.voice.retell("; ".join(more.remarks))
            yield say("more.not_drawn", title=_title(lens, more), why=why)


def _picture(lens: FeatureLens, more: MoreChart) -> Picture:
    beyond = bool(any(np.any(chart.beyond) for chart in more.charts))
    words, found = caption(lens, more), len(_panels(more))
    return Picture(
        key=f"{more.name.replace('_', '-')}-{lens.place}",
        title=_title(lens, more),
        caption=" ".join(words[:found]),
        spec=more_figure(lens, more),
        tables=(_limits_table(lens, more), *_beyond_table(lens, more), *_presumes(lens, more)),
        legend=(
            *_uprights(lens),
            *([("check", lens.lens.voice.say("flag.beyond"))] if beyond else []),
        ),
        notes=tuple(words[found:]),
    )


def _title(lens: FeatureLens, more: MoreChart) -> str:
    return lens.lens.voice.say(f"more.{more.name}", n=more.group)


# --- words ----------------------------------------------------------------------------------------


def caption(lens: FeatureLens, more: MoreChart) -> list[str]:
    """What the chart shows in sentences, the conclusion first."""
    voice, say = lens.lens.voice, lens.lens.voice.say
    words = [_conclusion(lens, more, panel) for panel in _panels(more)]
    words += [sentence(voice.retell(word)) for word in more.remarks]
    if more.levels:
        both = any(name == "rejectable" for name, _ in more.levels)
        words.append(say("more.levels_2" if both else "more.levels_1"))
    words += change_words(lens, more.charts[0], more.firsts)
    words += _base_words(lens, more)
    count = len(more.parts)
    if count > MOST_JOINED:
        drawn = len(evenly(count, MOST_JOINED))
        words.append(say("more.thinned", drawn=drawn, total=count))
    return words


def _conclusion(lens: FeatureLens, more: MoreChart, panel: tuple[Chart, ...]) -> str:
    """How many points of a panel lie beyond their limits, and where."""
    say = lens.lens.voice.say
    out = np.logical_or.reduce([np.asarray(chart.beyond, dtype=bool) for chart in panel])
    known = int(np.count_nonzero(~np.isnan(panel[0].values)))
    what = say(f"more.many_{_key(panel[0])}")
    parts = more.parts[out].tolist()
    if not parts:
        return say("more.quiet", n=known, what=what)
    where = lens.lens.parts(parts)
    if more.group > 1:
        where = say("more.ending" if len(parts) > 1 else "more.ending_one", parts=where)
    key = "more.loud" if len(parts) > 1 else "more.loud_one"
    return say(key, n=len(parts), total=known, what=what, parts=where)


def _base_words(lens: FeatureLens, more: MoreChart) -> list[str]:
    """Where limits come from: the feature's base span, groups inside it, or the plan."""
    say, base, feature = lens.lens.voice.say, more.charts[0].base, lens.of
    is_frozen = feature.sloping is not None and feature.sloping.base is None
    if more.name == "self_starting" or (base is None and not is_frozen):
        return []  # a chart that needs none
    if base is None or (more.group == 1 and not is_frozen):
        return [say("run.chart_base", base=tame(feature.base_words, 400))]
    first, last = int(more.firsts[base.first]), int(more.parts[base.last])
    key = "more.base_groups" if more.group > 1 else "more.base_parts"
    return [say(key, n=base.count, first=first, last=last)]


def sentence(text: str) -> str:
    """A remark as a sentence."""
    return f"{text[:1].upper()}{text[1:]}."


def _key(chart: Chart) -> str:
    return chart.statistic.replace(" ", "_")


def _panels(more: MoreChart) -> list[tuple[Chart, ...]]:
    """Charts that share a panel: both sums in one, all others alone."""
    if more.name == "cusum":
        return [more.charts]
    return [(chart,) for chart in more.charts]


# --- numbers --------------------------------------------------------------------------------------


def _limits_table(lens: FeatureLens, more: MoreChart) -> Table:
    say = lens.lens.voice.say
    rows = []
    for panel in _panels(more):
        for chart in panel:
            numbers = (chart.lower, chart.center, chart.upper)
            rows.append((
                say(f"more.one_{_key(chart)}"),
                *(_number(lens, float(line[-1])) for line in numbers),
                _number(lens, chart.sigma),
                str(int(np.count_nonzero(chart.beyond))),
            ))  # fmt: skip
            if chart is more.charts[0]:
                rows += [
                    (say(f"more.{name}"), "", _number(lens, value), "", "", "")
                    for name, value in more.levels
                ]
    head = tuple(
        say(key) for key in ("run.what", "run.lower", "run.centre", "run.upper",
                             "more.sigma", "more.beyond")
    )  # fmt: skip
    return Table(head, tuple(rows), frozenset({1, 2, 3, 4, 5}), say("more.last_limits"))


def _beyond_table(lens: FeatureLens, more: MoreChart) -> list[Table]:
    """Points beyond their limits, the last ones when there are many."""
    voice, say = lens.lens.voice, lens.lens.voice.say
    found = [
        (int(at), chart) for chart in more.charts for at in np.flatnonzero(chart.beyond).tolist()
    ]
    if not found:
        return []
    found.sort(key=lambda pair: pair[0])
    rows = []
    for at, chart in found[-MOST_LISTED:]:
        span = (int(more.firsts[at]), int(more.parts[at]))
        low, high = (float(edge[at]) for edge in (chart.lower, chart.upper))
        passed = high if chart.values[at] > high else low
        rows.append((
            voice.say("part.one", n=span[0]) if span[0] == span[1] else lens.lens.span(*span),
            say(f"more.one_{_key(chart)}"), _number(lens, float(chart.values[at])),
            _number(lens, passed),
        ))  # fmt: skip
    head = tuple(say(key) for key in ("run.parts", "run.what", "run.value", "more.limit"))
    caption = say("more.beyond_title")
    if len(found) > MOST_LISTED:
        caption += f": {say('run.flagged_last', n=MOST_LISTED, total=len(found))}"
    return [Table(head, tuple(rows), frozenset({2, 3}), caption)]


def _presumes(lens: FeatureLens, more: MoreChart) -> list[Table]:
    if not more.presumes:
        return []
    rows = tuple((sentence(lens.lens.voice.retell(word)),) for word in more.presumes)
    return [Table((lens.lens.voice.say("more.presumes"),), rows)]


def _number(lens: FeatureLens, value: float) -> str:
    if not np.isfinite(value):
        return "–"
    return lens.lens.voice.number(value, lens.digits + 1)


# --- the picture ----------------------------------------------------------------------------------


def more_figure(lens: FeatureLens, more: MoreChart) -> Figure:
    """The chart's panels over each other on one axis of parts."""
    panels = _panels(more)
    domains = _DOMAINS[len(panels)]
    traces: list[dict[str, Any]] = []
    shapes, notes = base_band(lens, more.charts[0], more.firsts, more.parts)
    axes: dict[str, Any] = {}
    for place, (panel, domain) in enumerate(zip(panels, domains, strict=True)):
        axis, over = ("" if not place else str(place + 1)), str(place + len(panels) + 1)
        low, high = _reach(panel, more.levels if not place else ())
        traces += _event_lines(lens, f"y{over}")
        drawn, lines, labels = _panel(lens, more, panel, axis=axis, levels=not place)
        traces += drawn
        shapes += lines
        room = max(7, round(12 * (domain[1] - domain[0]) * _HEIGHTS[len(panels)] / 320))
        notes += [
            *_apart(labels, low, high, room),
            y_title(_unit(lens, more, panel[0], place), top=domain[1],
                    shift=4 if place else 20),
        ]  # fmt: skip
        axes[f"yaxis{axis}"] = {"domain": list(domain), "range": [low, high], "fixedrange": True}
        axes[f"yaxis{over}"] = {
            "overlaying": f"y{axis}", "range": [0, 1], "visible": False, "fixedrange": True,
        }  # fmt: skip
    study = lens.lens.study
    room_x = max(2.0, 0.015 * study.made)
    axes["xaxis"] = {
        "title": {"text": lens.lens.voice.say("run.x_part")},
        "range": [study.first_part - room_x, study.last_part + room_x],
        "anchor": f"y{len(panels) if len(panels) > 1 else ''}",
    }
    more_shapes, more_notes = change_marks(lens, more.charts[0], more.firsts)
    return figure(
        traces, lens.lens.voice, height=_HEIGHTS[len(panels)], margin={"t": 46},
        shapes=[*shapes, *more_shapes], annotations=[*notes, *more_notes], **axes,
    )  # fmt: skip


def _apart(
    notes: list[dict[str, Any]], low: float, high: float, lines: int
) -> list[dict[str, Any]]:
    """Labels moved apart outwards from the middle, so that each stays on its side of it."""
    middle = (low + high) / 2
    upper = [note for note in notes if note["y"] > middle]
    lower = [note | {"y": -note["y"]} for note in notes if note["y"] <= middle]
    moved = spread_labels(lower, -high, -low, lines=lines)
    return [
        *(note | {"y": -note["y"]} for note in moved),
        *spread_labels(upper, low, high, lines=lines),
    ]


def _unit(lens: FeatureLens, more: MoreChart, chart: Chart, place: int) -> str:
    """What an upright axis shows, with its unit."""
    say = lens.lens.voice.say
    if more.name in ("acceptance", "modified_limits", "from_nominal") and not place:
        return say("more.y_of", what=say(f"more.one_{_key(chart)}"), unit=unit_words(lens))
    if more.name == "cusum":
        return say("more.y_sums")
    unit = say("more.sigmas") if more.unit == "sigmas" else "µm"
    about = "" if place or more.unit == "sigmas" else say("more.about")
    return say("more.y", what=say(f"more.one_{_key(chart)}"), about=about, unit=unit)


def _reach(panel: tuple[Chart, ...], levels: tuple[tuple[str, float], ...]) -> tuple[float, float]:
    """Lowest and highest value of a panel, with room for the labels."""
    seen = [value for _, value in levels]
    for chart in panel:
        for values in (chart.values, chart.lower, chart.upper, chart.center):
            known = values[np.isfinite(values)]
            if len(known):
                seen += [float(known.min()), float(known.max())]
    low, high = min(seen), max(seen)
    # Level lines stand close to the limits; their labels are moved apart and need room.
    room = (0.2 if levels else 0.07) * (high - low) or 1.0
    return (low - room if low < 0 else max(low - room, 0.0) if low else -room / 3), high + room


def _panel(
    lens: FeatureLens, more: MoreChart, panel: tuple[Chart, ...], *, axis: str, levels: bool
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    """Points, lines and labels of one panel."""
    traces, shapes, notes = [], [], []
    for place, chart in enumerate(panel):
        for values, dash in ((chart.center, "solid"), (chart.lower, "dash"), (chart.upper, "dash")):
            end = float(values[-1])
            hidden = (place and dash == "solid") or (axis and dash == "dash" and end <= 0)
            if not np.isfinite(end) or hidden:
                continue
            text = _number(lens, end)
            if more.levels and dash == "dash":
                text = f"{lens.lens.voice.say('more.acl')} {text}"
            shape, note = level(end, text, dash=dash, axis=axis)
            notes.append(note)
            if np.ptp(values) > 1e-9 * max(1.0, abs(end)):
                traces.append(_varying(more, chart, values, dash, axis))
            else:
                shapes.append(shape)
        traces += _points(lens, more, chart, axis)
    if levels:
        for name, value in more.levels:
            text = f"{lens.lens.voice.say(f'more.short_{name}')} {_number(lens, value)}"
            shape, note = level(value, text, color=SOFT, dash="dot", axis=axis)
            shapes.append(shape)
            notes.append(note)
    return traces, shapes, notes


def _varying(
    more: MoreChart, chart: Chart, values: NDArray[np.float64], dash: str, axis: str
) -> dict[str, Any]:
    """A limit that is not level: every step of it, between its first and last point."""
    moves = np.flatnonzero(np.abs(np.diff(values)) > 1e-6 * np.nanmax(np.abs(values)))
    at = np.unique(np.concatenate([[0], moves, moves + 1, [len(values) - 1]]))
    at = at[evenly(len(at), MOST_JOINED)]
    # No line leads from one set of limits to the next.
    gaps = np.searchsorted(at, [each.position for each in chart.changes])
    x = np.insert(more.parts[at].astype(float), gaps, np.nan)
    y = np.insert(values[at], gaps, np.nan)
    return line(plain(x, 0), plain(y, 4), line={"dash": dash}, yaxis=f"y{axis}")


def _points(lens: FeatureLens, more: MoreChart, chart: Chart, axis: str) -> list[dict[str, Any]]:
    """The joined points, thinned; above them every excluded and every flagged one."""
    known = np.isfinite(chart.values)
    beyond = np.asarray(chart.beyond, dtype=bool) & known
    out = np.zeros(len(known), dtype=bool)
    if chart.base is not None and len(chart.base.excluded):
        out[np.asarray(chart.base.excluded, dtype=int)] = True
    digits = lens.digits + 2
    where = "%{customdata}–%{x}" if more.group > 1 else "%{x}"
    hover = f"{where}: %{{y:.{digits}f}}<extra></extra>"

    def at(places: NDArray[np.int64]) -> dict[str, Any]:
        more_data = {"customdata": more.firsts[places].tolist()} if more.group > 1 else {}
        return {
            "x": more.parts[places].tolist(), "y": plain(chart.values[places], digits),
            "hovertemplate": hover, "yaxis": f"y{axis}", **more_data,
        }  # fmt: skip

    drawn = evenly(len(known), MOST_JOINED)
    traces = [discs(**at(drawn), mode="lines+markers", line={"color": RULE, "width": 1})]
    if np.any(out):
        traces.append(hollow(**at(np.flatnonzero(out))))
    seen = np.flatnonzero(beyond & ~out)
    if len(seen):
        traces.append(to_check(**at(seen)))
    return traces


def _event_lines(lens: FeatureLens, axis: str) -> list[dict[str, Any]]:
    """
    What was done, as upright lines: dresses solid, offsets dotted, all else dashed.

    Where there are many they are short marks at the top, or they would hide the points.
    """
    traces = []
    foot = TOPS_FROM if crowded(lens) else 0
    for kinds, dash, color in (
        (_DRESSES, "solid", ACT), (("offset",), "dot", ACT), (None, "dash", SOFT),
    ):  # fmt: skip
        at = [act.after_part + 0.5 for act in lens.lens.study.acts if _is(act.kind, kinds)]
        at = [at[k] for k in evenly(len(at), MOST_MARKS)]
        if at:
            x = [value for place in at for value in (place, place, None)]
            style = {"color": color, "width": 0.8, "dash": dash}
            traces.append(line(x, [foot, 1, None] * len(at), yaxis=axis, line=style))
    return traces


def _is(kind: str, kinds: tuple[str, ...] | None) -> bool:
    if kinds is None:
        return kind not in (*_ACTS, "note")
    return kind in kinds


def _uprights(lens: FeatureLens) -> list[tuple[str, str]]:
    kinds = {act.kind for act in lens.lens.study.acts}
    drawn = []
    place = "top" if crowded(lens) else "lines"
    if kinds & set(_DRESSES):
        drawn.append(("dress", lens.lens.voice.say(f"more.dresses_{place}")))
    if "offset" in kinds:
        drawn.append(("offset", lens.lens.voice.say(f"more.offsets_{place}")))
    return drawn
