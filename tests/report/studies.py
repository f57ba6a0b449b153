"""Small studies built by hand, so that pages are tested without files and without the adviser."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from spc.adviser.advice import Advice
from spc.adviser.forecast import PartsLeft
from spc.capability.assessment import assess
from spc.charts import shewhart, trended
from spc.charts.signals import Signal, watch
from spc.dress_cycles import dress_cycles, wear_line
from spc.findings import Act, FeatureStudy, HeldSpan, Prompt, Stability, Study
from spc.gauge.resolution import resolution
from spc.plan import read_plan
from spc.report.known_parts import KnownParts
from spc.run import Run, Source
from spc.series import series_of

PLAN = """
[job]
part = "Sluice gate pin"
drawing = "SG-7 B"
operation = "40 finish grind"
machine = "Grinder 5"
minutes_per_part = 1.5

[[feature]]
name = "seat"
nominal = 25.0
upper = 0.008
lower = -0.008
unit = "mm"
gauge_step_um = 0.1
uncertainty_um = 1.0

[[feature]]
name = "roundness"
kind = "roundness"
upper = 2.0
unit = "um"
gauge_step_um = 0.1

[machine]
offset_step_um = 0.5
offset_entry = "radius"
offset_unit = "mm"

[wheel]
name = "A60 L7 V"
diameter_mm = 400.0
rpm = 1650
speed_limit_m_s = 40.0
parts_per_dress = 30

[shifts]
early = "06:00-14:00"
zone = "Europe/Paris"
"""
START = datetime(2026, 11, 25, 5, 0, tzinfo=UTC)
AS_OF = datetime(2026, 11, 25, 7, 40, tzinfo=UTC)


def invented_run(*, parts=90, seed=5, part_name=str, note="", source="pins.csv"):
    """Wear of 0.1 µm per part, a dress every 30 parts, one offset, every third part measured."""
    rng = np.random.default_rng(seed)
    rows, line = [], 1
    for part in range(1, parts + 1):
        if part % 3 and part != 1:
            continue
        line += 1
        moved = -2.0 if 15 < part <= 30 else 0.0
        size = -2 + 0.1 * ((part - 1) % 30) + moved + rng.normal(0, 0.5)
        time = START + timedelta(minutes=1.5 * part)
        for feature, value in (("seat", size), ("roundness", abs(rng.normal(0.8, 0.15)))):
            value = round(float(value), 1)
            reading = round(25 + value / 1000, 4) if feature == "seat" else value
            decimals = 4 if feature == "seat" else 1
            rows.append((part, part_name(part), time, feature, value, reading, decimals, 0,
                         source, line))  # fmt: skip
    measurements = pd.DataFrame(
        rows,
        columns=["part", "serial", "time", "feature", "deviation_um", "reading", "decimals",
                 "repeat", "source", "row"],
    )  # fmt: skip
    measurements["time"] = pd.to_datetime(measurements["time"], utc=True)
    events = pd.DataFrame(
        [
            (0, START, "dress", np.nan, np.nan, note, source, 2),
            (15, START + timedelta(minutes=23), "offset", -2.0, np.nan, "", source, 7),
            *(
                (k, START + timedelta(minutes=1.5 * k + 1), "dress", np.nan, np.nan, "", source, k)
                for k in range(30, parts, 30)
            ),
        ],
        columns=["after_part", "time", "kind", "amount_um", "minutes", "note", "source", "row"],
    )
    events["time"] = pd.to_datetime(events["time"], utc=True)
    rejects = pd.DataFrame(
        [(source, 9, "seat", "2,,5", "'2,,5' is not a number")],
        columns=["source", "row", "column", "text", "reason"],
    )
    cells = len(rows)
    account = {"cells": cells + 1, "measurements": cells, "rejected": 1, "blank": 0,
               "identical": 0, "summary": 0, "events": len(events), "skipped_lines": 0}  # fmt: skip
    return Run(
        measurements, events, rejects, account,
        (Source(source, "ab" * 32, line + 1),), ("parts are numbered by their rows",),
    )  # fmt: skip


def advice(action="offset", **changes):
    """One piece of advice with every field filled."""
    fields = {
        "action": action, "subject": "seat", "offset_um": -3.0, "amount": -0.0015,
        "amount_unit": "mm", "measure_after": 1,
        "evidence": "The level is +1.6 µm above target and rises by 0.10 µm per part.",
        "check_first": "Is the last offset in the register?",
        "runner_up": "dress", "cost_difference": 0.8,
        "_count": lambda: PartsLeft(14, 22, 35),
    } | changes  # fmt: skip
    return Advice(**fields)


def invented_study(run=None, *, plan=PLAN, advice=None, held=(), outside=(), stable=True):
    """A study with every field filled, by the numeric rooms but without the adviser."""
    run = run or invented_run()
    job = read_plan(plan.encode(), source="pins.toml")
    last = run.made
    cycles = dress_cycles(last, run.events["after_part"].to_numpy(), run.events["kind"].tolist())
    features = tuple(_feature(job, f, run, cycles, last, outside, stable) for f in job.features)
    told = advice or globals()["advice"]()
    return Study(
        run=run, plan=job, first_part=1, last_part=last, shift=None, features=features,
        cycles=cycles, acts=_acts(run), prompts=(Prompt(87, AS_OF, told),),
        held=tuple(HeldSpan(*span) for span in held), advice=told, learned={},
        self_check={"readings": 30, "spread": 1.04}, remarks=run.remarks,
    )  # fmt: skip


def busy_study():
    """As much on the handover as it may ever carry: six features, many acts, parts to hold."""
    extra = "".join(
        f'\n[[feature]]\nname = "collar {k} behind the long shoulder"\nkind = "runout"\n'
        'upper = 9.0\nunit = "um"\n'
        for k in range(1, 5)
    )
    run = invented_run(part_name=lambda n: f"K-{4200 + n}")
    seat = run.measurements[run.measurements["feature"] == "roundness"]
    more = [seat.assign(feature=f"collar {k} behind the long shoulder") for k in range(1, 5)]
    dress = run.events.iloc[[3]]
    notes = [
        dress.assign(after_part=60 + k, note="new diamond, coolant nozzle set") for k in (5, 9)
    ]
    masters = [dress.assign(after_part=70 + k, kind="master") for k in range(6)]
    run = replace(
        run,
        measurements=pd.concat([run.measurements, *more], ignore_index=True),
        events=pd.concat([run.events, *notes, *masters], ignore_index=True),
    )
    told = advice(
        "hold", offset_um=None, amount=None, amount_unit=None,
        evidence="seat read 8.6 µm and 8.4 µm again, beyond its guarded limit of 7.2 µm; the last "
        "good check was part 63, and the level before it gave no sign",
        check_first="clean the part and the anvils, set the gauge on its master, look at the "
        "centres, the coolant and the last entries before anything is moved",
    )  # fmt: skip
    held = [("seat", 64, 90), ("roundness", 70, 72), ("roundness", 76, 78), ("roundness", 85, 87)]
    study = invented_study(
        run, plan=PLAN.replace("[machine]", extra + "[machine]"), advice=told, held=held,
        outside=(66, 69, 72),
    )  # fmt: skip
    signal = Signal("one side", 5, 16, 1, "12 points in a row above the centre of the base span",
                    "a source")  # fmt: skip
    features = tuple(replace(f, signals=(signal,) * 2) for f in study.features)
    return replace(study, features=features)


def crowded_study():
    """An offset after nearly every second part: marks too many for lines and labels."""
    run = invented_run(parts=180)
    offset = run.events[run.events["kind"] == "offset"]
    more = [offset.assign(after_part=part, amount_um=1.0) for part in range(4, 180, 2)]
    return invented_study(replace(run, events=pd.concat([run.events, *more], ignore_index=True)))


def invented_gauge_study():
    """Three people, ten parts, two trials: readings in µm, names of people and of parts."""
    rng = np.random.default_rng(11)
    part = rng.normal(0, 3, 10)
    person = np.array([0.0, 0.3, -0.4])
    readings = part + person[:, None] + rng.normal(0, 0.5, (2, 3, 10))
    readings = np.round(np.moveaxis(readings, 0, -1), 1)
    people = ["early bench", "late bench", "gauge room"]
    return readings, people, [f"pin {k}" for k in range(1, 11)]


def invented_known_parts(*, error=0.0, slope=0.0, sizes=(24.99, 25.0, 25.01), each=12, bend=0.0):
    """Setting rings read many times by one person: an error, and what it gains per µm of size."""
    rng = np.random.default_rng(17)
    true = np.repeat([1000 * size for size in sizes], each)
    away = true - 25000
    read = np.round(true + error + slope * away + bend * away**2 + rng.normal(0, 0.3, len(true)), 1)
    return KnownParts(true, read, ("bench",) * len(true), tuple(f"ring {t / 1000}" for t in true))


def _acts(run):
    return tuple(
        Act(
            kind=e.kind, after_part=e.after_part, time=e.time.to_pydatetime(),
            amount_um=None if np.isnan(e.amount_um) else e.amount_um, minutes=None, note=e.note,
            effect_um=None if e.after_part == 0 else -2.9,
            effect_se_um=None if e.after_part == 0 else 0.4,
        )
        for e in run.events.itertuples()
    )  # fmt: skip


def _feature(job, feature, run, cycles, last, outside, stable):
    series = series_of(run, job, feature, cycles, first=1, last=last)
    base = (0, min(39, len(series) - 1))
    chart = trended.cycles_chart(series.cycle, series.since_dress, series.bare_um, base=base)
    return FeatureStudy(
        feature=feature, series=series,
        individuals=shewhart.individuals_chart(series.deviation_um, base=base),
        sloping=chart, signals=watch(chart.z),
        wear=tuple(
            wear_line(series.since_dress[series.cycle == k],
                               series.bare_um[series.cycle == k])
            for k in range(len(cycles))
        ),
        stability=Stability(stable, 0 if stable else 5, 0.3, "0 signals about the wear line"),
        capability=assess(
            series.deviation_um, cycle=series.cycle, since_dress=series.since_dress,
            lower=feature.lower_um, upper=feature.upper_um, target=feature.target_um, stable=stable,
            zero_bounded=feature.zero_bounded, step=0.1,
        ),
        resolution=resolution(series.deviation_um, sigma=chart.sigma),
        outside=tuple(outside) if feature.name == "seat" else (), in_doubt=(),
        base_words="the first 31 measured parts",
    )  # fmt: skip
