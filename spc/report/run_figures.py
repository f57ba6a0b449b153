"""Figures along the run: size with what was done to it, single parts, and about the wear line."""

from typing import Any

import numpy as np

from spc.charts.limits import Chart, ChartPair
from spc.findings import Act
from spc.report.lens import FeatureLens
from spc.report.limit_changes import base_band, change_marks, earlier_levels
from spc.report.marks import action_of
from spc.report.steel import (
    ACT,
    DATUM,
    INK,
    MOST_DRAWN,
    RULE,
    SOFT,
    Figure,
    discs,
    evenly,
    figure,
    flagged,
    hollow,
    label,
    level,
    line,
    plain,
    spread_labels,
    thinned,
    y_title,
)

#: Event labels that fit side by side above a figure; the others are told when pointed at.
MOST_LABELS = 18
#: Parts drawn in a chart whose points are joined: a line shows its course with fewer.
MOST_JOINED = 600
#: Acts drawn as vertical marks. Beyond this the picture would be all marks; dresses go first.
MOST_MARKS = 400
#: Acts drawn through the whole height of a chart: more would hide its points, so only the top of
#: each is drawn, from this share of the height on.
MOST_UPRIGHT, TOPS_FROM = 60, 0.95
#: Size and opacity of up to so many points beyond a limit: many large ones would be one blot.
_MARKERS = ((120, 11, 1.0), (1500, 6, 0.8), (10**9, 4, 0.5))
_DRESSES = ("dress", "wheel")
_OTHERS = ("swivel", "pause", "master", "batch", "coolant", "regrind", "cleared")
_MARKED = (*_DRESSES, "offset", *_OTHERS)
#: Height of the marks' heads, as a share of the figure; their labels stand above it.
_TOP = 0.93


def size_figure(lens: FeatureLens, acts: tuple[Act, ...]) -> Figure:
    """
    Size through the run: limits, target, wear line, every act, flagged parts in their shapes.

    Values far beyond the limits stand at the edge of the picture, so that one misread part does
    not flatten all others.
    """
    series = lens.of.series
    low, high = value_range(lens)
    seen = np.clip(series.deviation_um, low, high)
    flags = lens.flags
    is_flagged = np.isin(series.parts, list(flags))
    drawn = thinned(is_flagged)
    even = evenly(len(series), MOST_DRAWN)
    traces = [*_event_marks(lens, acts), *_wear_line(lens, even)]
    traces.append(_parts_trace(lens, drawn[~is_flagged[drawn]], seen))
    for action in dict.fromkeys(flags.values()):
        parts = [part for part, flag in flags.items() if flag == action]
        mine = np.flatnonzero(np.isin(series.parts, parts))
        traces.append(_parts_trace(lens, mine, seen, action=action))
    shapes, notes = _limit_lines(lens)
    unit = unit_words(lens)
    return figure(
        traces, lens.lens.voice, height=370, shapes=shapes, margin={"t": 54},
        annotations=[*spread_labels(notes, low, high), y_title(unit, shift=24)],
        xaxis={"title": {"text": lens.lens.voice.say("run.x_part")}, "range": _part_range(lens)},
        yaxis={"range": [low, high], "fixedrange": True},
        yaxis2={"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True},
    )  # fmt: skip


def unit_words(lens: FeatureLens) -> str:
    """What the upright axis of a feature shows, with its unit."""
    say, feature = lens.lens.voice.say, lens.of.feature
    if feature.nominal_mm is not None:
        return say("run.y_deviation")
    return say("run.y_value", kind=say(f"kind.{feature.kind}"))


def value_range(lens: FeatureLens) -> tuple[float, float]:
    """
    Lowest and highest value of the picture: limits and parts, but for what lies far beyond both.

    Far is more than one width of the limits beyond them.
    """
    y, feature = lens.of.series.deviation_um, lens.of.feature
    marks = [v for v in (feature.lower_um, feature.upper_um, feature.target_um) if v is not None]
    width = max(marks) - min(marks) if len(marks) > 1 else float(np.ptp(y)) or 1.0
    near = y[(y > min(marks) - width) & (y < max(marks) + width)] if len(y) else y
    shown = [*marks, *([float(near.min()), float(near.max())] if len(near) else [])]
    room = max(0.12 * (max(shown) - min(shown)), lens.step_um)
    low = -room / 3 if feature.zero_bounded and min(shown) >= 0 else min(shown) - room
    return low, max(shown) + room


def beyond_picture(lens: FeatureLens) -> int:
    """How many values stand at the edge of the picture."""
    low, high = value_range(lens)
    y = lens.of.series.deviation_um
    return int(np.count_nonzero((y < low) | (y > high)))


def individuals_figure(lens: FeatureLens, pair: ChartPair) -> Figure:
    """Single parts above, steps between neighbours below, with limits from the base span."""
    voice = lens.lens.voice
    traces = [
        *_dress_lines(lens, "y3"), *_chart_traces(lens, pair.location),
        *_chart_traces(lens, pair.spread, axis="2"),
    ]  # fmt: skip
    shapes, notes = _chart_levels(lens, pair.location)
    more_shapes, more_notes = _chart_levels(lens, pair.spread, axis="2")
    band, name = base_band(lens, pair.location, lens.of.series.parts, lens.of.series.parts)
    shapes += [*more_shapes, *band]
    return figure(
        traces, voice, height=440, shapes=shapes, margin={"t": 46},
        annotations=[
            *notes, *more_notes, *name, y_title(unit_words(lens), shift=20),
            y_title(voice.say("run.y_step"), top=0.36),
        ],
        xaxis={"title": {"text": voice.say("run.x_part")}, "range": _part_range(lens),
               "anchor": "y2"},
        yaxis={"domain": [0.5, 1], "fixedrange": True},
        yaxis2={"domain": [0, 0.36], "rangemode": "tozero", "fixedrange": True},
        yaxis3={"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True},
    )  # fmt: skip


def sloping_figure(lens: FeatureLens, chart: Chart) -> Figure:
    """Single parts about their wear line, so that only what wear does not explain is left."""
    voice = lens.lens.voice
    about = Chart(
        statistic=chart.statistic, values=chart.values - chart.center,
        center=np.zeros_like(chart.values), lower=chart.lower - chart.center,
        upper=chart.upper - chart.center, sigma=chart.sigma, base=chart.base,
        changes=chart.changes,
    )  # fmt: skip
    shapes, notes = _chart_levels(lens, about)
    if about.changes:
        marks, reasons = change_marks(lens, about, lens.of.series.parts)
        shapes = [_from(shape, about, lens) for shape in shapes]
        shapes += [*earlier_levels(about, lens.of.series.parts), *marks]
        notes += reasons
    band, name = base_band(lens, about, lens.of.series.parts, lens.of.series.parts)
    return figure(
        [*_dress_lines(lens, "y2"), *_chart_traces(lens, about)], voice, height=320,
        shapes=[*shapes, *band], margin={"t": 46},
        annotations=[*notes, *name, y_title(voice.say("run.y_bare"), shift=20)],
        xaxis={"title": {"text": voice.say("run.x_part")}, "range": _part_range(lens)},
        yaxis={"fixedrange": True},
        yaxis2={"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True},
    )  # fmt: skip


def _from(shape: dict[str, Any], chart: Chart, lens: FeatureLens) -> dict[str, Any]:
    """A limit of the last stretch, drawn from its first part on; the centre runs through."""
    if shape["line"]["dash"] == "solid":
        return shape
    first = int(lens.of.series.parts[chart.changes[-1].position]) - 0.5
    return shape | {"xref": "x", "x0": first, "x1": _part_range(lens)[1]}


# --- pieces of the size figure ------------------------------------------------------------------


def _parts_trace(
    lens: FeatureLens, at: np.ndarray, seen: np.ndarray, action: str | None = None
) -> dict[str, Any]:
    series, say = lens.of.series, lens.lens.voice.say
    x = series.parts[at].tolist()
    y = plain(seen[at], lens.digits + 1)
    clocks, serials = lens.clocks(at), lens.lens.serials
    name = say("run.measured") if action is None else say(f"action.{action_of(action)}")
    since = series.since_dress[at].tolist()
    rest: list[list[Any]] = [list(pair) for pair in zip(since, clocks, strict=True)]
    more = ""
    if serials:
        more = "<br>%{customdata[2]}"
        rest = [[*pair, label(serials.get(part, ""))] for pair, part in zip(rest, x, strict=True)]
    sign = "+" if lens.is_signed else ""
    hover = (
        f"{say('part.one', n='%{x}')}{more}<br>%{{y:{sign}.{lens.digits}f}} µm<br>"
        f"{say('run.hover_since', n='%{customdata[0]}')} · %{{customdata[1]}}<extra></extra>"
    )
    if action is not None:
        why = [lens.why_flagged(part) for part in x]
        return flagged(
            action, x, y, name=name, customdata=rest, hovertext=why,
            hovertemplate=f"%{{hovertext}}<br>{hover}",
        )  # fmt: skip
    return discs(x, y, name=name, customdata=rest, hovertemplate=hover)


def _wear_line(lens: FeatureLens, drawn: np.ndarray) -> list[dict[str, Any]]:
    """The wear line where the size stood: the fitted line plus the offsets in force."""
    chart, series = lens.of.sloping, lens.of.series
    if chart is None:
        return []
    y = chart.center + series.deviation_um - series.bare_um
    moved = np.round(series.deviation_um - series.bare_um, 6)
    breaks = np.flatnonzero(np.diff(series.cycle[drawn]) | (np.diff(moved[drawn]) != 0)) + 1
    x_gapped = np.insert(series.parts[drawn].astype(float), breaks, np.nan)
    y_gapped = np.insert(y[drawn], breaks, np.nan)
    style = {"color": SOFT, "width": 1}
    return [line(plain(x_gapped, 0), plain(y_gapped, 2), line=style, name="wear")]


def _event_marks(lens: FeatureLens, acts: tuple[Act, ...]) -> list[dict[str, Any]]:
    """Acts as vertical marks with their shape at the top, labelled where there is room."""
    say = lens.lens.voice.say
    drawn = sorted(acts, key=lambda a: (a.kind not in _DRESSES, a.after_part))[:MOST_MARKS]
    labelled = _with_room(drawn, _part_range(lens))
    traces = []
    for kinds, dash, symbol in (
        (_DRESSES, "solid", "diamond"), (("offset",), "dot", "square"),
        (_OTHERS, "dash", "line-ns-open"),
    ):  # fmt: skip
        mine = [a for a in drawn if a.kind in kinds]
        if not mine:
            continue
        x = [a.after_part + 0.5 for a in mine]
        color = SOFT if kinds is _OTHERS else ACT
        upright = [v for at in x for v in (at, at, None)]
        style = {"color": color, "width": 1, "dash": dash}
        traces.append(line(upright, [0, _TOP, None] * len(mine), yaxis="y2", line=style))
        traces.append({
            "type": "scatter", "mode": "markers+text", "yaxis": "y2", "x": x,
            "y": [_TOP] * len(mine), "cliponaxis": False,
            "marker": {"symbol": symbol, "size": 9, "color": color},
            "text": [_act_text(lens, a) if id(a) in labelled else "" for a in mine],
            "textposition": [_beside(at, _part_range(lens)) for at in x],
            "textfont": {"size": 11, "color": color},
            "customdata": [[_act_text(lens, a), a.after_part] for a in mine],
            "hovertemplate": "%{customdata[0]}<br>" + say("handover.after")
                             + " %{customdata[1]}<extra></extra>",
        })  # fmt: skip
    return traces


def _beside(at: float, reach: list[float]) -> str:
    """Where the label of a mark stands, so that the edge of the picture does not cut it."""
    share = (at - reach[0]) / (reach[1] - reach[0])
    return "top right" if share < 0.04 else "top left" if share > 0.96 else "top center"


def _with_room(acts: list[Act], reach: list[float]) -> set[int]:
    """Acts whose label fits: dresses first, then in order, none closer than a label is wide."""
    apart = (reach[1] - reach[0]) / MOST_LABELS
    # A label at the edge of the picture stands beside its mark, not above it.
    aside = {"top right": apart / 2, "top left": -apart / 2, "top center": 0.0}
    taken: list[float] = []
    chosen = set()
    for act in acts:
        middle = act.after_part + 0.5 + aside[_beside(act.after_part + 0.5, reach)]
        if act.kind in _MARKED and all(abs(middle - at) >= apart for at in taken):
            taken.append(middle)
            chosen.add(id(act))
    return chosen


def _act_text(lens: FeatureLens, act: Act) -> str:
    voice = lens.lens.voice
    if act.kind == "offset" and act.amount_um is not None:
        return voice.number(act.amount_um, 1, signed=True)
    return voice.say(f"event.{act.kind}")


def _limit_lines(lens: FeatureLens) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    feature, say = lens.of.feature, lens.lens.voice.say
    drawn = []
    for value, word in ((feature.lower_um, "lower"), (feature.upper_um, "upper")):
        if value is not None:
            text = f"{say(f'run.{word}')} {lens.bare(value)}"
            drawn.append(level(value, text, color=INK, width=1.6))
    plan_limits = (feature.lower_um, feature.upper_um)
    for value in feature.guarded_um:
        if np.isfinite(value) and value not in plan_limits:
            text = f"{say('run.guarded')} {lens.bare(value, finer=1)}"
            drawn.append(level(value, text, color=SOFT, dash="dot"))
    if feature.target_um is not None and not feature.zero_bounded:
        text = f"{say('run.target')} {lens.bare(feature.target_um)}"
        drawn.append(level(feature.target_um, text, color=DATUM, width=1.6, edge_to_edge=True))
    return [s for s, _ in drawn], [n for _, n in drawn]


def _part_range(lens: FeatureLens) -> list[float]:
    study = lens.lens.study
    room = max(2.0, 0.015 * study.made)
    return [study.first_part - room, study.last_part + room]


# --- pieces of the chart figures ----------------------------------------------------------------


def _chart_traces(lens: FeatureLens, chart: Chart, axis: str = "") -> list[dict[str, Any]]:
    # A chart of steps has one value less than there are parts: each step belongs to its later part.
    parts = lens.of.series.parts[-len(chart.values) :]
    known = np.isfinite(chart.values)
    beyond = np.asarray(chart.beyond, dtype=bool) & known
    out = np.zeros(len(parts), dtype=bool)
    if chart.base is not None and len(chart.base.excluded):
        out[np.asarray(chart.base.excluded, dtype=int)] = True
    drawn = evenly(len(parts), MOST_JOINED)
    axes = {"yaxis": f"y{axis}"}
    digits = lens.digits + 1
    hover = f"%{{x}}: %{{y:.{digits}f}} µm<extra></extra>"
    joined = discs(
        parts[drawn].tolist(), plain(chart.values[drawn], digits), mode="lines+markers",
        line={"color": RULE, "width": 1}, hovertemplate=hover, **axes,
    )  # fmt: skip
    traces = [joined]
    # A part outside its limits of size is drawn so, whatever the chart makes of it.
    held = np.isin(parts, lens.of.outside) & known if not axis else np.zeros(len(parts), dtype=bool)
    flags = ((out & ~held, hollow), (beyond & ~out & ~held, to_check), (held, _to_hold))
    for mask, make in flags:
        at = np.flatnonzero(mask)
        if len(at):
            values = plain(chart.values[at], digits)
            traces.append(make(parts[at].tolist(), values, hovertemplate=hover, **axes))
    return traces


def _to_hold(x: list[Any], y: list[Any], **more: Any) -> dict[str, Any]:
    return flagged("hold", x, y, **more)


def crowded(lens: FeatureLens) -> bool:
    """Whether there are too many acts to be drawn through the whole height of a chart."""
    return sum(act.kind in _MARKED for act in lens.lens.study.acts) > MOST_UPRIGHT


def _dress_lines(lens: FeatureLens, axis: str) -> list[dict[str, Any]]:
    """Dresses as upright lines over the whole height of a chart; of many only the tops."""
    foot = TOPS_FROM if crowded(lens) else 0
    dresses = [a.after_part + 0.5 for a in lens.lens.study.acts if a.kind in _DRESSES][:MOST_MARKS]
    if not dresses:
        return []
    x = [v for at in dresses for v in (at, at, None)]
    return [line(x, [foot, 1, None] * len(dresses), yaxis=axis, line={"color": ACT, "width": 0.8})]


def to_check(x: list[Any], y: list[Any], **more: Any) -> dict[str, Any]:
    """Points beyond a limit, smaller where there are many."""
    trace = flagged("check", x, y, **more)
    size, opacity = next((s, o) for most, s, o in _MARKERS if len(x) <= most)
    trace["marker"] |= {"size": size, "opacity": opacity}
    return trace


def _chart_levels(
    lens: FeatureLens, chart: Chart, axis: str = ""
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Centre solid, limits dashed, their values at the right (ISO 7870-2, from memory)."""
    drawn = [level(float(chart.center[-1]), _level_text(lens, chart.center[-1]), axis=axis)]
    for values in (chart.lower, chart.upper):
        if np.isfinite(values[-1]) and not (axis and values[-1] <= 0):
            text = _level_text(lens, values[-1])
            drawn.append(level(float(values[-1]), text, dash="dash", axis=axis))
    return [s for s, _ in drawn], [n for _, n in drawn]


def _level_text(lens: FeatureLens, value: float) -> str:
    return lens.lens.voice.number(float(value), lens.digits + 1)
