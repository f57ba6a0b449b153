"""Ground steel: the colours of the pages and the pieces every figure is made of."""

import html
import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.report.marks import MARKS
from spc.report.voice import Voice, tame

#: Each colour on paper and in the dark. Figures are made in the first; the page's script swaps
#: in the second, and swaps back for print.
PALETTE = {
    "paper": ("#F6F4EE", "#12171B"),
    "ink": ("#1A2127", "#EDEAE2"),
    "soft": ("#515C65", "#A9B3BA"),
    "rule": ("#C8C4B8", "#3A454D"),
    "disc": ("#46525C", "#B9C2C8"),
    "pale": ("#B4BDC3", "#56646E"),
    "go": ("#0A6B62", "#57C7B6"),
    "ask": ("#8A5200", "#F0B23C"),
    "act": ("#1D54B5", "#8DB6FF"),
    "hold": ("#A81C2B", "#FF8A86"),
    "datum": ("#0B877B", "#7FE3D4"),
    "wash": ("rgba(29,84,181,0.10)", "rgba(141,182,255,0.16)"),
    "veil": ("rgba(26,33,39,0.06)", "rgba(237,234,226,0.09)"),
}
INK, SOFT, RULE, DISC, PALE = (PALETTE[k][0] for k in ("ink", "soft", "rule", "disc", "pale"))
ACT, HOLD, DATUM, WASH, VEIL = (PALETTE[k][0] for k in ("act", "hold", "datum", "wash", "veil"))
FONT = "system-ui, -apple-system, 'Segoe UI', 'Liberation Sans', sans-serif"

_AXIS = {
    "showgrid": False,
    "zeroline": False,
    "showline": True,
    "linecolor": RULE,
    "ticks": "outside",
    "tickcolor": RULE,
    "ticklen": 5,
    "automargin": True,
    "title": {"font": {"size": 13, "color": SOFT}, "standoff": 8},
}
TEMPLATE: dict[str, Any] = {
    "layout": {
        "font": {"family": FONT, "size": 13, "color": INK},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "margin": {"l": 48, "r": 112, "t": 30, "b": 46},
        "hoverlabel": {"bgcolor": PALETTE["paper"][0], "bordercolor": INK, "font": {"color": INK}},
        "hovermode": "closest",
        "showlegend": False,
        "dragmode": "zoom",
        "legend": {"orientation": "h", "x": 0, "y": -0.2, "yanchor": "top"},
        "xaxis": _AXIS,
        "yaxis": _AXIS,
    }
}

#: Most parts drawn in one figure. More than one part per pixel shows no more, and the page stays
#: light; the rows beside the page hold all.
MOST_DRAWN = 900

Figure = dict[str, Any]
Ints = NDArray[np.int64]


def figure(
    traces: list[dict[str, Any]], voice: Voice, *, height: int = 340, **layout: Any
) -> Figure:
    """A Plotly figure as the plain mapping that `plotly.graph_objects.Figure` takes."""
    marks = ", " if voice.mark == "," else "."
    return {
        "data": traces,
        "layout": {"template": TEMPLATE, "height": height, "separators": marks, **layout},
    }


def y_title(text: str, *, top: float = 1, shift: int = 4) -> dict[str, Any]:
    """The name of the upright axis, lying above it where it is read without tilting the head."""
    return {
        "xref": "paper", "x": 0, "xanchor": "left", "xshift": -40, "yref": "paper", "y": top,
        "yanchor": "bottom", "yshift": shift, "text": text, "showarrow": False,
        "font": {"size": 12.5, "color": SOFT},
    }  # fmt: skip


def label(text: str) -> str:
    """
    Text for a Plotly label, which obeys some HTML: nothing in it is obeyed.

    Examples
    --------
    >>> label("<b>seat</b>")
    '&lt;b&gt;seat&lt;/b&gt;'
    """
    return html.escape(tame(text), quote=False)


def plain(values: ArrayLike, digits: int) -> list[float | None]:
    """Numbers for a figure, rounded; what is not a number becomes None."""
    rounded = np.round(np.asarray(values, dtype=float), digits)
    return [None if v != v else v for v in rounded.tolist()]


def thinned(keep: NDArray[np.bool_], most: int = MOST_DRAWN) -> Ints:
    """
    Positions to draw: evenly spaced ones, and every one that is to be kept.

    Examples
    --------
    >>> thinned(np.array([False, True, False, False]), most=2).tolist()
    [0, 1, 2, 3]
    """
    drawn = keep.copy()
    drawn[evenly(len(keep), most)] = True
    return np.flatnonzero(drawn)


def evenly(n: int, most: int) -> Ints:
    """
    At most about `most` of `n` positions, evenly spaced, the last one included.

    Examples
    --------
    >>> evenly(10, 4).tolist()
    [0, 3, 6, 9]
    """
    if n <= most:
        return np.arange(n)
    return np.unique(np.append(np.arange(0, n, math.ceil(n / most)), n - 1))


def discs(x: list[Any], y: list[Any], **more: Any) -> dict[str, Any]:
    """Measured parts: small filled discs."""
    marker = {"symbol": "circle", "size": 5, "color": DISC}
    return {"type": "scatter", "mode": "markers", "x": x, "y": y, "marker": marker, **more}


def hollow(x: list[Any], y: list[Any], **more: Any) -> dict[str, Any]:
    """Excluded parts: hollow discs, opaque so that a disc below does not show."""
    ring = {"width": 1.4, "color": DISC}
    marker = {"symbol": "circle", "size": 6, "color": PALETTE["paper"][0], "line": ring}
    return {"type": "scatter", "mode": "markers", "x": x, "y": y, "marker": marker, **more}


def flagged(action: str, x: list[Any], y: list[Any], **more: Any) -> dict[str, Any]:
    """Flagged parts in the shape of their action, hollow where it was only advised."""
    mark = MARKS[action]
    ink, paper = PALETTE[mark.color][0], PALETTE["paper"][0]
    marker: dict[str, Any] = {"symbol": mark.symbol, "size": 11, "color": ink}
    if mark.hollow:
        marker |= {"color": paper, "line": {"width": 1.6, "color": ink}}
    trace: dict[str, Any] = {
        "type": "scatter", "mode": "markers", "x": x, "y": y, "marker": marker,
        **more,
    }  # fmt: skip
    if mark.glyph:
        trace |= {
            "mode": "markers+text", "text": [mark.glyph] * len(x), "textposition": "middle center",
            "textfont": {"color": ink if mark.hollow else paper, "size": 10},
        }  # fmt: skip
    return trace


def line(x: list[Any], y: list[Any], **more: Any) -> dict[str, Any]:
    """A thin line that carries no points of its own."""
    stroke = {"color": INK, "width": 1.2} | more.pop("line", {})
    return {
        "type": "scatter", "mode": "lines", "x": x, "y": y, "line": stroke,
        "hoverinfo": "skip", **more,
    }  # fmt: skip


def level(
    y: float, text: str, *, color: str = INK, dash: str = "solid", width: float = 1.2,
    axis: str = "", edge_to_edge: bool = False,
) -> tuple[dict[str, Any], dict[str, Any]]:  # fmt: skip
    """A level line across the figure and its label at the right."""
    reach = (0, 1.5) if edge_to_edge else (0, 1)
    shape = {
        "type": "line", "xref": "paper", "x0": reach[0], "x1": reach[1],
        "yref": f"y{axis}", "y0": y, "y1": y, "layer": "below",
        "line": {"color": color, "width": width, "dash": dash},
    }  # fmt: skip
    note = {
        "xref": "paper", "x": 1, "xanchor": "left", "yref": f"y{axis}", "y": y, "text": text,
        "showarrow": False, "xshift": 4, "font": {"size": 12, "color": color},
    }  # fmt: skip
    if edge_to_edge:  # the line runs on behind its own label
        note |= {"bgcolor": PALETTE["paper"][0], "borderpad": 1}
    return shape, note


def spread_labels(
    notes: list[dict[str, Any]], low: float, high: float, *, lines: int = 14
) -> list[dict[str, Any]]:
    """
    The labels moved apart where they would cover each other; each stays beside its line.

    `lines` of text fit above each other; the default is for a figure of the usual height.
    """
    room = (high - low) / lines
    ordered = sorted(notes, key=lambda note: note["y"])
    floor = -np.inf
    moved = []
    for note in ordered:
        y = max(note["y"], floor)
        floor = y + room
        moved.append(note | {"y": y})
    return moved
