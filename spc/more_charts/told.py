"""Further charts as plain numbers and text, for JSON."""

import math
from typing import Any

import numpy as np

from spc.charts.limits import Chart
from spc.more_charts.basis import MoreChart


def limits_told(more: MoreChart) -> dict[str, Any]:
    """One chart for JSON: centre and limits at the last point of each panel, points beyond."""
    return {
        "name": more.name,
        "unit": more.unit,
        "group": more.group,
        "points": len(more.parts),
        "charts": [_panel_told(chart, more) for chart in more.charts],
        "levels": [list(level) for level in more.levels],
        "remarks": [*more.remarks, *more.presumes],
    }


def _panel_told(chart: Chart, more: MoreChart) -> dict[str, Any]:
    """Numbers of one panel; parts beyond by number."""
    found = chart.limits
    base, parts = chart.base, more.parts
    span = None if base is None else [int(more.firsts[base.first]), int(parts[base.last])]
    return {
        "statistic": chart.statistic,
        "center": found.center,
        "lower": found.lower if math.isfinite(found.lower) else None,
        "upper": found.upper if math.isfinite(found.upper) else None,
        "sigma": chart.sigma,
        "base_parts": span,
        "excluded_parts": [] if base is None else [int(parts[at]) for at in base.excluded],
        "beyond": parts[np.asarray(chart.beyond, dtype=bool)].tolist(),
        "changes": [
            {"from_part": int(parts[each.position]), "says": each.says} for each in chart.changes
        ],
    }
