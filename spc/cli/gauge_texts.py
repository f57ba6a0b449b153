"""What `spc gauge` prints: where the spread of a gauge study comes from."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spc.errors import SpcError, UnreadableRun
from spc.units import UM_PER_UNIT

if TYPE_CHECKING:
    from spc.gauge.study import VarianceStudy


def gauge_answer(
    study: str, *, unit: str, tolerance_um: float | None, out: Path | None
) -> tuple["VarianceStudy", Path | None]:
    """The study in a file, and its page when a folder was named."""
    from spc.gauge.study import arranged, variance_study
    from spc.intake.gauge_file import read_gauge_rows
    from spc.report.pages import write_gauge_study

    if unit not in UM_PER_UNIT:
        raise SpcError(f"--unit {unit!r} is no unit here; write one of: {', '.join(UM_PER_UNIT)}")
    if tolerance_um is not None and not (math.isfinite(tolerance_um) and tolerance_um > 0):
        raise SpcError(f"--tolerance {tolerance_um:g} is no width; give the width in µm, above 0")
    rows = read_gauge_rows(study, unit=unit)
    if len(set(rows.people)) < 2:
        raise UnreadableRun(
            f"{study}: only one person; name at least two in a column 'appraiser', each reading "
            "every part twice or more"
        )
    try:
        readings = arranged(rows.people, rows.parts, rows.readings_um)
        found = variance_study(readings, tolerance=tolerance_um)
    except ValueError as fault:
        raise UnreadableRun(f"{study}: {fault}") from None
    if out is None:
        return found, None
    people, parts = list(dict.fromkeys(rows.people)), list(dict.fromkeys(rows.parts))
    page = write_gauge_study(
        found, readings, out, title=Path(study).stem, people=people, parts=parts
    )
    return found, page


def gauge_lines(found: "VarianceStudy") -> list[str]:
    """The judgement, then each source with its spread and share; tab-separated."""
    spread = found.spread
    low, high = found.gauge_bounds
    rows = [
        ("repeat (the gauge itself)", spread.repeat),
        ("people", spread.people),
        ("people with single parts", spread.interaction),
        ("gauge and people together", spread.gauge),
        ("parts", spread.part),
        ("total", spread.total),
    ]
    return [
        spread.words,
        f"gauge and people together lie between {low:.3g} and {high:.3g} µm (95 %)",
        "source\tspread (1 s), µm\tof the total, %\tof the variance, %",
        *(
            f"{name}\t{value:.3g}\t{spread.percent(value):.1f}\t{spread.contribution(value):.1f}"
            for name, value in rows
        ),
    ]


def gauge_json(found: "VarianceStudy") -> dict[str, Any]:
    """The same as one JSON document; spreads in µm."""
    spread = found.spread
    return {
        "schema": "spc.gauge/1",
        "repeat_um": spread.repeat,
        "people_um": spread.people,
        "interaction_um": spread.interaction,
        "gauge_um": spread.gauge,
        "gauge_bounds_um": list(found.gauge_bounds),
        "part_um": spread.part,
        "total_um": spread.total,
        "share_of_total": spread.share_of_total,
        "share_of_tolerance": spread.share_of_tolerance,
        "categories": spread.categories,
        "interaction_pooled": found.pooled,
        "words": spread.words,
    }
