"""Which index may be quoted, whether it answers the customer's question, and what limits it."""

import math

from spc.capability.indices import Index
from spc.capability.outliers import generalized_esd
from spc.capability.question import Portion, Question
from spc.capability.time_models import TimeModel
from spc.capability.time_parts import TimeParts

#: A question that would take more parts than this is said to be too near to settle.
MOST_PARTS = 20_000


def quotable(asked: Question, model: TimeModel, within: Portion, total: Portion) -> tuple[str, ...]:
    """Names of the indices that may be quoted: what moves must be inside the index."""
    found = [total.cp, total.cpk]
    if asked.stable and model.is_constant:
        found = [within.cp, within.cpk, *found]
    return tuple(index.name for index in found if index.claimed)


def verdict(
    asked: Question,
    parts: TimeParts,
    model: TimeModel,
    within: Portion,
    total: Portion,
    compensated: Portion,
) -> tuple[str, str | None]:
    """The answer in one sentence, and what is missing when there is none yet."""
    index = within.cpk if asked.stable and model.is_constant else total.cpk
    if index.value is None:
        return sentence(index.why), sentence(index.why)
    if index.lower is None or index.upper is None:
        return _read_off(asked, index)
    shown = f"{index.name} {index.value:.2f} ({index.lower:.2f} to {index.upper:.2f})"
    if not asked.stable:
        return f"Not stable, so no capability is claimed; {shown} describes these parts only.", None
    if index.lower >= asked.required:
        return f"Capable: {shown}, above {asked.required:g} with its whole interval.", None
    if index.upper < asked.required:
        gain = _gain(index, compensated)
        return f"Not capable: {shown}, below {asked.required:g}{gain}.", None
    open_yet = f"{shown} leaves {asked.required:g} open; {_settled_by(asked, parts, model, index)}."
    return f"Not enough yet: {open_yet}", open_yet


def sentence(text: str) -> str:
    """`text` with a capital and a full stop."""
    return text[:1].upper() + text[1:] + "."


def _read_off(asked: Question, index: Index) -> tuple[str, str | None]:
    """No shape fits: quantiles of the data have an upper bound only."""
    text = f"{index.name} {index.value:.2f}, read off the data, no shape fits"
    if index.upper is not None and index.upper < asked.required:
        return f"Not capable: {text}; at most {index.upper:.2f}.", None
    missing = f"{text}: there is no lower bound, so {asked.required:g} stays open."
    return f"Not enough yet: {missing}", missing


def _gain(index: Index, compensated: Portion) -> str:
    after = compensated.cpk.value
    if after is None or index.value is None or after < 1.1 * index.value:
        return ""
    return f"; with offsets following the drift it would be about {after:.2f}"


def _settled_by(asked: Question, parts: TimeParts, model: TimeModel, index: Index) -> str:
    """How many more parts would settle the question, if the index is what it seems."""
    value, bound = index.value or 0.0, index.lower or 0.0
    if value < asked.required:
        bound = index.upper or 0.0
    gap = abs(value - asked.required)
    # Bounds close in with the root of the number of parts.
    times = (abs(value - bound) / gap) ** 2 if gap > 0 else math.inf
    if times * asked.n > MOST_PARTS:
        return "it sits too near for more parts to settle it"
    more = math.ceil(max((times - 1) * asked.n, 1) / 10) * 10
    text = f"about {more} more parts would settle it, if the index is what it seems"
    if model.has_path and parts.cycles > 1:
        cycles = math.ceil(more * parts.cycles / asked.n)
        more_cycles = "1 more dress cycle" if cycles == 1 else f"{cycles} more dress cycles"
        text += f" (about {more_cycles}, which is what counts)"
    return text


def far_out(parts: TimeParts) -> tuple[int, ...]:
    """Positions of parts too far from their line to belong, the farthest first; kept in all."""
    if not parts.within_sd > 0:
        return ()
    return generalized_esd(parts.residual, most=min(10, parts.n // 10), alpha=0.01).positions


def remarks(
    asked: Question, parts: TimeParts, model: TimeModel, outliers: tuple[int, ...]
) -> tuple[str, ...]:
    """What limits the claim: dress cycles seen, the gauge, the sampling, parts far out."""
    said = []
    if outliers:
        worst = abs(float(parts.residual[outliers[0]]))
        said.append(
            f"{len(outliers)} of {parts.n} parts lie too far from the others to belong with them, "
            f"the farthest by {worst:.3g} µm; they are kept in every number."
        )
    if parts.cycles == 1:
        said.append(
            "One dress cycle was measured: nothing is known of the scatter from dress to dress."
        )
    if asked.gauge_sd and asked.gauge_sd**2 > parts.within_var:
        said.append(
            f"The stated gauge spread of {asked.gauge_sd:g} µm is more than all scatter within a "
            f"dress cycle ({parts.within_sd:.2g} µm); check the statement."
        )
    if asked.step and asked.step >= parts.within_sd:
        said.append(
            f"Readings come in steps of {asked.step:g} µm, as large as the scatter within a dress "
            "cycle."
        )
    if model.has_path and _uneven(parts):
        said.append(
            "Some stretches were measured more densely than others: as delivered, each measured "
            "part counts for the parts since the one before it."
        )
    return tuple(said)


def _uneven(parts: TimeParts) -> bool:
    """Whether gaps between measured parts differ enough to move the delivered level."""
    gap = parts.stands_for
    return bool(gap.max() >= 2 * gap.min() and gap.std() > 0.25 * gap.mean())
