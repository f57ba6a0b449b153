"""
Whole commands against starting the libraries they need, each as a fresh process.

The lesser of several runs stands for each: it is the one least disturbed by the machine.
Both sides start as Python does unless told otherwise: compiled modules, and the templates of pages
with them, are kept from the first run on, as the libraries' are (pip compiles those when it
installs them).
"""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from spc.simulate.scenes import big_run

pytestmark = pytest.mark.bench
RUNS = 7
UNCOMPILED = "PYTHONDONTWRITEBYTECODE"
SPC = str(Path(sys.executable).with_name("spc"))


def seconds(*command):
    ordinary = {name: text for name, text in os.environ.items() if name != UNCOMPILED}

    def once():
        begun = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, env=ordinary)
        return time.perf_counter() - begun

    once()
    return min(once() for _ in range(RUNS))


def show(what, taken, reference, named, allowed):
    print(
        f"\n{what}: {taken:.2f} s, {named}: {reference:.2f} s, "
        f"ratio {taken / reference:.2f} (allowed {allowed})"
    )


def test_a_report_of_2000_parts_with_4_features(tmp_path):
    scene = big_run(tmp_path, parts=2000, features=4)
    taken = seconds(
        SPC, "report", str(scene.csv), "--plan", str(scene.plan), "--out", str(tmp_path)
    )
    libraries = "import pandas, plotly.graph_objects"
    reference = seconds(sys.executable, "-c", libraries)

    show("spc report, 2,000 parts x 4 features", taken, reference, libraries, 4)
    assert taken / reference <= 4


def test_help():
    taken = seconds(SPC, "--help")
    reference = seconds(sys.executable, "-c", "import pandas")

    show("spc --help", taken, reference, "import pandas", 0.5)
    assert taken / reference <= 0.5
