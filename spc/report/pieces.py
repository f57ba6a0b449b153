"""What a page is made of: tables, terms and pictures whose numbers are already text."""

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup


@dataclass(frozen=True)
class Table:
    """
    Rows of text under a head.

    `numbers` are the positions of columns set flush right; `marks` gives a row the shape of an
    action, by its position; in a `tight` table only the last column may break its lines.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    caption: str = ""
    marks: tuple[str, ...] = ()
    tight: bool = False


@dataclass(frozen=True)
class Term:
    """A name and what is said under it."""

    name: str
    text: str
    note: str = ""


@dataclass(frozen=True)
class Picture:
    """
    A figure with its conclusion in words and its numbers in tables.

    `key` names its place on the page; `legend` holds the marks of flagged parts and their words;
    `notes` what the conclusion rests on and what speaks against it.
    """

    key: str
    title: str
    caption: str
    spec: dict[str, Any]
    tables: tuple[Table, ...]
    legend: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Chapter:
    """
    One feature or one question inside a section.

    In order: words, a sketch, terms side by side, questions with their answers one under the other,
    pictures, tables, notes.
    """

    title: str
    words: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    terms: tuple[Term, ...] = ()
    answers: tuple[Term, ...] = ()
    notes: tuple[str, ...] = ()
    sketch: Markup | None = None
    sketch_says: str = ""


@dataclass(frozen=True)
class Section:
    """A part of a page with a heading of its own and a key to jump to."""

    key: str
    title: str
    chapters: tuple[Chapter, ...]
    words: tuple[str, ...] = ()
