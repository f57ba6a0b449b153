"""Figures of proof: parts against their limits, and where the tolerance goes."""

from typing import Any

import numpy as np

from spc.capability.assessment import Capability
from spc.report.lens import FeatureLens
from spc.report.run_figures import value_range
from spc.report.steel import (
    ACT,
    DATUM,
    DISC,
    INK,
    PALE,
    RULE,
    SOFT,
    Figure,
    discs,
    figure,
    label,
    line,
    plain,
    thinned,
    y_title,
)
from spc.report.voice import Voice

#: Bars of the distribution: about as many as readings can tell apart, within these bounds.
FEWEST_BARS, MOST_BARS = 8, 60


def bars_of(lens: FeatureLens) -> tuple[np.ndarray, np.ndarray]:
    """
    Edges and counts of the distribution; bars are whole steps of the gauge wide.

    A bar that is no whole number of steps shows a comb that the process does not have.
    """
    low, high = value_range(lens)
    y = np.clip(lens.of.series.deviation_um, low, high)
    step = lens.step_um
    wanted = np.clip(2 * np.cbrt(len(y)), FEWEST_BARS, MOST_BARS)  # Rice's rule, from memory
    width = step * max(1, round(float(np.ptp(y)) / wanted / step))
    first = np.floor(y.min() / step) * step - step / 2
    edges = first + width * np.arange(int(np.ceil((y.max() - first) / width)) + 1)
    counts, _ = np.histogram(y, np.append(edges, edges[-1] + width))
    return edges, counts


def expected_in(lens: FeatureLens) -> np.ndarray | None:
    """Parts that the shape taken expects in each bar, shape (bars,); None without a shape."""
    if lens.shape_drawn is None:
        return None
    grid, below = lens.shape_drawn
    edges, _ = bars_of(lens)
    shares = np.diff(np.interp(np.append(edges, 2 * edges[-1] - edges[-2]), grid, below))
    return np.asarray(len(lens.of.series) * shares)


def expected_at(lens: FeatureLens, share: np.ndarray) -> np.ndarray:
    """Values below which the shape taken has these shares of the parts."""
    if lens.shape_drawn is None:
        raise ValueError(f"{lens.name}: no shape was taken")
    grid, below = lens.shape_drawn
    return np.asarray(np.interp(share, below, grid))


def plot_points(lens: FeatureLens) -> tuple[np.ndarray, np.ndarray]:
    """
    Parts in order of size, against what the shape taken expects at their place.

    The i-th of n stands at the share (i - 1/2) / n (Hazen's plotting position, from memory).
    """
    seen = np.sort(lens.of.series.deviation_um)
    return expected_at(lens, (np.arange(len(seen)) + 0.5) / len(seen)), seen


def probability_figure(lens: FeatureLens) -> Figure:
    """Parts in order of size against the shape taken: on the line where it describes them."""
    voice = lens.lens.voice
    wanted, seen = plot_points(lens)
    ends = np.zeros(len(seen), dtype=bool)
    ends[:20] = ends[-20:] = True  # the tails are what the plot is looked at for
    drawn = thinned(ends, most=300)
    low, high = float(min(wanted[0], seen[0])), float(max(wanted[-1], seen[-1]))
    digits = lens.digits
    points = discs(
        plain(wanted[drawn], 3), plain(seen[drawn], 3),
        hovertemplate=f"%{{y:.{digits}f}} µm, %{{x:.{digits + 1}f}} µm<extra></extra>",
    )  # fmt: skip
    diagonal = line(plain([low, high], 3), plain([low, high], 3), line={"color": DATUM})
    return figure(
        [diagonal, points], voice, height=300, margin={"r": 30},
        annotations=[y_title(voice.say("proof.y_seen"))],
        xaxis={"title": {"text": voice.say("proof.x_expected")}},
        yaxis={"fixedrange": True},
    )  # fmt: skip


def distribution_figure(lens: FeatureLens) -> Figure:
    """Parts by their value, the shape taken, limits, target and guarded limits as upright lines."""
    voice, feature = lens.lens.voice, lens.of.feature
    edges, counts = bars_of(lens)
    width = float(edges[1] - edges[0])
    bars = {
        "type": "bar", "x": np.round(edges + width / 2, 3).tolist(), "y": counts.tolist(),
        "width": width * 0.92, "marker": {"color": PALE},
        "hovertemplate": "%{x} µm: %{y}<extra></extra>",
    }  # fmt: skip
    shapes: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    for value, word, color, dash in (
        (feature.lower_um, "run.lower", INK, "solid"),
        (feature.upper_um, "run.upper", INK, "solid"),
        (None if feature.zero_bounded else feature.target_um, "run.target", DATUM, "solid"),
        (feature.guarded_um[0], None, SOFT, "dot"), (feature.guarded_um[1], None, SOFT, "dot"),
    ):  # fmt: skip
        if value is None or not np.isfinite(value):
            continue
        shapes.append(
            {
                "type": "line",
                "xref": "x",
                "x0": value,
                "x1": value,
                "yref": "paper",
                "y0": 0,
                "y1": 1,
                "line": {"color": color, "width": 1.4, "dash": dash},
            }
        )
        if word:
            notes.append({"x": value, "yref": "paper", "y": 1, "yanchor": "bottom",
                          "text": f"{voice.say(word)} {lens.bare(value)}", "showarrow": False,
                          "font": {"size": 12, "color": color}})  # fmt: skip
    unit = "run.y_deviation" if feature.nominal_mm is not None else "run.y_value"
    low, high = value_range(lens)
    traces = [bars, *_shape_line(lens)]
    return figure(
        traces, voice, height=280, shapes=shapes,
        annotations=[*notes, y_title(voice.say("proof.distribution_y"), shift=22)],
        margin={"r": 30, "t": 52},
        xaxis={"title": {"text": voice.say(unit, kind=voice.say(f"kind.{feature.kind}"))},
               "range": [low, high]},
        yaxis={"rangemode": "tozero", "fixedrange": True},
    )  # fmt: skip


def _shape_line(lens: FeatureLens) -> list[dict[str, Any]]:
    """The shape taken as parts per bar, smooth."""
    if lens.shape_drawn is None:
        return []
    grid, below = lens.shape_drawn
    edges, _ = bars_of(lens)
    half = float(edges[1] - edges[0]) / 2
    x = np.linspace(*value_range(lens), 121)
    inside = np.interp(x + half, grid, below) - np.interp(x - half, grid, below)
    y = len(lens.of.series) * inside
    return [line(plain(x, 3), plain(y, 2), line={"color": INK, "width": 1.4})]


def budget_figure(budgets: list[tuple[str, Capability]], voice: Voice) -> Figure:
    """One bar per feature, cut into the shares of its variance."""
    names = list(dict.fromkeys(name for _, c in budgets for name, _, _ in c.budget))
    tones = (ACT, DISC, PALE, RULE, SOFT, DATUM)
    traces = []
    for k, name in enumerate(names):
        shares = [
            next((float(share) for part, _, share in c.budget if part == name), 0.0)
            for _, c in budgets
        ]
        traces.append({
            "type": "bar", "orientation": "h", "name": label(name),
            "y": [label(feature) for feature, _ in budgets], "x": [round(s, 4) for s in shares],
            "marker": {"color": tones[k % len(tones)]},
            "text": [f"{label(name)} {voice.share(s)}" if s > 0.08 else "" for s in shares],
            "textposition": "inside", "insidetextanchor": "middle",
            "hovertemplate": f"{label(name)}: %{{x:.0%}}<extra></extra>",
        })  # fmt: skip
    return figure(
        traces, voice, height=130 + 46 * len(budgets), barmode="stack", showlegend=True,
        margin={"r": 30, "t": 60},
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom",
                "traceorder": "normal"},
        xaxis={"title": {"text": voice.say("proof.budget_x")}, "tickformat": ".0%",
               "range": [0, 1]},
        yaxis={"autorange": "reversed"},
    )  # fmt: skip
