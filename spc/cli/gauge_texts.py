"""What `spc gauge` prints: where a spread comes from, and whether the gauge reads true."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spc.errors import SpcError, UnreadableRun
from spc.units import UM_PER_UNIT

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from spc.gauge.study import VarianceStudy
    from spc.intake.gauge_file import GaugeRows
    from spc.report.known_parts import KnownParts


@dataclass(frozen=True, eq=False)
class GaugeAnswer:
    """
    What a file of readings says of its gauge.

    `spreads` is None where people and parts cannot be told apart, `known` where the file gives no
    reference values; never both. `page` is the page, when a folder was named.
    """

    spreads: "VarianceStudy | None"
    known: "KnownParts | None"
    page: Path | None


def gauge_answer(
    study: str, *, unit: str, tolerance_um: float | None, out: Path | None
) -> GaugeAnswer:
    """The study in a file, and its page when a folder was named."""
    from spc.intake.gauge_file import read_gauge_rows

    if unit not in UM_PER_UNIT:
        raise SpcError(f"--unit {unit!r} is no unit here; write one of: {', '.join(UM_PER_UNIT)}")
    if tolerance_um is not None and not (math.isfinite(tolerance_um) and tolerance_um > 0):
        raise SpcError(f"--tolerance {tolerance_um:g} is no width; give the width in µm, above 0")
    rows = read_gauge_rows(study, unit=unit)
    known = _known(rows)
    readings, spreads = _studied(study, rows, tolerance_um)
    if out is None:
        return GaugeAnswer(spreads, known, None)
    from spc.report.pages import write_gauge_study

    page = write_gauge_study(
        spreads, readings, out, title=Path(study).stem, people=list(dict.fromkeys(rows.people)),
        parts=list(dict.fromkeys(rows.parts)), known=known,
    )  # fmt: skip
    return GaugeAnswer(spreads, known, page)


def _known(rows: "GaugeRows") -> "KnownParts | None":
    """The readings beside their true values; None when the file gives none."""
    if not rows.references_um:
        return None
    import numpy as np

    from spc.report.known_parts import KnownParts

    references, readings = np.array(rows.references_um), np.array(rows.readings_um)
    return KnownParts(references, readings, rows.people, rows.parts)


def _studied(
    study: str, rows: "GaugeRows", tolerance_um: float | None
) -> "tuple[NDArray[np.float64], VarianceStudy] | tuple[None, None]":
    """Readings by person, part and trial and their study; None where known parts must do."""
    from spc.gauge.study import arranged, variance_study

    people = len(set(rows.people))
    if people < 2 and not rows.references_um:
        raise UnreadableRun(
            f"{study}: only one person; name at least two in a column 'appraiser', each reading "
            "every part twice or more, or give the true values in a column 'reference'"
        )
    try:
        readings = arranged(rows.people, rows.parts, rows.readings_um)
        if min(readings.shape) < 2:
            raise ValueError("a study of people needs 2 people, 2 parts and 2 trials of each")
        return readings, variance_study(readings, tolerance=tolerance_um)
    except ValueError as fault:
        if rows.references_um:
            return None, None
        from spc.report.voice import tame

        raise UnreadableRun(f"{study}: {tame(str(fault), 300)}") from None


def gauge_lines(found: GaugeAnswer) -> list[str]:
    """Whether the gauge reads true, then where the spread comes from; tab-separated."""
    lines = [] if found.known is None else _bias_lines(found.known)
    return lines if found.spreads is None else [*lines, *_spread_lines(found.spreads)]


def _bias_lines(known: "KnownParts") -> list[str]:
    from spc.report.gauge_bias import bias_notes, bias_table, bias_words
    from spc.report.voice import voice

    speaker = voice()
    table = bias_table(known, speaker)
    rows = ["\t".join(row) for row in (table.head, *table.rows)]
    return [*bias_words(known, speaker), *bias_notes(known, speaker), *rows]


def _spread_lines(found: "VarianceStudy") -> list[str]:
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
    bounds = f"gauge and people together lie between {low:.3g} and {high:.3g} µm (95 %)"
    return [
        spread.words,
        *([] if spread.hidden else [bounds]),
        "source\tspread (1 s), µm\tof the total, %\tof the variance, %",
        *(
            f"{name}\t{value:.3g}\t{spread.percent(value):.1f}\t{spread.contribution(value):.1f}"
            for name, value in rows
        ),
    ]


def gauge_json(found: GaugeAnswer) -> dict[str, Any]:
    """The same as one JSON document; lengths in µm, null where the file cannot tell."""
    told = _spreads_json(found.spreads) if found.spreads else dict.fromkeys(_SPREADS)
    return {
        "schema": "spc.gauge/1",
        **told,
        "bias": None if found.known is None else _bias_json(found.known),
    }


_SPREADS = (
    "repeat_um", "people_um", "interaction_um", "gauge_um", "gauge_bounds_um", "part_um",
    "total_um", "share_of_total", "share_of_tolerance", "categories", "interaction_pooled", "words",
)  # fmt: skip


def _bias_json(known: "KnownParts") -> dict[str, Any]:
    line = known.line
    sizes = []
    for size in known.sizes_um.tolist():
        own = known.at(size)
        mine = known.off_um[known.references_um == size]
        # They hold for all sizes together.
        bounds = None if own is None else [own.lower, own.upper]
        sizes.append({"reference_um": size, "readings": len(mine), "mean_um": float(mine.mean()),
                      "bounds_um": bounds})  # fmt: skip
    return {
        "sizes": sizes,
        "line": line and {
            "slope": line.slope, "slope_bounds": list(line.slope_bounds),
            "intercept_um": line.intercept, "residual_um": line.residual,
            "p_line": None if math.isnan(line.p_line) else line.p_line,
            "judged_by": "sizes" if line.bent else "line",
            "true_everywhere": line.true_everywhere,
        },
    }  # fmt: skip


def _spreads_json(found: "VarianceStudy") -> dict[str, Any]:
    spread = found.spread
    return {
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
