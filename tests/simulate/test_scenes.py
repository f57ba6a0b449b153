"""The invented runs: readable plans, honest exports, and committed files that stay true."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from spc.intake import read_run
from spc.plan import load_plan
from spc.simulate.process import Event
from spc.simulate.scenes import STORIES, big_run, scene_sheet, write_all, write_scene
from spc.units import deviation_um, read_quantity

approx = pytest.approx
SAMPLES = Path(__file__).parents[2] / "sample_runs"
NAMES = sorted(STORIES)


def read(path, delimiter=","):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


def test_the_committed_sample_runs_are_what_the_command_writes(tmp_path):
    # To renew them: python -m spc.simulate.scenes sample_runs
    write_all(tmp_path)

    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    committed = {path.name: path.read_bytes() for path in SAMPLES.iterdir()}
    assert written == committed


def test_the_readme_tells_of_every_run_and_says_that_all_is_invented():
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")

    assert "Invented" in readme
    for name in NAMES:
        assert f"`{name}.csv`" in readme


@pytest.mark.parametrize("name", NAMES)
def test_every_plan_is_complete_enough_to_decide_with(name):
    plan = load_plan(SAMPLES / f"{name}.toml")

    assert "Invented" in (SAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    assert plan.lead is not None
    assert plan.lead.sample is not None
    assert plan.wheel.parts_per_dress is not None
    assert plan.machine.dress_clears_offsets is not None
    assert {"scrap", "rework", "dress", "offset", "measure"} <= plan.cost.model_fields_set
    assert plan.shifts.zone is not None
    # Nobody may learn an unsafe speed here: rim speed stays below the marked one.
    speed = np.pi * plan.wheel.diameter_mm * plan.wheel.rpm / 60_000
    assert speed < plan.wheel.speed_limit_m_s


@pytest.mark.parametrize("name", NAMES)
def test_a_shift_is_a_realistic_one(name):
    sheet = scene_sheet(name)
    measured = {row.part for row in sheet.measured}

    assert 200 <= len(sheet.grinder.truth) <= 400
    assert len(sheet.grinder.truth) / len(measured) > 2
    out = sum(abs(p.size_um) > sheet.grinder.setting.tolerance_um for p in sheet.grinder.truth)
    assert out <= 2


def test_what_is_written_leads_back_to_what_was_measured():
    sheet, plan = scene_sheet("capstan_spindle"), load_plan(SAMPLES / "capstan_spindle.toml")
    rows = read(SAMPLES / "capstan_spindle.csv")
    parts = [row for row in rows if row["seat head"]]

    assert len(rows) == len(sheet.rows)
    for text, row in zip(parts, sheet.measured, strict=True):
        assert int(text["part"]) == 4210 + row.part
        for feature, deviation in zip(plan.measured_features, row.deviations_um, strict=True):
            quantity = read_quantity(text[feature.name])
            if feature.is_size:
                nominal = read_quantity(str(feature.nominal_mm)).value
                assert deviation_um(quantity.value, nominal, "mm") == approx(deviation, abs=1e-6)
            else:
                assert quantity.um("um") == approx(deviation, abs=1e-6)


def test_an_offset_is_typed_as_the_control_wants_it():
    # The bore grinder counts on radius: 6 µm on diameter are typed as 0.003 mm.
    events = [e for e in scene_sheet("idler_bore").events if e.kind == "offset"]
    typed = [row["typed"] for row in read(SAMPLES / "idler_bore.csv") if row["event"] == "offset"]

    assert [float(text) * 2000 for text in typed] == approx([e.amount_um for e in events])


def test_the_spool_run_is_written_with_decimal_commas_and_its_events_apart():
    text = (SAMPLES / "sluice_spool.csv").read_text(encoding="utf-8")
    events = read(SAMPLES / "sluice_spool_events.csv", delimiter=";")
    sheet = scene_sheet("sluice_spool")

    assert "." not in re.sub(r"Serial no\.|\d\d\.\d\d\.\d{4}", "", text)
    assert len(events) == len(sheet.events)
    offsets = [e.amount_um for e in sheet.events if e.kind == "offset"]
    reversals = np.mean(np.diff(np.sign(offsets)) != 0)
    assert reversals > 0.5


def test_the_wiped_part_is_read_twice():
    parts = [row.part for row in scene_sheet("capstan_spindle").measured]
    soiled, wiped = (row for row in scene_sheet("capstan_spindle").measured if row.part == 148)

    assert len(parts) == len(set(parts)) + 1
    assert soiled.deviations_um[0] - wiped.deviations_um[0] == approx(11.3, abs=1.0)


def test_the_quiet_run_is_quiet():
    sheet = scene_sheet("hinge_pin")
    levels = np.array([part.level_um for part in sheet.grinder.truth])

    assert {event.kind for event in sheet.events} == {"pause"}
    assert np.ptp(levels) < 0.2 * sheet.grinder.setting.tolerance_um


def test_two_diameters_differ_by_a_taper_that_grows_with_wear_and_leaves_at_a_dress():
    sheet = scene_sheet("capstan_spindle")
    first, second = sheet.events[0], [e for e in sheet.events if e.kind == "dress"][1]
    taper = {row.part: row.deviations_um[0] - row.deviations_um[1] for row in sheet.measured}

    def mean(start, stop):
        return np.mean([value for part, value in taper.items() if start < part <= stop])

    assert isinstance(first, Event)
    assert mean(second.after_part - 30, second.after_part) > mean(0, 30) + 0.2
    assert mean(second.after_part, second.after_part + 30) < mean(
        second.after_part - 30, second.after_part
    )


def test_another_seed_is_another_run_of_the_same_plan(tmp_path):
    scene = write_scene("press_pillar", tmp_path, seed=1)

    assert scene.plan.read_bytes() == (SAMPLES / "press_pillar.toml").read_bytes()
    assert scene.csv.read_bytes() != (SAMPLES / "press_pillar.csv").read_bytes()


def test_a_big_run_has_the_parts_and_features_asked_for(tmp_path):
    scene = big_run(tmp_path, parts=300, features=6)
    parts = [row for row in read(scene.csv) if not row["event"]]

    assert len(load_plan(scene.plan).features) == 6
    assert [int(row["part"]) for row in parts] == list(range(1, 301))


@pytest.mark.parametrize("name", NAMES)
def test_a_reader_of_the_files_finds_every_measurement_and_event_of_the_shift(name):
    plan = load_plan(SAMPLES / f"{name}.toml")
    apart = SAMPLES / f"{name}_events.csv"
    run = read_run(SAMPLES / f"{name}.csv", plan, events=apart if apart.exists() else None)
    sheet = scene_sheet(name)
    measured = {
        (row.part, feature.name, round(deviation, 3))
        for row in sheet.measured
        for feature, deviation in zip(plan.measured_features, row.deviations_um, strict=True)
        if deviation is not None
    }
    events = [(e.after_part, e.kind, round(e.amount_um, 3)) for e in sheet.events]

    seen = run.measurements
    values = zip(seen["part"], seen["feature"], seen["deviation_um"].round(3), strict=True)
    assert set(values) == measured
    assert run.account["rejected"] == 0
    found = zip(
        run.events["after_part"], run.events["kind"], run.events["amount_um"].round(3), strict=True
    )
    assert [(*e[:2], str(e[2])) for e in found] == [(*e[:2], str(e[2])) for e in events]
