"""How the program begins and ends: interrupts and closed streams, whenever they come."""

import subprocess
import sys

import pytest

INTERRUPTED_AT = """
import os, signal, sys
library = sys.argv.pop(1)
class Watcher:
    def find_spec(self, name, *_):
        if name == library:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Watcher())
"""
BY_NAME = "from spc.cli.app import main\nmain()"
BY_MODULE = "import runpy\nrunpy.run_module('spc', run_name='__main__')"
pytestmark = pytest.mark.usefixtures("good_csv")


@pytest.mark.parametrize("begin", [BY_NAME, BY_MODULE])
@pytest.mark.parametrize("library", ["typer", "spc.cli.daily", "numpy", "pandas"])
def test_an_interrupt_while_libraries_load_is_no_traceback_but_130(begin, library):
    words = [library, "check", "good.csv", "--plan", "pin.toml"]
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_AT + begin, *words], capture_output=True, text=True
    )

    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_an_interrupt_that_is_ignored_stays_ignored():
    ignore = "import signal\nsignal.signal(signal.SIGINT, signal.SIG_IGN)\n"
    words = ["typer", "--version"]
    done = subprocess.run(
        [sys.executable, "-c", ignore + INTERRUPTED_AT + BY_NAME, *words],
        capture_output=True, text=True,
    )  # fmt: skip

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("spc ")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        ("check - --plan pin.toml", 3, "spc: -: the file is empty; export it again"),
        ("import - --plan pin.toml", 3, ""),
        ("log --plan pin.toml", 0, ""),
    ],
)
def test_a_closed_standard_input_is_an_empty_one(words, status, said):
    done = subprocess.run(
        ["/bin/sh", "-c", f'exec "$0" -m spc {words} <&-', sys.executable],
        capture_output=True, text=True,
    )  # fmt: skip

    assert done.returncode == status
    assert done.stderr.strip() == said
