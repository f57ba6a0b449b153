"""One feature along the run: from the rows of a file to one value per measured part."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.dress_cycles import DressCycle, cycle_of, register, since_dress
from spc.plan import Feature, Plan
from spc.run import Run

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Two readings of one part this many gauge spreads apart cannot both be right: 4.5 sd is 3.2 sd
#: of their difference, met by chance once in some 700 pairs.
MISREADING_SDS = 4.5
#: A value this many tolerance widths from the middle of the limits would flatten every chart: a
#: slip of the keyboard (a missing comma, a digit too many) or a part never ground (our choice).
UNBELIEVABLE_WIDTHS = 20.0
#: A size this share of nominal off, or none at all, is no part of this plan, ground or not: a
#: blank carries less. Such a slip of the keyboard holds no part (our choice).
IMPOSSIBLE_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Series:
    """
    One feature along the run: one value per measured part, in grinding order.

    Attributes
    ----------
    parts : array of int, shape (m,)
        Part numbers.
    deviation_um : array, shape (m,)
        Mean of the part's readings: size minus nominal, or the value of form and finish. [µm]
    readings : array of int, shape (m,)
        How many readings that mean holds.
    time : array of datetime64[us], shape (m,)
        UTC; NaT when not written.
    cycle, since_dress : array of int, shape (m,)
        Dress cycle, 0 for the first; parts since its dress, 1 for the first part after it.
    bare_um : array, shape (m,)
        The deviation with the offsets in force taken out, so that wear shows alone; equal to
        `deviation_um` for what offsets do not move. [µm]
    misread : array of int, shape (k,)
        Row positions in ``run.measurements`` that another reading of the same part contradicts;
        they are left out of the mean and stay in the record.
    unbelievable : array of int, shape (j,)
        Row positions of values too far out to be charted: a slip of the keyboard, or a part that
        was never ground.
    unbelievable_parts : array of int, shape (i,)
        Parts that have no other value; they are outside all the same, unless the value is
        impossible.
    impossible : array of int, shape (h,)
        Those of `unbelievable` that no part can measure: nothing is known of their parts.
    """

    parts: Ints
    deviation_um: Floats
    readings: Ints
    time: NDArray[np.datetime64]
    cycle: Ints
    since_dress: Ints
    bare_um: Floats
    misread: Ints
    unbelievable: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    unbelievable_parts: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    impossible: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    def __len__(self) -> int:
        return len(self.parts)


@dataclass(frozen=True, eq=False)
class _Means:
    parts: Ints
    values: Floats
    counts: Ints
    time: NDArray[np.datetime64]
    misread: Ints
    unbelievable: Ints
    unbelievable_parts: Ints
    impossible: Ints


def series_of(
    run: Run,
    plan: Plan,
    feature: Feature,
    cycles: Sequence[DressCycle],
    *,
    first: int,
    last: int,
) -> Series:
    """
    The values of one feature from part `first` to part `last`.

    A taper with ``between`` is computed: the first feature's deviation minus the second's, for
    parts on which both were measured.
    """
    means = _difference(run, plan, feature) if feature.between else _means(run, feature)
    kept = (means.parts >= first) & (means.parts <= last)
    parts, values = means.parts[kept], means.values[kept]
    moved = _register(run, plan, parts) if feature.is_size else np.zeros(len(parts))
    return Series(
        parts=parts,
        deviation_um=values,
        readings=means.counts[kept],
        time=means.time[kept],
        cycle=cycle_of(parts, cycles),
        since_dress=since_dress(parts, cycles),
        bare_um=values - moved,
        misread=means.misread,
        unbelievable=means.unbelievable,
        unbelievable_parts=means.unbelievable_parts[
            (means.unbelievable_parts >= first) & (means.unbelievable_parts <= last)
        ],
        impossible=means.impossible,
    )


def _means(run: Run, feature: Feature) -> _Means:
    table = run.measurements
    rows = np.flatnonzero((table["feature"] == feature.name).to_numpy())
    part = table["part"].to_numpy()[rows]
    values = table["deviation_um"].to_numpy()[rows]
    order = np.argsort(part, kind="stable")
    rows, part, values = rows[order], part[order], values[order]
    never = impossible(values, feature)
    wild = _unbelievable(values, feature) | never
    slips, lost = rows[wild], np.setdiff1d(part[wild & ~never], part[~wild])
    mistyped = rows[never]
    rows, part, values = rows[~wild], part[~wild], values[~wild]
    # A gauge cannot be more sure of a reading than half of its step.
    good = ~_misread(part, values, max(feature.gauge_sd_um, feature.gauge_step_um / 2))
    parts, start, counts = np.unique(part[good], return_index=True, return_counts=True)
    sums = np.add.reduceat(values[good], start) if len(start) else np.empty(0)
    return _Means(
        parts=parts.astype(np.int64),
        values=np.round(sums / counts, 6),
        counts=counts.astype(np.int64),
        time=_utc(table, rows[good][start]),
        misread=rows[~good],
        unbelievable=slips,
        unbelievable_parts=lost.astype(np.int64),
        impossible=mistyped,
    )


def _unbelievable(values: Floats, feature: Feature) -> NDArray[np.bool_]:
    """Values no part of this feature can have; none when it has one limit only."""
    lower, upper = feature.lower_um, feature.upper_um
    if lower is None or upper is None:
        return np.zeros(len(values), dtype=bool)
    away = np.abs(values - (lower + upper) / 2)
    return np.asarray(away > UNBELIEVABLE_WIDTHS * (upper - lower))


def impossible(values: Floats, feature: Feature) -> NDArray[np.bool_]:
    """
    Which deviations belong to no size that a part of this feature can have.

    Parameters
    ----------
    values : array, shape (n,)
        Deviations from nominal. [µm]
    feature : Feature
        Without a nominal size, nothing is impossible.
    """
    if feature.nominal_mm is None:
        return np.zeros(len(values), dtype=bool)
    return np.asarray(np.abs(values) > IMPOSSIBLE_SHARE * 1000 * feature.nominal_mm)


def _misread(part: Ints, values: Floats, gauge_sd: float) -> NDArray[np.bool_]:
    """Readings that contradict the later or the most readings of the same part."""
    wrong = np.zeros(len(part), dtype=bool)
    _, start, counts = np.unique(part, return_index=True, return_counts=True)
    for k in np.flatnonzero(counts > 1):
        same = slice(start[k], start[k] + counts[k])
        # Of two, the second was asked for because the first surprised; of more, the middle one
        # that was read: a mean of two readings was read by nobody.
        middle = np.sort(values[same])[(counts[k] - 1) // 2]
        trusted = values[same][-1] if counts[k] == 2 else middle
        wrong[same] = np.abs(values[same] - trusted) > MISREADING_SDS * gauge_sd
    return wrong


def _utc(table: Any, rows: Ints) -> NDArray[np.datetime64]:
    time = table["time"].dt.tz_localize(None)
    return time.to_numpy(dtype="datetime64[us]")[rows]


def _difference(run: Run, plan: Plan, feature: Feature) -> _Means:
    head, tail = (_means(run, plan.feature(name)) for name in feature.between or ())
    parts, at_head, at_tail = np.intersect1d(head.parts, tail.parts, return_indices=True)
    return _Means(
        parts=parts.astype(np.int64),
        values=np.round(head.values[at_head] - tail.values[at_tail], 6),
        counts=np.minimum(head.counts[at_head], tail.counts[at_tail]),
        time=head.time[at_head],
        misread=np.empty(0, dtype=np.int64),
        unbelievable=np.empty(0, dtype=np.int64),
        unbelievable_parts=np.empty(0, dtype=np.int64),
        impossible=np.empty(0, dtype=np.int64),
    )


def _register(run: Run, plan: Plan, parts: Ints) -> Floats:
    """Offsets in force at each part. A control that the plan does not describe is taken to clear
    them at a dress, so that every dress cycle starts from its own level.
    """
    clears = plan.machine.dress_clears_offsets
    return register(
        parts,
        run.events["after_part"].to_numpy(),
        np.nan_to_num(run.events["amount_um"].to_numpy(dtype=float)),
        run.events["kind"].tolist(),
        clears=True if clears is None else clears,
    )
