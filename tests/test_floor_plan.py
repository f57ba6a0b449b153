"""The house rules: arrows down only, heavy libraries at one address each, light start-up."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import spc

HOUSE = Path(spc.__file__).parent
FLOORS = {
    "errors": -1, "units": 0, "beside": 0, "remarks": 0,
    "run": 1, "copied": 1, "places": 1, "sigma": 1, "fits": 1,
    "charts": 2, "capability": 2, "gauge": 2,
    "dress_cycles": 2, "grinding_wheel": 2, "form_fit": 2,
    "plan_faults": 2.9, "feature": 2.9, "plan": 3,
    "adviser": 3.2, "dress_interval": 3.3, "wear_fit": 3.3,
    "shifts": 3.3, "series": 3.3, "measured_cycles": 3.4,
    "dressing_costs": 3.5, "more_charts": 3.5, "findings": 3.6,
    "one_feature": 3.8, "acts": 3.8, "stability": 3.7, "watchfulness": 3.8, "advising": 3.8,
    "along_run": 3.9, "study": 4,
    "intake": 5, "ledger": 5, "report": 5, "simulate": 5,
    "replay": 5.5,
    "live": 6, "fleet": 6,
    "cli": 7,
}  # fmt: skip
NUMERIC = {
    "sigma",
    "fits",
    "charts",
    "capability",
    "gauge",
    "dress_cycles",
    "grinding_wheel",
    "dress_interval",
    "wear_fit",
    "form_fit",
    "copied",
    "places",
}
ADDRESSES = {
    "pandas": {"run", "intake", "report"},
    "pydantic": {"plan", "plan_faults", "feature"},
    "sqlalchemy": {"ledger"},
    "plotly": {"report"},
    "jinja2": {"report"},
    "typer": {"cli"},
    "rich": {"cli", "live"},
    "dask": {"fleet"},
}
# Inside a room a file imports files listed above it only.
ORDER = {
    "sigma": ["factors", "groups", "estimators"],
    "charts": ["limits", "off_line", "base_span", "shewhart", "between_parts", "ewma", "cusum",
               "trended", "acceptance", "short_run", "patterns", "signals", "change_point",
               "neighbours", "chain", "stretch", "integral", "simulated", "run_length",
               "groups_run_length", "doubts", "watchfulness"],
    "capability": ["noncentral", "indices", "intervals", "sample_size", "tolerance", "shapes",
                   "path", "fitting", "fit_test", "spread_tests", "time_parts", "time_models",
                   "could_be", "question", "performance", "portions", "outliers", "verdict",
                   "assessment", "machine_study", "probability_plot"],
    "gauge": ["study", "accuracy", "resolution", "guard_band"],
    "adviser": ["prior", "model", "form", "filter", "history", "loss", "outlook", "induction",
                "value", "steer", "forecast", "advice", "frame", "safety", "explain", "adviser"],
    "intake": ["words", "decoding", "cells", "tokens", "table", "whole_column", "clock",
               "times", "columns", "meaning", "conventions", "dialect", "table_schema",
               "sheets", "workbook", "quarantine", "readings", "screens", "doubts", "jobs",
               "warmth", "other_kind", "lines",
               "last_line", "csv_file", "mixed_up", "sequence", "copies", "anew", "parts",
               "repeats", "events", "row_events", "settling", "reading", "first_look", "draft",
               "csvw", "gauge_file"],
    "ledger": ["tables", "chain", "entry", "place", "refusal", "sqlite_file", "opening", "store",
               "guards", "sources", "verify", "repeats", "replay", "told", "matching", "identity",
               "imports", "as_run", "finding", "backup"],
    "more_charts": ["basis", "of_parts", "of_groups", "catalogue", "told"],
    "report": ["voice", "marks", "steel", "pieces", "lens", "level", "limit_changes", "run_figures",
               "more_figures", "wheel_figures", "known_parts", "gauge_figures", "proof_figures",
               "strip",
               "holds", "acts_done", "next_cut", "claims", "handover", "the_run", "ages", "taper",
               "how_often", "the_wheel", "the_gauge", "record", "proof", "statement", "contents",
               "gauge_bias", "gauge_study",
               "rows", "folder", "index", "compiled", "pages", "terminal"],
    "simulate": ["streams", "settings", "cycle", "reference", "process", "faults", "shift",
                 "export", "scenes", "policies", "play", "oracles", "strange", "unseen",
                 "contenders", "forecasts", "score"],
    "replay": ["recorded", "truth", "play", "compare"],
    "live": ["typed", "turn", "answers", "held", "doubts", "again", "standing", "session", "begin",
             "words", "prompt", "files", "board", "drop_folder", "hand_out", "doctor"],
    "cli": ["options", "texts", "gauge_texts", "replay_texts", "daily", "other_ways", "prepare",
            "lab", "ledger_commands", "machine", "commands", "late", "app"],
}  # fmt: skip


def files():
    return sorted(HOUSE.rglob("*.py"))


def room_of(path):
    inside = path.relative_to(HOUSE).with_suffix("").parts
    return inside[0], inside[1] if len(inside) > 1 else None


def imports(path, *, top_only=False):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_only else ast.walk(tree)
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: siblings are imported by full name"
            if node.module == "spc":
                yield from (f"spc.{alias.name}" for alias in node.names)
            else:
                yield node.module


@pytest.mark.parametrize("path", files(), ids=lambda p: str(p.relative_to(HOUSE)))
def test_a_file_imports_only_what_lies_below_it(path):
    room, file = room_of(path)
    if room in ("__init__", "__main__"):
        return
    assert room in FLOORS, f"{room} has no floor"
    for name in imports(path):
        parts = name.split(".")
        if parts[0] != "spc" or len(parts) < 2 or parts[1] == "__version__":
            continue
        if parts[1] != room:
            assert FLOORS[parts[1]] < FLOORS[room], f"{path} imports {name}, which is not below it"
        elif len(parts) > 2 and file not in (None, "__init__"):
            order = ORDER[room]
            assert file in order, f"{path}: give {file} its place in ORDER"
            assert order.index(parts[2]) < order.index(file), f"{path} imports {name}"


@pytest.mark.parametrize("path", files(), ids=lambda p: str(p.relative_to(HOUSE)))
def test_heavy_libraries_have_one_address_each(path):
    room, _ = room_of(path)
    for name in imports(path):
        allowed = ADDRESSES.get(name.split(".")[0])
        if allowed is None or room in allowed:
            continue
        # A result's to_frame() and examine() may import pandas inside the call.
        late = name.split(".")[0] == "pandas" and name not in set(imports(path, top_only=True))
        assert late, f"{path} imports {name}; it belongs to {sorted(allowed)}"


def test_numeric_rooms_know_nothing_of_plans_files_or_screens():
    for path in files():
        room, _ = room_of(path)
        if room in NUMERIC:
            for name in imports(path):
                assert not name.startswith(("spc.plan", "spc.run", "pathlib", "csv", "json")), path


def loaded_by(code):
    names = "import sys; print(*sorted(n for n in sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{names}"], capture_output=True, text=True, check=True
    )
    return set(done.stdout.splitlines()[-1].split())


def test_importing_the_package_loads_no_heavy_library():
    heavy = {"pandas", "numpy", "scipy", "plotly", "pydantic", "typer", "jinja2", "sqlalchemy"}

    assert not heavy & loaded_by("import spc")


def test_asking_for_help_loads_neither_pandas_nor_plotly_nor_scipy_stats():
    code = (
        "import sys, contextlib, io\n"
        "from spc.cli.app import main\n"
        "sys.argv = ['spc', '--help']\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    main()\n"
    )

    assert not {"pandas", "plotly", "scipy.stats"} & loaded_by(code)
