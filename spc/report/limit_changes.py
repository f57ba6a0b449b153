"""Where the limits of a chart come from and where they change: band, marks, levels and words."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from spc.charts.limits import Chart
from spc.report.lens import FeatureLens
from spc.report.steel import INK, SOFT, VEIL, label
from spc.report.voice import tame


def base_band(
    lens: FeatureLens, chart: Chart, firsts: np.ndarray, lasts: np.ndarray
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """
    The span that limits come from: a band through all panels, and its name above the figure.

    `firsts` and `lasts` hold the first and last part behind each point of the chart, shape (n,).
    """
    if chart.base is None:
        return [], []
    first, last = int(firsts[chart.base.first]), int(lasts[chart.base.last])
    band = {
        "type": "rect", "xref": "x", "x0": first - 0.5, "x1": last + 0.5, "yref": "paper",
        "y0": 0, "y1": 1, "layer": "below", "line": {"width": 0}, "fillcolor": VEIL,
    }  # fmt: skip
    name = {
        "x": first - 0.5, "xanchor": "left", "yref": "paper", "y": 1, "yanchor": "bottom",
        "showarrow": False, "text": lens.lens.voice.say("run.base"),
        "font": {"size": 11, "color": SOFT},
    }  # fmt: skip
    return [band], [name]


def change_marks(
    lens: FeatureLens, chart: Chart, firsts: np.ndarray
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """
    An upright line through all panels at each change, and the reason above it.

    `firsts` holds the first part behind each point of the chart, shape (n,).
    """
    shapes, notes = [], []
    for each in chart.changes:
        x = int(firsts[each.position]) - 0.5
        shapes.append({
            "type": "line", "xref": "x", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": 1,
            "line": {"color": INK, "width": 1.6, "dash": "dashdot"},
        })  # fmt: skip
        notes.append({
            "x": x, "xanchor": "left", "yref": "paper", "y": 1, "yanchor": "bottom",
            "showarrow": False, "font": {"size": 11, "color": INK},
            "text": label(lens.lens.voice.say("more.new_limits", why=tame(each.says, 40))),
        })  # fmt: skip
    return shapes, notes


def earlier_levels(chart: Chart, firsts: np.ndarray) -> Iterator[dict[str, Any]]:
    """Limits of the stretches before the last change, each drawn over its own parts only."""
    edges = [0, *(each.position for each in chart.changes)]
    for start, end in pairwise(edges):
        for values in (chart.lower, chart.upper):
            yield {
                "type": "line", "xref": "x", "yref": "y", "layer": "below",
                "x0": int(firsts[start]) - 0.5, "x1": int(firsts[end]) - 0.5,
                "y0": float(values[end - 1]), "y1": float(values[end - 1]),
                "line": {"color": INK, "width": 1.2, "dash": "dash"},
            }  # fmt: skip


def change_words(lens: FeatureLens, chart: Chart, firsts: np.ndarray) -> list[str]:
    """A sentence for each change."""
    return [
        lens.lens.voice.say("more.change", part=int(firsts[each.position]), why=tame(each.says))
        for each in chart.changes
    ]
