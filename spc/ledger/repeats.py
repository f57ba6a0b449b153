"""Two readings of one part that cannot both be right: a third decides, or a question stays."""

from collections.abc import Iterator, Sequence

from spc.ledger.entry import Stored
from spc.plan import Feature, Plan

#: Two readings of one part this many gauge spreads apart cannot both be right, as in `spc.series`.
MISREADING_SDS = 4.5


def reach_um(feature: Feature) -> float:
    """How far two readings of one part may lie apart. [µm]"""
    return MISREADING_SDS * max(feature.gauge_sd_um, feature.gauge_step_um / 2)


def disagree(values: Sequence[float], feature: Feature) -> bool:
    """
    Whether the readings of one part leave open what it measures.

    Two on the same side outside say enough of the part; of three, two decide.

    Parameters
    ----------
    values : sequence of float
        All readings of one feature of one part. [µm]
    feature : Feature
        Its gauge and guarded limits.

    Examples
    --------
    >>> seat = Feature(name="seat", nominal=25.0, upper=0.010, lower=0.002)
    >>> [disagree(v, seat) for v in ((11.1, 7.5), (7.0, 7.5), (27.0, 15.0), (11.1, 7.5, 7.4))]
    [True, False, False, False]
    """
    if len(values) != 2:
        return False
    lower, upper = feature.guarded_um
    if max(values) < lower or min(values) > upper:
        return False
    return abs(values[0] - values[1]) > reach_um(feature)


def left_open(readings: Sequence[Stored], plan: Plan) -> Iterator[str]:
    """
    A question for every part typed at the machine whose two readings disagree.

    Parameters
    ----------
    readings : sequence of Stored
        Those that hold, in order.
    plan : Plan
        Of the run.
    """
    told: dict[tuple[int, str], list[Stored]] = {}
    for entry in readings:
        told.setdefault((entry.part, entry.what), []).append(entry)
    for (part, name), own in told.items():
        values = [entry.value for entry in own if entry.value is not None]
        typed = any(entry.source is None for entry in own)
        if typed and disagree(values, plan.feature(name)):
            first, second = values
            yield (
                f"question: {name} of part {own[0].serial or part} read {first:+.1f} µm, then "
                f"{second:+.1f} µm, and no third reading decides between them"
            )
