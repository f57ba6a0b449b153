"""Invented runs with known truth: ground, written down as a run, and ground again another way."""

import math
from collections import Counter
from dataclasses import replace

import pandas as pd

from spc.plan import Plan
from spc.run import Run
from spc.simulate.play import settle
from spc.simulate.process import Grinder, rounded
from spc.simulate.settings import PRESETS
from spc.simulate.shift import Station, shift
from spc.simulate.streams import Stream, normal

#: Wear, dulling and dress errors of the first preset; no heat and no form, which are not replayed.
PROCESS = replace(
    PRESETS["S1"], warm_up_um=0.0, wave_sd_um=0.4, slip_rate=0.0, burn_dullness=math.inf,
    ra_limit_um=math.inf, roundness_limit_um=math.inf, breaks=(), night_min=0.0,
    dress_clears_offsets=True, start_sd_um=1.0,
)  # fmt: skip


def plan_of(setting, **changes):
    """The plan of that process; `changes` by table, such as ``machine={...}``."""
    prices = setting.prices
    table = {
        "job": {"part": "Invented shaft", "minutes_per_part": setting.cycle_min},
        "feature": [{
            "name": "size", "kind": "bore" if setting.bore else "diameter", "nominal": 40.0,
            "upper": setting.tolerance_um / 1000, "lower": -setting.tolerance_um / 1000,
            "gauge_sd_um": setting.gauge_sd_um, "gauge_step_um": setting.gauge_step_um,
        }],
        "machine": {
            "offset_step_um": setting.offset_step_um, "dress_resets_size": True,
            "dress_clears_offsets": setting.dress_clears_offsets,
        },
        "cost": {
            "scrap": prices.scrap, "rework": prices.rework, "dress": prices.dress,
            "offset": prices.offset, "measure": prices.measure, "off_target": prices.off_target,
        },
    }  # fmt: skip
    if math.isfinite(setting.roundness_limit_um):
        table["feature"].append({
            "name": "roundness", "kind": "roundness", "unit": "um",
            "upper": setting.roundness_limit_um, "gauge_sd_um": 0.05, "gauge_step_um": 0.01,
        })  # fmt: skip
    for name, values in changes.items():
        table[name] = table.get(name, {}) | values
    return Plan.model_validate(table)


def ground(setting, *, seed, parts, habit):
    """A shift under that habit: the run as written down, and what each part truly cost."""
    station = Station(
        "size", own_sd_um=0.0, gauge_sd_um=setting.gauge_sd_um, step_um=setting.gauge_step_um
    )
    stations = [station]
    if math.isfinite(setting.roundness_limit_um):
        stations.append(Station("roundness", gauge_sd_um=0.0, step_um=0.01, kind="roundness"))
    sheet = shift(setting, tuple(stations), habit, parts=parts, seed=seed)
    return run_of(sheet), cost_of(sheet.grinder, looks=len(sheet.measured))


def cost_of(grinder, *, looks):
    """True cost per part, readings included."""
    paid, prices = grinder.ledger, grinder.setting.prices
    parts = paid.scrap + paid.rework + paid.off_target + paid.roundness
    return (parts + paid.offset + paid.dress + paid.look + prices.measure * looks) / grinder.number


def ground_otherwise(setting, policy, *, seed, parts, known_to):
    """True cost per part when the same seed is ground under a policy."""
    grinder, looks, due = Grinder(setting, seed), 0, 1
    errors = Stream(seed, "gauge size/0", normal(setting.gauge_sd_um))

    def read(again=False):
        # A first look errs as it did in the record, whoever asks for it.
        nonlocal looks
        looks += 1
        part = grinder.truth[-1]
        seen = grinder.measure().size_um if again else part.size_um + errors[part.number]
        policy.reading("size", rounded(seen, setting.gauge_step_um), again=again)

    policy.event("dress")
    for number in range(1, parts + 1):
        grinder.part()
        policy.part(minute=grinder.minute)
        due -= 1
        if number == parts:
            break
        if due <= 0:
            read()
            due = max(1, settle(policy, grinder, lambda: read(True), Counter()).measure_after)
        if grinder.cycle.since_dress >= known_to:
            grinder.dress()
            policy.event("dress")
            due = 1
    return cost_of(grinder, looks=looks)


def run_of(sheet):
    """The sheet as a run, as the reader of files would give it."""
    values = [
        (row.part, str(row.part), pd.NaT, name, value, 40.0, 4, 0, "run.csv", k)
        for k, row in enumerate(sheet.measured, start=2)
        for name, value in zip(("size", "roundness"), row.deviations_um, strict=False)
    ]
    measurements = pd.DataFrame(
        values,
        columns=["part", "serial", "time", "feature", "deviation_um", "reading", "decimals",
                 "repeat", "source", "row"],
    )  # fmt: skip
    events = pd.DataFrame(
        [(e.after_part, pd.NaT, e.kind, e.amount_um, e.minutes, "", "events.csv", k)
         for k, e in enumerate(sheet.events, start=2)],
        columns=["after_part", "time", "kind", "amount_um", "minutes", "note", "source", "row"],
    )  # fmt: skip
    for table in (measurements, events):
        table["time"] = pd.to_datetime(table["time"], utc=True)
    rejects = pd.DataFrame(columns=["source", "row", "column", "text", "reason"])
    account = {"cells": len(values), "measurements": len(values), "rejected": 0, "blank": 0,
               "identical": 0, "summary": 0, "events": len(events), "skipped_lines": 0}  # fmt: skip
    return Run(measurements, events, rejects, account)
