"""What libraries name and nothing uses is not loaded, and is whole once it is asked for."""

import subprocess
import sys

BEGIN = "import sys\nfrom spc.cli.late import load_late\nload_late()\nimport scipy.special\n"


def printed(code):
    done = subprocess.run(
        [sys.executable, "-c", BEGIN + code], capture_output=True, text=True, check=True
    )
    return done.stdout.split()


def test_special_functions_come_without_a_compiler_and_the_tools_of_tests():
    inside = ("numpy.f2py.crackfortran", "numpy.testing._private.utils")

    found = printed(f"print(scipy.special.ndtr(0.0), *(name in sys.modules for name in {inside}))")

    assert found == ["0.5", "False", "False"]


def test_a_late_module_is_whole_when_it_is_asked_for():
    found = printed(
        "import numpy\n"
        "from numpy.testing import assert_allclose\n"
        "assert_allclose([1.0], [1.0])\n"
        "print(callable(numpy.f2py.get_include), 'numpy.f2py.crackfortran' in sys.modules)\n"
    )

    assert found == ["True", "True"]


def test_asking_twice_finds_modules_once():
    assert printed(
        "load_late()\nprint(sum(type(finder).__name__ == '_Late' for finder in sys.meta_path))"
    ) == ["1"]
