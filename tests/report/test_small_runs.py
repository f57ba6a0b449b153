"""Runs too short, too odd or too plain to conclude much from still get an honest page."""

import re

import numpy as np
import pandas as pd
import pytest
import studies

from spc.plan import read_plan
from spc.report.pages import write_board, write_report
from spc.report.terminal import advise_lines, check_lines
from spc.run import EVENT_COLUMNS, MEASUREMENT_COLUMNS, REJECT_COLUMNS, Run, Source
from spc.study import examine

SEAT = '[[feature]]\nname = "seat"\n'
PLANS = {
    "two limits": f"{SEAT}nominal = 25.0\nupper = 0.01\nlower = -0.01\n",
    "upper only": f"{SEAT}nominal = 25.0\nupper = 0.01\n",
    "lower only": f"{SEAT}nominal = 25.0\nlower = -0.01\n",
    "bore by fit": f'{SEAT}kind = "bore"\nfit = "25 H7"\n',
    "inch": f'{SEAT}nominal = 1.0\nupper = 0.0004\nlower = -0.0004\nunit = "in"\n',
    "no size at all": f'{SEAT}kind = "roundness"\nupper = 2.0\nunit = "um"\n',
    "a feature never measured": f"{SEAT}nominal = 25.0\nupper = 0.01\nlower = -0.01\n"
    '[[feature]]\nname = "other"\nnominal = 5.0\nupper = 0.01\nlower = -0.01\n',
}
_RNG = np.random.default_rng(0)
VALUES = {
    "one part": [1.0],
    "two parts": [1.0, 2.0],
    "always the same": [1.0] * 30,
    "just enough for a chart": _RNG.normal(0, 1, 8).round(1).tolist(),
    "one misread by far": [*_RNG.normal(0, 1, 30).round(1), 5000.0, 0.2, 0.1],
    "all outside": [500.0 + k for k in range(20)],
    "whole steps": _RNG.integers(0, 3, 50).astype(float).tolist(),
}
EVENTS = [
    (0, "dress", np.nan, np.nan, ""), (3, "offset", -2.0, np.nan, ""),
    (3, "pause", np.nan, 20.0, "tea"), (5, "wheel", np.nan, np.nan, ""),
    (6, "master", np.nan, np.nan, ""), (6, "swivel", 12.0, np.nan, ""),
    (6, "note", np.nan, np.nan, "hm"),
]  # fmt: skip


def run_of(values, *, timed, events):
    begun = pd.Timestamp("2026-11-25T05:00Z")
    when = [begun + pd.Timedelta(minutes=k) if timed else pd.NaT for k in range(len(values))]
    rows = [
        (k + 1, str(k + 1), when[k], "seat", float(v), 25 + v / 1000, 4, 0, "x.csv", k + 2)
        for k, v in enumerate(values)
    ]
    told = [(part, pd.NaT, kind, um, minutes, note, "x.csv", 1)
            for part, kind, um, minutes, note in events]  # fmt: skip
    measurements = pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))
    frame = pd.DataFrame(told, columns=list(EVENT_COLUMNS))
    for table in (measurements, frame):
        table["time"] = pd.to_datetime(table["time"], utc=True)
    frame = frame.astype({"after_part": "int64", "amount_um": float, "minutes": float})
    account = dict.fromkeys(("rejected", "blank", "identical", "summary", "skipped_lines"), 0)
    account |= {"cells": len(rows), "measurements": len(rows), "events": len(told)}
    source = (Source("x.csv", "0" * 64, len(rows) + 1),)
    return Run(measurements, frame, pd.DataFrame(columns=list(REJECT_COLUMNS)), account, source)


@pytest.mark.parametrize("values", VALUES)
@pytest.mark.parametrize("plan", PLANS)
def test_an_odd_run_gets_a_page_without_a_number_that_is_none(tmp_path, plan, values):
    job = read_plan(f'[job]\npart = "pin"\n{PLANS[plan]}'.encode(), source="p.toml")
    # Every other pair with times and events, so that both kinds meet every value and every plan.
    busy = (list(PLANS).index(plan) + list(VALUES).index(values)) % 2 == 0
    study = examine(run_of(VALUES[values], timed=busy, events=EVENTS if busy else []), job)

    pages = [
        write_report(study, tmp_path, kind=kind, as_of=studies.AS_OF)
        for kind in ("report", "statement")
    ]
    pages.append(write_board(study, tmp_path, as_of=studies.AS_OF))
    texts = [page.read_text("utf-8") for page in pages]
    texts.append("\n".join([*check_lines(study), *advise_lines(study)]))

    for text in texts:
        said = re.sub(r"<(script|style)\b.*?</\1>", "", text, flags=re.S)
        assert not re.search(r"(?<![a-z])(nan|inf|None|NaT)(?![a-z])", said)
    assert len(check_lines(study)) <= 10
