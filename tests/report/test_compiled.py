"""Compiled templates are kept like compiled modules, and never stand for another source."""

import sys

import pytest
from jinja2 import Environment, FileSystemLoader

from spc.report.compiled import CompiledTemplates


@pytest.fixture
def templates(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    (tmp_path / "greeting.j2").write_text("good {{ time }}")
    return tmp_path


def rendered(folder, options="", **how):
    """The greeting from an environment of its own, and how many templates that compiled."""
    environment = Environment(
        loader=FileSystemLoader(folder), bytecode_cache=CompiledTemplates(options), **how
    )
    compiled = []
    make = environment.compile
    environment.compile = lambda *args, **kwargs: compiled.append(1) or make(*args, **kwargs)
    return environment.get_template("greeting.j2").render(time="<morning>"), len(compiled)


def kept(folder):
    return [path for path in folder.rglob("*") if path.suffix == ".j2c"]


def test_a_template_is_compiled_once(templates):
    assert rendered(templates) == ("good <morning>", 1)
    assert rendered(templates) == ("good <morning>", 0)
    assert [path.parent.name for path in kept(templates)] == ["__pycache__"]


def test_a_changed_template_is_compiled_anew(templates):
    rendered(templates)
    (templates / "greeting.j2").write_text("fine {{ time }}")

    assert rendered(templates) == ("fine <morning>", 1)


def test_other_options_compile_anew(templates):
    rendered(templates)

    escaped = rendered(templates, "escaped", autoescape=True)

    assert escaped == ("good &lt;morning&gt;", 1)


@pytest.mark.parametrize("keep", [0, 3, 20, 120])
def test_half_a_compiled_template_is_made_anew(templates, keep):
    rendered(templates)
    (place,) = kept(templates)
    place.write_bytes(place.read_bytes()[:keep])

    assert rendered(templates) == ("good <morning>", 1)


def test_where_nothing_can_be_written_pages_are_made_all_the_same(templates):
    (templates / "__pycache__").write_text("a file where the folder would be")

    assert rendered(templates) == ("good <morning>", 1)
    assert rendered(templates) == ("good <morning>", 1)


def test_nothing_is_kept_where_python_keeps_nothing(templates, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)

    assert rendered(templates) == ("good <morning>", 1)
    assert not kept(templates)
