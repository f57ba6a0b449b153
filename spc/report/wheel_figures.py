"""Figures of the wheel: every dress cycle from its dress on, and where the size is heading."""

from typing import Any

import numpy as np

from spc.adviser.forecast import CHANCE
from spc.dress_cycles import DressCycle
from spc.dress_interval import FLAT, DressCosts, DressInterval
from spc.report.lens import FeatureLens
from spc.report.level import level_of
from spc.report.run_figures import value_range
from spc.report.steel import (
    ACT,
    DATUM,
    INK,
    RULE,
    SOFT,
    WASH,
    Figure,
    discs,
    evenly,
    figure,
    label,
    level,
    line,
    plain,
    spread_labels,
    thinned,
    y_title,
)
from spc.report.voice import Voice

#: Earlier cycles drawn thin behind the running one; more would hide each other.
MOST_CYCLES = 40
#: Parts before now that the forecast starts from.
LOOK_BACK = 25


def cycles_figure(lens: FeatureLens, cycles: tuple[DressCycle, ...]) -> Figure:
    """Every dress cycle laid over the others from its dress on, offsets taken out."""
    series, voice = lens.of.series, lens.lens.voice
    last = len(cycles) - 1
    first = max(0, last + 1 - MOST_CYCLES)
    traces = []
    for number in range(first, last + 1):
        mine = np.flatnonzero(series.cycle == number)
        if not len(mine):
            continue
        mine = mine[thinned(np.zeros(len(mine), dtype=bool), most=200)]
        x = series.since_dress[mine].tolist()
        y = plain(series.bare_um[mine], 3)
        hover = voice.say("wheel.cycle", n=number + 1) + ", %{x}: %{y} µm<extra></extra>"
        now = number == last
        traces.append(line(x, y, line={"color": ACT if now else RULE, "width": 1.6 if now else 1}))
        trace = discs(x, y, hovertemplate=hover)
        trace["marker"] = trace["marker"] | {"color": ACT if now else SOFT, "size": 6 if now else 4}
        traces.append(trace)
        traces += _fitted(lens, number, x[-1])
    low, high = _reach(series.bare_um)
    return figure(
        traces, voice, height=340,
        annotations=[*_cycle_labels(lens, last), y_title(voice.say("wheel.y_bare"))],
        xaxis={"title": {"text": voice.say("wheel.x_since")}, "rangemode": "tozero"},
        yaxis={"range": [low, high], "fixedrange": True},
    )  # fmt: skip


def _fitted(lens: FeatureLens, number: int, reach: int) -> list[dict[str, Any]]:
    wear = lens.of.wear[number] if number < len(lens.of.wear) else None
    if wear is None:
        return []
    ends = [1, reach]
    y = [wear.intercept + wear.slope * x for x in ends]
    return [line(ends, plain(y, 3), line={"color": INK, "width": 1, "dash": "dot"})]


def _cycle_labels(lens: FeatureLens, last: int) -> list[dict[str, Any]]:
    series = lens.of.series
    mine = np.flatnonzero(series.cycle == last)
    if not len(mine):
        return []
    at = mine[-1]
    return [{
        "x": int(series.since_dress[at]), "y": float(series.bare_um[at]), "xanchor": "left",
        "text": lens.lens.voice.say("wheel.cycle_now"), "showarrow": False, "xshift": 8,
        "font": {"color": ACT, "size": 12},
    }]  # fmt: skip


def _reach(values: np.ndarray) -> tuple[float, float]:
    """A range that a misread part cannot flatten: five spreads about the middle half."""
    quarter, middle, three = np.percentile(values, [25, 50, 75])
    reach = max(5 * (three - quarter), 1e-6)
    near = values[np.abs(values - middle) <= reach]
    room = 0.08 * float(np.ptp(near)) or 1.0
    return float(near.min()) - room, float(near.max()) + room


def forecast_figure(lens: FeatureLens, slope: float, parts_left: tuple[int, int, int]) -> Figure:
    """
    The last parts, the level that wear leads to, and the band of single parts about it.

    Parameters
    ----------
    lens : FeatureLens
        The lead feature.
    slope : float
        Drift of the running cycle; its sign says which limit wear is heading for. [µm per part]
    parts_left : tuple of int
        Earliest, likely and latest number of parts until a single part may be outside.
    """
    series, feature, voice = lens.of.series, lens.of.feature, lens.lens.voice
    now = lens.lens.study.last_part
    guarded = feature.guarded_um
    limit = guarded[1] if slope >= 0 else guarded[0]
    band, level_line = _outlook(lens, slope, parts_left, limit)
    bottom, top = value_range(lens)
    shapes, notes = [], []
    narrowed = "run.guarded" if lens.guarded else "run.limit"
    for value, word, color in (
        (guarded[0], narrowed, SOFT), (guarded[1], narrowed, SOFT),
        (feature.target_um, "run.target", DATUM),
    ):  # fmt: skip
        if value is not None and np.isfinite(value):
            shape, note = level(value, f"{voice.say(word)} {lens.bare(value, finer=1)}",
                                color=color, dash="solid" if color == DATUM else "dot",
                                edge_to_edge=color == DATUM)  # fmt: skip
            shapes.append(shape)
            notes.append(note)
    low, middle, high = parts_left
    meets = {
        "x": now + middle, "y": limit, "showarrow": False, "yshift": 13 if slope >= 0 else -13,
        "xanchor": "right", "xshift": 20, "font": {"size": 12, "color": ACT},
        "text": voice.say("wheel.meets", low=low, middle=middle, high=high),
    }  # fmt: skip
    span = line([now + low, now + high], plain([limit, limit], 3), line={"color": ACT, "width": 4})
    mark = discs([now + middle], plain([limit], 3), hoverinfo="skip")
    mark["marker"] = {"symbol": "circle", "size": 11, "color": ACT}
    seen = plain(np.clip(series.deviation_um[-LOOK_BACK:], bottom, top), 3)
    parts = series.parts[-LOOK_BACK:].tolist()
    return figure(
        [band, level_line, discs(parts, seen, hovertemplate="%{x}: %{y} µm<extra></extra>"),
         span, mark],
        voice, height=320, shapes=shapes,
        annotations=[
            *spread_labels(notes, bottom, top), meets, y_title(voice.say("run.y_deviation")),
        ],
        xaxis={"title": {"text": voice.say("run.x_part")}},
        yaxis={"range": [bottom, top], "fixedrange": True},
    )  # fmt: skip


def _outlook(
    lens: FeatureLens, slope: float, parts_left: tuple[int, int, int], limit: float
) -> tuple[dict[str, Any], dict[str, Any]]:
    """
    The band of single parts and the level in its middle, from now to the latest crossing.

    The level follows the wear line. The band is as wide as the forecast, which also knows how
    scatter and drift grow with the wheel's age, reckons: it meets the limit where the first part
    that may be outside is foretold. Where the line is past that already, the chart's scatter.
    """
    from scipy.special import ndtri

    now, (_, middle, high) = lens.lens.study.last_part, parts_left
    chart = lens.of.sloping
    start = level_of(lens).value_um
    half = float(-ndtri(CHANCE)) * (0.0 if chart is None else chart.sigma)
    ahead = np.arange(0, max(high, 1) + 1)
    course = start + slope * ahead
    room = abs(limit - start) - abs(slope) * middle
    wide = room if room > half / 2 else half
    x = (now + ahead).tolist()
    edge = np.concatenate([course + wide, (course - wide)[::-1]])
    band = line([*x, *x[::-1]], plain(edge, 3), fill="toself", fillcolor=WASH, line={"width": 0})
    return band, line(x, plain(course, 3), line={"color": ACT, "width": 1.6})


def ages_figure(lens: FeatureLens, groups: list[tuple[int, int, float, float, float]]) -> Figure:
    """
    Spread of size, or level of form and finish, by parts since the dress.

    Parameters
    ----------
    lens : FeatureLens
        The feature.
    groups : list of (first, last, value, lower, upper)
        Age groups; their parts stand behind them where the value is one of single parts.
    """
    series, voice, feature = lens.of.series, lens.lens.voice, lens.of.feature
    middle = [(first + last) / 2 for first, last, *_ in groups]
    values = [value for _, _, value, _, _ in groups]
    bars = {
        "type": "scatter", "mode": "markers+lines", "x": middle, "y": plain(values, 3),
        "marker": {"symbol": "line-ew-open", "size": 16, "color": ACT, "line": {"width": 3}},
        "line": {"color": ACT, "width": 1},
        "error_y": {
            "type": "data", "symmetric": False, "color": ACT, "thickness": 1.4, "width": 5,
            "array": plain([upper - value for _, _, value, _, upper in groups], 3),
            "arrayminus": plain([value - lower for _, _, value, lower, _ in groups], 3),
        },
        "hovertemplate": "%{y} µm<extra></extra>",
    }  # fmt: skip
    traces: list[dict[str, Any]] = [bars]
    shapes, notes = [], []
    unit = voice.say("ages.y_spread")
    if feature.zero_bounded:
        drawn = thinned(np.zeros(len(series), dtype=bool), most=300)
        traces.insert(0, discs(series.since_dress[drawn].tolist(),
                               plain(series.deviation_um[drawn], lens.digits + 1),
                               hovertemplate="%{x}: %{y} µm<extra></extra>"))  # fmt: skip
        unit = voice.say("run.y_value", kind=voice.say(f"kind.{feature.kind}"))
        if feature.upper_um is not None:
            shape, note = level(feature.upper_um, f"{voice.say('run.upper')} "
                                f"{lens.bare(feature.upper_um)}", width=1.6)  # fmt: skip
            shapes, notes = [shape], [note]
    return figure(
        traces, voice, height=290, shapes=shapes, annotations=[*notes, y_title(unit)],
        xaxis={"title": {"text": voice.say("wheel.x_since")}, "rangemode": "tozero"},
        yaxis={"rangemode": "tozero", "fixedrange": True},
    )  # fmt: skip


def interval_figure(
    found: DressCosts, interval: DressInterval, habit: int | None, currency: str, voice: Voice
) -> Figure:
    """Cost per part against the dress interval with its bounds; flat bottom, best and habit."""
    drawn = evenly(len(interval.costs), most=300)
    x = interval.intervals[drawn].astype(int).tolist()
    traces = []
    if found.lower is not None and found.upper is not None:
        edge = np.concatenate([found.upper[drawn], found.lower[drawn][::-1]])
        traces.append(
            line([*x, *x[::-1]], plain(edge, 4), fill="toself", fillcolor=WASH, line={"width": 0})
        )
    hover = "%{x}: %{y} " + label(currency) + "<extra></extra>"
    traces.append(
        line(x, plain(interval.costs[drawn], 4), line={"color": INK, "width": 1.6},
             hoverinfo=None, hovertemplate=hover)
    )  # fmt: skip
    best = discs([interval.best], plain([interval.least], 4), hovertemplate=hover)
    best["marker"] = {"symbol": "circle", "size": 11, "color": ACT}
    # The dear short intervals would flatten the bottom that matters.
    top = round(2.5 * interval.least, 4)
    flat = {
        "type": "line", "xref": "x", "x0": interval.flat_from, "x1": interval.flat_to,
        "yref": "y", "y0": (1 + FLAT) * interval.least, "y1": (1 + FLAT) * interval.least,
        "line": {"color": ACT, "width": 4},
    }  # fmt: skip
    # On a phone a label in the middle of its mark would reach over the edge.
    late = interval.flat_to > 0.7 * len(interval.costs)
    marks = [flat]
    notes = [y_title(voice.say("wheel.y_cost", currency=label(currency)))]
    notes.append({
        "x": interval.flat_to if late else (interval.flat_from + interval.flat_to) / 2,
        "y": interval.least / 2, "showarrow": False, "font": {"size": 12, "color": ACT},
        "xanchor": "right" if late else "center",
        "text": voice.say("wheel.interval_flat", low=interval.flat_from, high=interval.flat_to),
    })  # fmt: skip
    if habit is not None and habit <= len(interval.costs):
        marks.append({
            "type": "line", "xref": "x", "x0": habit, "x1": habit, "yref": "paper", "y0": 0,
            "y1": 1, "line": {"color": SOFT, "width": 1, "dash": "dash"},
        })  # fmt: skip
        notes.append({
            "x": habit, "yref": "paper", "y": 1, "yanchor": "bottom", "showarrow": False,
            "xanchor": "right" if habit > len(interval.costs) / 2 else "left",
            "text": voice.say("wheel.habit"), "font": {"size": 12, "color": SOFT},
        })  # fmt: skip
    return figure(
        [*traces, best], voice, height=300, shapes=marks, annotations=notes, margin={"r": 30},
        xaxis={
            "title": {"text": voice.say("wheel.x_interval")},
            "range": [0, round(1.04 * len(interval.costs), 2)],
        },
        yaxis={"range": [0, top], "fixedrange": True},
    )  # fmt: skip
