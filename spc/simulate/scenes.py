"""
Invented runs to try the program on, written as a shop would export them.

``python -m spc.simulate.scenes sample_runs`` writes all of them, the same bytes every time.
"""

import sys
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime
from importlib.resources import files
from pathlib import Path

from spc.errors import SpcError
from spc.plan import Feature, Plan, read_plan
from spc.simulate.export import Export, Writer
from spc.simulate.process import Event
from spc.simulate.settings import Setting
from spc.simulate.shift import Habit, Measured, Sheet, Station, Taper, shift


@dataclass(frozen=True)
class Scene:
    """Files of one invented run."""

    name: str
    csv: Path
    plan: Path
    events: Path | None
    words: str


@dataclass(frozen=True)
class Story:
    """All that makes one scene."""

    words: str
    setting: Setting
    habit: Habit
    export: Export
    parts: int
    seed: int
    fresh: bool = True
    tilts: dict[str, float] = field(default_factory=dict)
    own_sd_um: float = 0.2
    every: dict[str, int] = field(default_factory=dict)
    taper: Taper = field(default_factory=Taper)
    dirt: dict[int, float] = field(default_factory=dict)


# A shop process: tighter than the presets, dressed by a control that clears what was typed.
_SHOP = Setting(
    part_sd_um=0.6, dress_sd_um=0.7, walk_sd_um=0.04, wave_sd_um=0.4, warm_up_um=0.0,
    start_sd_um=0.5, slip_rate=0.0, offset_sd_um=0.15, dress_clears_offsets=True,
)  # fmt: skip

STORIES: dict[str, Story] = {
    "capstan_spindle": Story(
        words="An early shift of bearing seats: the wheel wears, the operator types offsets, "
        "dresses twice, once wipes a part and reads it again. Two diameters, the taper between "
        "them, and roundness that grows as the wheel dulls.",
        setting=replace(
            _SHOP, cycle_min=1.2, wear_um=0.11, break_in_um=1.2, break_in_parts=6,
            life_parts=125, life_log_sd=0.1, dull_growth_um=2.0, part_sd_um=0.55,
            offset_step_um=0.5, roundness_um=0.9, roundness_dull=1.2, roundness_cv=0.1,
        ),
        habit=Habit(every=4, dress_after=105, correct_beyond_um=2.2),
        export=Export(start=datetime(2026, 3, 10, 6, 4), first_serial=4211),
        parts=308,
        seed=204,
        tilts={"seat head": 0.5, "seat tail": -0.5},
        taper=Taper(start_um=0.4, per_wear=0.1, dress_sd_um=0.2),
        dirt={148: 11.3},
    ),
    "sluice_spool": Story(
        words="Three lands of a spool in inches, with decimal commas and semicolons, and the "
        "events in a file of their own. The operator corrects at nearly every reading: many "
        "offsets take back the one before.",
        setting=replace(
            _SHOP, cycle_min=0.9, wear_um=0.05, break_in_um=1.0, life_parts=170,
            dull_growth_um=1.5, part_sd_um=0.9, offset_step_um=1.27,
        ),
        habit=Habit(every=4, dress_after=130, correct_beyond_um=0.8),
        export=Export(
            start=datetime(2026, 3, 10, 6, 10), first_serial=88120, delimiter=";", mark=",",
            split_time=True, events_apart=True,
        ),
        parts=248,
        seed=31,
        tilts={"land 1": 0.5, "land 2": 0.0, "land 3": -0.5},
        taper=Taper(start_um=-0.4, per_wear=0.04),
    ),
    "hinge_pin": Story(
        words="A quiet run: a wheel that hardly wears, a micrometer that shows 1 µm, a level "
        "that stays. The right advice is to leave it alone.",
        setting=replace(
            _SHOP, cycle_min=0.8, wear_um=0.001, break_in_um=0.0, life_parts=2500,
            dull_growth_um=0.0, part_sd_um=1.6, walk_sd_um=0.0, wave_sd_um=0.0,
        ),
        habit=Habit(every=5, first_offs=2),
        export=Export(start=datetime(2026, 3, 11, 14, 6), first_serial=1),
        parts=390,
        seed=12,
        fresh=False,
    ),
    "idler_bore": Story(
        words="A bore: the small wheel wears fast, so parts come out smaller and smaller, and it "
        "is dressed every thirty parts or so. The control counts on radius. Roughness is read "
        "on every fifteenth part only.",
        setting=replace(
            _SHOP, bore=True, cycle_min=1.5, wear_um=0.27, break_in_um=1.8, life_parts=38,
            life_log_sd=0.15, dull_growth_um=1.5, part_sd_um=0.8, dress_sd_um=1.0,
        ),
        habit=Habit(every=3, dress_after=30, correct_beyond_um=3.0),
        export=Export(start=datetime(2026, 3, 12, 14, 3), first_serial=530, typed=True),
        parts=221,
        seed=77,
        every={"roughness Ra": 15},
    ),
    "press_pillar": Story(
        words="A cold morning: parts grow smaller for an hour and a half while the machine warms "
        "up, the operator offsets that out, and the break lets part of it come back. Wear pulls "
        "the other way; the dress takes the wear and leaves the heat, and the first part after "
        "it is too small.",
        setting=replace(
            _SHOP, cycle_min=1.3, wear_um=0.05, life_parts=170, break_in_um=1.0,
            warm_up_um=-11.0, warm_fast_min=20.0, warm_slow_min=70.0, part_sd_um=1.0,
            breaks=((110, 30.0),),
        ),
        habit=Habit(every=3, dress_after=140, correct_beyond_um=3.0),
        export=Export(start=datetime(2026, 3, 9, 6, 0), first_serial=2001, typed=False),
        parts=205,
        seed=9,
    ),
}  # fmt: skip

_README = """# Sample runs

Invented runs to try the program on: no such part, person, machine or shop exists. The numbers
come from the simulated grinder of `spc/simulate/`, whose truth is known. Written by
`python -m spc.simulate.scenes sample_runs`, the same bytes every time; do not edit them by hand.

| run | parts ground | what it shows |
|---|---|---|
"""


def plan_text(name: str) -> bytes:
    """The plan of a scene, as it stands in the package."""
    return (files("spc.simulate") / "plans" / f"{name}.toml").read_bytes()


def scene_sheet(name: str, *, seed: int | None = None) -> Sheet:
    """
    The shift of a scene with the truth behind it.

    Parameters
    ----------
    name : str
        One of `STORIES`.
    seed : int, optional
        Another run of the same scene; None: the one in `sample_runs`.

    Raises
    ------
    SpcError
        When there is no scene of that name.
    """
    if name not in STORIES:
        raise SpcError(f"there is no scene {name!r}; there are: {', '.join(STORIES)}")
    story, plan = STORIES[name], _plan(name)
    return shift(
        replace(story.setting, tolerance_um=_half_width(plan)),
        tuple(_station(story, feature) for feature in plan.measured_features),
        story.habit,
        parts=story.parts,
        seed=story.seed if seed is None else seed,
        taper=story.taper,
        dirt=story.dirt,
        fresh=story.fresh,
    )


def _plan(name: str) -> Plan:
    return read_plan(plan_text(name), source=f"{name}.toml")


def _half_width(plan: Plan) -> float:
    lead = plan.lead
    if lead is None or lead.upper_um is None or lead.lower_um is None:
        raise ValueError(f"{plan.source}: a scene needs a lead diameter with two limits")
    return (lead.upper_um - lead.lower_um) / 2


def _station(story: Story, feature: Feature) -> Station:
    return Station(
        name=feature.name,
        middle_um=feature.target_um or 0.0,
        tilt=story.tilts.get(feature.name, 0.0),
        own_sd_um=story.own_sd_um if feature.is_size and not feature.lead else 0.0,
        gauge_sd_um=feature.gauge_sd_um,
        step_um=feature.gauge_step_um,
        kind=feature.kind,
        every=story.every.get(feature.name, 1),
    )


def write_scene(name: str, folder: str | Path, *, seed: int | None = None) -> Scene:
    """
    The files of one scene, written into `folder`.

    Parameters
    ----------
    name : str
        One of `STORIES`.
    folder : path
        Made when missing.
    seed : int, optional
        Another run of the same scene; None: the one in `sample_runs`.

    Raises
    ------
    SpcError
        When there is no scene of that name.
    """
    if name not in STORIES:
        raise SpcError(f"there is no scene {name!r}; there are: {', '.join(STORIES)}")
    story, plan = STORIES[name], _plan(name)
    sheet = scene_sheet(name, seed=seed)
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    scene = Scene(
        name=name,
        csv=folder / f"{name}.csv",
        plan=folder / f"{name}.toml",
        events=folder / f"{name}_events.csv" if story.export.events_apart else None,
        words=story.words,
    )
    scene.plan.write_bytes(plan_text(name))
    writer = Writer(plan, story.export, story.seed if seed is None else seed)
    rows: Iterable[Measured | Event] = sheet.rows
    if scene.events is not None:
        writer.save(scene.events, writer.event_rows(sheet.events))
        rows = sheet.measured
    writer.save(scene.csv, writer.rows(rows, with_events=scene.events is None))
    return scene


def write_all(folder: str | Path) -> list[Scene]:
    """All scenes and a README that tells what each shows, written into `folder`."""
    folder = Path(folder)
    scenes = [write_scene(name, folder) for name in STORIES]
    lines = [
        f"| `{scene.name}.csv`{f' with `{scene.events.name}`' if scene.events else ''} "
        f"| {STORIES[scene.name].parts} | {scene.words} |\n"
        for scene in scenes
    ]
    (folder / "README.md").write_text(_README + "".join(lines), encoding="utf-8", newline="\n")
    return scenes


_BIG_PLAN = """[job]
part = "Benchmark shaft"
minutes_per_part = 1.0

[machine]
dress_resets_size = true
dress_clears_offsets = true

[wheel]
parts_per_dress = 60
"""
_BIG_FEATURE = """
[[feature]]
name = "seat {number}"
kind = "diameter"
nominal = {nominal}
upper = 0.008
lower = -0.008
unit = "mm"
gauge_step_um = 0.1
sample = 1
"""


def big_run(folder: str | Path, parts: int = 2000, features: int = 4, *, seed: int = 1) -> Scene:
    """
    A long run with every part measured, for benchmarks.

    Parameters
    ----------
    folder : path
        Made when missing.
    parts : int
        Ground and measured.
    features : int
        Diameters side by side.
    seed : int
        The run.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    scene = Scene("big_run", folder / "big_run.csv", folder / "big_run.toml", None,
                  f"{parts} parts with {features} diameters each, for benchmarks.")  # fmt: skip
    seats = (_BIG_FEATURE.format(number=i, nominal=20.0 + 5 * i) for i in range(1, features + 1))
    scene.plan.write_text(_BIG_PLAN + "".join(seats), encoding="utf-8", newline="\n")
    plan = read_plan(scene.plan.read_bytes(), source=str(scene.plan))
    sheet = shift(
        _SHOP,
        tuple(Station(f.name, gauge_sd_um=0.3) for f in plan.features),
        Habit(every=1, dress_after=60, correct_beyond_um=4.0),
        parts=parts,
        seed=seed,
    )
    writer = Writer(plan, Export(start=datetime(2026, 3, 2, 6, 0)), seed)
    writer.save(scene.csv, writer.rows(sheet.rows, with_events=True))
    return scene


if __name__ == "__main__":
    write_all(sys.argv[1] if len(sys.argv) > 1 else "sample_runs")
