"""Figures of the gauge: repeats along the run, people against parts, sources of spread."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from spc.report.lens import FeatureLens
from spc.report.steel import (
    ACT,
    DATUM,
    DISC,
    INK,
    PALE,
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
    y_title,
)
from spc.report.voice import Voice

if TYPE_CHECKING:
    from spc.gauge.study import Spread
    from spc.report.known_parts import KnownParts

Floats = NDArray[np.float64]
#: People are told apart by shape and dash, not by colour alone; after these they repeat.
_SHAPES = ("circle", "square", "diamond", "triangle-up", "cross", "star")
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
_TONES = (ACT, DISC, DATUM, SOFT)
#: Repeat readings drawn along a run.
_MOST_REPEATS = 600


def repeats_figure(lens: FeatureLens, parts: Floats, away_um: Floats, sd: float) -> Figure:
    """
    Repeat readings about the mean of their part, along the run.

    Parameters
    ----------
    lens : FeatureLens
        The feature.
    parts, away_um : array, shape (k,)
        Part of each repeat reading, and its distance from that part's mean. [-, µm]
    sd : float
        The gauge's spread that they give. [µm]
    """
    voice = lens.lens.voice
    drawn = evenly(len(parts), _MOST_REPEATS)
    digits = lens.digits + 1
    bounds = [
        level(y, voice.number(y, digits, signed=True), dash="dash", color=SOFT)
        for y in (-2 * sd, 2 * sd)
    ]
    zero = level(0.0, voice.number(0.0, digits), color=DATUM, width=1.6, edge_to_edge=True)
    dots = discs(
        parts[drawn].tolist(), plain(away_um[drawn], digits),
        hovertemplate=f"%{{x}}: %{{y:+.{digits}f}} µm<extra></extra>",
    )  # fmt: skip
    return figure(
        [dots], voice, height=260, shapes=[zero[0], *(s for s, _ in bounds)],
        annotations=[zero[1], *(n for _, n in bounds), y_title(voice.say("gauge.y_away"))],
        xaxis={"title": {"text": voice.say("run.x_part")}},
        yaxis={"fixedrange": True},
    )  # fmt: skip


def people_figure(
    readings: Floats, people: Sequence[str], parts: Sequence[str], voice: Voice
) -> Figure:
    """
    What each person read on each part: single readings, and a line through each person's means.

    Lines that run together mean that the people agree; lines that cross mean that they do not
    agree on single parts.

    Parameters
    ----------
    readings : array, shape (people, parts, trials)
    people, parts : sequence of str
        Their names, in that order.
    """
    names = [label(name) for name in parts]
    traces: list[dict[str, Any]] = []
    for k, person in enumerate(people):
        tone, shape = _TONES[k % len(_TONES)], _SHAPES[k % len(_SHAPES)]
        mine = readings[k]
        traces.append({
            "type": "scatter", "mode": "lines+markers", "name": label(person), "x": names,
            "y": plain(mine.mean(axis=-1), 3),
            "line": {"color": tone, "width": 1.4, "dash": _DASHES[k % len(_DASHES)]},
            "marker": {"symbol": shape, "size": 9, "color": tone},
            "hovertemplate": f"{label(person)}, %{{x}}: %{{y}}<extra></extra>",
        })  # fmt: skip
        trials = mine.shape[-1]
        traces.append({
            "type": "scatter", "mode": "markers", "showlegend": False, "hoverinfo": "skip",
            "x": [name for name in names for _ in range(trials)], "y": plain(mine.ravel(), 3),
            "marker": {"symbol": f"{shape}-open", "size": 5, "color": tone},
        })  # fmt: skip
    return figure(
        traces, voice, height=380, showlegend=True, margin={"r": 30},
        annotations=[y_title(voice.say("gauge.y_reading"))],
        xaxis={"title": {"text": voice.say("gauge.x_part")}, "type": "category"},
        yaxis={"fixedrange": True},
        legend={"orientation": "h", "y": -0.22},
    )  # fmt: skip


def sources_figure(spread: "Spread", voice: Voice) -> Figure:
    """Shares of the variance of a gauge study: one bar per source, together the whole."""
    rows = [(voice.say(f"gauge.{key}"), spread.contribution(getattr(spread, key)))
            for key in ("repeat", "people", "interaction", "part")]  # fmt: skip
    bars = {
        "type": "bar", "orientation": "h", "y": [name for name, _ in rows],
        "x": [round(share, 2) for _, share in rows],
        "marker": {"color": [ACT, ACT, ACT, PALE], "line": {"color": RULE, "width": 1}},
        "text": [voice.share(share / 100) for _, share in rows], "textposition": "outside",
        "cliponaxis": False, "hovertemplate": "%{y}: %{x:.1f} %<extra></extra>",
    }  # fmt: skip
    return figure(
        [bars], voice, height=230, margin={"r": 60, "t": 10},
        xaxis={"title": {"text": voice.say("gauge.x_share")}, "range": [0, 105]},
        yaxis={"autorange": "reversed"},
    )  # fmt: skip


def linearity_figure(known: "KnownParts", voice: Voice) -> Figure:
    """
    Difference from the reference against the reference value, with the line and its 95 % band.

    Small discs are single readings, bars the mean of each size with the bounds that its own
    readings give, for all sizes together; the bright line at zero is a gauge that reads true.
    """
    found, digits = known.line, known.digits
    if found is None:
        raise ValueError("a line needs readings of two sizes")
    in_mm = float(np.abs(known.sizes_um).max()) >= 1000
    scale, places = (1000.0, digits + 4) if in_mm else (1.0, digits + 1)
    grid = np.linspace(found.references[0], found.references[-1], 41)
    low, high = found.bounds(grid)
    x = plain(grid / scale, places)
    band = line([*x, *x[::-1]], plain(np.concatenate([high, low[::-1]]), digits + 2),
                fill="toself", fillcolor=WASH, line={"width": 0},
                showlegend=False)  # fmt: skip
    # A line that the means leave is drawn to show that they do, without bounds.
    key, stroke = ("line_left", {"color": ACT, "width": 1.4, "dash": "dot"}) if found.bent else (
        "line", {"color": ACT, "width": 2})  # fmt: skip
    course = line(x, plain(found.line(grid), digits + 2), line=stroke,
                  name=voice.say(f"bias.{key}"), showlegend=True)  # fmt: skip
    drawn = evenly(len(known.off_um), _MOST_REPEATS)
    dots = discs(
        plain(known.references_um[drawn] / scale, places), plain(known.off_um[drawn], digits),
        hovertemplate=f"%{{x}}: %{{y:+.{digits}f}} µm<extra></extra>",
        name=voice.say("bias.single"), showlegend=True,
    )  # fmt: skip
    own = [known.at(float(size)) for size in found.references]
    reach = [0.0 if each is None else (each.upper - each.lower) / 2 for each in own]
    means = {
        "type": "scatter", "mode": "markers", "x": plain(found.references / scale, places),
        "y": plain(found.biases, digits + 2), "name": voice.say("bias.means"), "showlegend": True,
        "marker": {"symbol": "line-ew-open", "size": 18, "color": INK, "line": {"width": 3}},
        "error_y": {"type": "data", "array": plain(reach, digits + 2), "color": INK,
                    "thickness": 1.4, "width": 5},
        "hovertemplate": f"%{{x}}: %{{y:+.{digits + 1}f}} µm<extra></extra>",
    }  # fmt: skip
    zero = level(0.0, voice.number(0.0, digits), color=DATUM, width=1.6, edge_to_edge=True)
    unit = "mm" if in_mm else "µm"
    drawn_bounds = [] if found.bent else [band]
    return figure(
        [*drawn_bounds, dots, course, means], voice, height=360, shapes=[zero[0]], showlegend=True,
        annotations=[zero[1], y_title(voice.say("bias.y"))], margin={"r": 48},
        xaxis={"title": {"text": voice.say("bias.x", unit=unit)}},
        yaxis={"fixedrange": True}, legend={"orientation": "h", "y": -0.2},
    )  # fmt: skip


def bias_figure(known: "KnownParts", voice: Voice) -> Figure:
    """Difference from one reference in the order of the rows, with its mean and 95 % band."""
    digits, n = known.digits, len(known.off_um)
    drawn = evenly(n, _MOST_REPEATS)
    order = (drawn + 1).tolist()
    dots = discs(
        order, plain(known.off_um[drawn], digits),
        hovertemplate=f"%{{x}}: %{{y:+.{digits}f}} µm<extra></extra>",
    )  # fmt: skip
    zero = level(0.0, voice.number(0.0, digits), color=DATUM, width=1.6, edge_to_edge=True)
    shapes, notes, traces = [zero[0]], [zero[1], y_title(voice.say("bias.y"))], [dots]
    found = known.at(float(known.sizes_um[0]))
    if found is not None:
        words = (
            f"{voice.say('bias.mean_level')} {voice.number(found.bias, digits + 1, signed=True)}"
        )
        mean = level(found.bias, words, color=ACT, width=2)
        ends = [0.5, n + 0.5]
        band = [found.lower, found.lower, found.upper, found.upper]
        traces.insert(0, line([*ends, *ends[::-1]], plain(band, digits + 2), fill="toself",
                              fillcolor=WASH, line={"width": 0}))  # fmt: skip
        # Beside the mean, the zero needs no label of its own where the two would touch.
        room = 0.08 * max(float(np.ptp(known.off_um)), abs(found.bias))
        notes = [mean[1], *(notes if abs(found.bias) > room else notes[1:])]
        shapes.append(mean[0])
    return figure(
        traces, voice, height=300, shapes=shapes, annotations=notes,
        xaxis={"title": {"text": voice.say("bias.x_order")}, "range": [0.5, n + 0.5]},
        yaxis={"fixedrange": True},
    )  # fmt: skip
