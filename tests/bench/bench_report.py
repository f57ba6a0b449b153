"""
Pages of long runs: how heavy, how soon complete in the browser, how much of a folder is shared.

Run by hand: ``pytest -m bench -s tests/bench/bench_report.py``.
"""

import shutil
import time

import numpy as np
import pandas as pd
import pytest
import studies

from spc.report.folder import SCRIPT
from spc.report.pages import write_report
from spc.run import Run, Source

pytestmark = pytest.mark.bench
FEATURES = ("seat A", "seat B", "seat C", "seat D")
PLAN = '[job]\npart = "Long run"\n' + "".join(
    f'[[feature]]\nname = "{name}"\nnominal = 25.0\nupper = 0.008\nlower = -0.008\n'
    "uncertainty_um = 0.6\n"
    for name in FEATURES
)


def long_run(parts):
    """Every part measured at every feature; a dress every 40 parts."""
    rng = np.random.default_rng(3)
    part = np.arange(1, parts + 1)
    begun = pd.Timestamp("2026-01-01T05:00Z")
    frames = []
    for name in FEATURES:
        y = np.round(-2.5 + 0.12 * ((part - 1) % 40) + rng.normal(0, 0.7, parts), 1)
        frames.append(pd.DataFrame({
            "part": part, "serial": part.astype(str),
            "time": begun + pd.to_timedelta(1.2 * part, unit="min"), "feature": name,
            "deviation_um": y, "reading": 25 + y / 1000, "decimals": 4, "repeat": 0,
            "source": "long.csv", "row": part + 1,
        }))  # fmt: skip
    measurements = pd.concat(frames).sort_values("part", kind="stable").reset_index(drop=True)
    dress = np.arange(0, parts, 40)
    events = pd.DataFrame({
        "after_part": dress, "time": begun + pd.to_timedelta(1.2 * dress, unit="min"),
        "kind": "dress", "amount_um": np.nan, "minutes": np.nan, "note": "", "source": "long.csv",
        "row": dress + 1,
    })  # fmt: skip
    rejects = pd.DataFrame({c: [] for c in ("source", "row", "column", "text", "reason")})
    cells = len(measurements)
    account = {"cells": cells, "measurements": cells, "rejected": 0, "blank": 0, "identical": 0,
               "summary": 0, "events": len(events), "skipped_lines": 0}  # fmt: skip
    return Run(measurements, events, rejects, account, (Source("long.csv", "0" * 64, parts),), ())


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    study = studies.invented_study(long_run(2_000), plan=PLAN)
    out = tmp_path_factory.mktemp("long") / "run.html"
    begun = time.perf_counter()
    write_report(study, out, as_of=studies.AS_OF)
    first = time.perf_counter() - begun
    begun = time.perf_counter()
    write_report(study, out, as_of=studies.AS_OF)
    print(
        f"\nwritten in {first:.2f} s with its libraries, {time.perf_counter() - begun:.2f} s again"
    )
    return out


def test_a_page_of_2000_parts_and_4_features_is_light(page):
    size = page.stat().st_size / 1000
    print(f"\n2,000 parts x 4 features: {size:.0f} kB; target 600")
    assert size <= 600


def test_a_page_of_200_000_parts_is_thinned_and_loses_no_flagged_part(tmp_path):
    study = studies.invented_study(long_run(200_000), plan=PLAN)
    begun = time.perf_counter()
    page = write_report(study, tmp_path / "run.html", as_of=studies.AS_OF)
    size = page.stat().st_size / 1e6
    print(f"\n200,000 parts x 4 features: {size:.2f} MB in {time.perf_counter() - begun:.1f} s;"
          " target 3 MB")  # fmt: skip
    assert size <= 3


def test_a_folder_of_shift_pages_shares_one_script(tmp_path):
    study = studies.invented_study()
    begun = time.perf_counter()
    for shift in range(1_000):
        write_report(study, tmp_path / f"shift-{shift}.html", as_of=studies.AS_OF)
    spent = time.perf_counter() - begun
    print(f"\n1,000 shift pages: {spent / 1000 * 1e3:.0f} ms each")
    assert [f.name for f in tmp_path.glob("*.js")] == [SCRIPT]


def test_a_page_is_complete_within_three_times_an_empty_one(page):
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed")
    empty = page.with_name("empty.html")
    empty.write_text(
        f'<!doctype html><title>empty</title><script src="{SCRIPT}"></script>'
        '<script>document.documentElement.dataset.drawn = "yes"</script>'
    )
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        spent = {p: min(complete(browser, p) for _ in range(5)) for p in (empty, page)}
        browser.close()
    ratio = spent[page] / spent[empty]
    print(
        f"\ncomplete in {spent[page]:.2f} s, empty page {spent[empty]:.2f} s: {ratio:.1f}; target 3"
    )
    assert ratio <= 3


def complete(browser, page):
    context = browser.new_context(viewport={"width": 1400, "height": 900}, offline=True)
    tab = context.new_page()
    begun = time.perf_counter()
    tab.goto(f"file://{page}")
    tab.locator("html[data-drawn=yes]").wait_for(state="attached")
    spent = time.perf_counter() - begun
    context.close()
    return spent
