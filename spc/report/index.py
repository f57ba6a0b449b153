"""The index of a folder of pages: newest first, with the act each one ended on."""

import html
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spc.report.contents import Page
from spc.report.marks import MARKS
from spc.report.voice import Voice, tame

#: What a page says of itself stands in its head, so that an index reads only this much of each.
_HEAD_BYTES = 16_384
_ABOUT = re.compile(r'<script type="application/json" id="about">(.*?)</script>', re.DOTALL)
INDEX = "index.html"


@dataclass(frozen=True)
class Entry:
    """One page in the index."""

    file: str
    kind: str
    job: str
    span: str
    mark: str
    action: str
    verdict: str
    tone: str
    moment: str
    run: str
    words: str


def about(
    page: Page, voice: Voice, moment: str, *, run: str = "", prints: Sequence[str] = ()
) -> dict[str, str]:
    """What a page says of itself for the index of its folder, and which run it is about."""
    cut, sheet = page.next_cut, page.handover
    return {
        "schema": "spc.page/1",
        "kind": voice.say(f"kinds.{page.kind}"),
        "job": " · ".join((page.part, *page.job_details)),
        "span": page.span,
        "mark": cut.mark if cut else "",
        "action": cut.word if cut else "",
        "verdict": sheet.verdict if sheet else "",
        "tone": sheet.tone if sheet else "ink",
        "moment": moment,
        "run": tame(run, 80),
        "prints": " ".join(prints),
    }


def is_of_another_run(path: Path, prints: Sequence[str]) -> bool:
    """Whether a page is there already that is not known to be about the same run."""
    if not path.exists():
        return False
    there = str((_told(path) or {}).get("prints", "")).split()
    return not there or any(a != b for a, b in zip(there, prints, strict=False))


def entries(folder: Path) -> tuple[Entry, ...]:
    """Every page of a folder that says what it is, newest first."""
    found = [entry for path in folder.glob("*.html") for entry in _entry(path)]
    return tuple(sorted(found, key=lambda e: (e.moment, e.file), reverse=True))


def _told(path: Path) -> dict[str, Any] | None:
    """What a page says of itself; None for files that are no pages of ours or vanish meanwhile."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES).decode("utf-8", "ignore")
        told: Any = json.loads(_ABOUT.search(head)[1])  # type: ignore[index]
    except (OSError, TypeError, ValueError):
        return None
    known = isinstance(told, dict) and told.get("schema") == "spc.page/1"
    return told if known else None


def _entry(path: Path) -> Iterator[Entry]:
    """The entry of a page; nothing for other files."""
    told = _told(path)
    if told is None:
        return
    said = {key: tame(str(told.get(key, "")), 300) for key in _TEXTS}
    mark = said["mark"] if said["mark"] in MARKS else ""
    tone = said["tone"] if said["tone"] in ("ink", "ask", "hold") else "ink"
    words = html.unescape(" ".join(said.values())).casefold()
    yield Entry(file=path.name, words=words, **said | {"mark": mark, "tone": tone})


_TEXTS = ("kind", "job", "span", "mark", "action", "verdict", "tone", "moment", "run")
