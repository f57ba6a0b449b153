"""Writing pages: reports, statements, the index of their folder, and the board."""

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from numpy.typing import NDArray

import spc
from spc.errors import StoreBusy
from spc.findings import Study
from spc.report.compiled import CompiledTemplates
from spc.report.contents import KINDS, Page, job_details, page
from spc.report.folder import (
    SCRIPT,
    fingerprints,
    name_of,
    put_script,
    run_name,
    script_path,
    slug,
    write_aside,
)
from spc.report.index import INDEX, about, entries, is_of_another_run
from spc.report.lens import Lens
from spc.report.marks import MARKS
from spc.report.next_cut import late_after, next_cut
from spc.report.rows import events_csv, rejects_csv, rows_csv
from spc.report.steel import PALETTE, TEMPLATE
from spc.report.voice import Voice, tame, voice

if TYPE_CHECKING:
    from spc.gauge.study import VarianceStudy
    from spc.report.known_parts import KnownParts

TEMPLATES = Path(__file__).parent / "templates"
#: Seconds after which the board loads itself again.
BOARD_SECONDS = 10


@dataclass(frozen=True)
class _Links:
    """Where the page finds its rows: files beside it, or the bytes themselves in a single file."""

    rows: str
    events: str
    rejects: str
    names: tuple[str, str, str]


def write_report(
    study: Study,
    out: str | Path,
    *,
    kind: str = "report",
    single_file: bool = False,
    as_of: datetime | None = None,
    locale: str | None = None,
    ledger_head: str = "",
) -> Path:
    """
    A page of a study, written into a folder, and the folder's index renewed.

    Parameters
    ----------
    study : Study
        As returned by `spc.study.examine`.
    out : path
        Folder for the page; a path ending in ``.html`` names the page itself. In a folder the
        page takes the place of the last one about the same run, never that of another run.
    kind : str
        ``report``, or ``wheel``, ``gauge`` or ``statement`` for a page on that alone.
    single_file : bool
        Put drawing script and rows into the page, for sending it alone.
    as_of : datetime, optional
        The moment the page states as its own, with its zone; now when left out. The same study
        and moment give the same bytes.
    locale : str, optional
        Decimal mark of what is shown, such as ``de`` or ``en_GB``; English with a point if unsaid.
    ledger_head : str
        Head of the hash chain of the ledger that the run came from; empty for plain files.

    Returns
    -------
    Path
        The page. Beside it: ``NAME.rows.csv``, ``NAME.events.csv``, ``NAME.rejects.csv``, the
        drawing script and ``index.html``. Every file is written aside and renamed, so that no
        reader meets a half.

    Raises
    ------
    StoreBusy
        When the folder cannot be written.
    """
    if kind not in KINDS:
        raise ValueError(f"kind {kind!r}: one of {', '.join(KINDS)}")
    moment = (as_of or datetime.now(UTC)).astimezone(UTC)
    speaker = voice(locale=locale, zone=study.plan.zone)
    prints = fingerprints(study)
    target = _target(study, Path(out), kind, prints)
    tables = {
        "rows": rows_csv(study),
        "events": events_csv(study),
        "rejects": rejects_csv(study),
    }
    names = {name: f"{target.stem}.{name}.csv" for name in tables}
    content = page(study, speaker, moment, kind, ledger_head)
    links = _links(tables, names, single_file)
    told = about(
        content, speaker, f"{moment:%Y-%m-%dT%H:%M:%SZ}", run=run_name(study), prints=prints
    )
    with _writing(target.parent):
        if not single_file:
            for name, text in tables.items():
                write_aside(target.with_name(names[name]), text.encode())
            put_script(target.parent)
        text = render_page(content, speaker, links, told, single_file=single_file)
        write_aside(target, text.encode())
        if not single_file:
            write_aside(target.with_name(INDEX), render_index(target.parent, speaker).encode())
    return target


def write_gauge_study(
    found: "VarianceStudy | None",
    readings: NDArray[np.float64] | None,
    out: str | Path,
    *,
    title: str,
    people: Sequence[str],
    parts: Sequence[str],
    as_of: datetime | None = None,
    locale: str | None = None,
    known: "KnownParts | None" = None,
) -> Path:
    """
    The page of a gauge study, written into a folder, and the folder's index renewed.

    Parameters
    ----------
    found : VarianceStudy or None
        As returned by `spc.gauge.study.variance_study` for readings in µm; None when only known
        parts were read.
    readings : array, shape (people, parts, trials), or None
        What was read. [µm]
    out : path
        Folder for the page; a path ending in ``.html`` names the page itself.
    title : str
        What was measured, and with what.
    people, parts : sequence of str
        Their names, in that order.
    as_of, locale
        As for `write_report`.
    known : KnownParts, optional
        The readings beside the true values of the parts, where those are known.

    Raises
    ------
    StoreBusy
        When the folder cannot be written.
    """
    from spc.report.gauge_study import gauge_study_page

    moment = (as_of or datetime.now(UTC)).astimezone(UTC)
    speaker = voice(locale=locale)
    target = Path(out)
    if target.suffix.lower() != ".html":
        target /= f"{moment:%Y-%m-%d}_gauge_{slug(title) or 'study'}.html"
    content = gauge_study_page(
        found, readings, title=title, people=people, parts=parts, voice=speaker, moment=moment,
        known=known,
    )  # fmt: skip
    told = about(content, speaker, f"{moment:%Y-%m-%dT%H:%M:%SZ}")
    with _writing(target.parent):
        put_script(target.parent)
        write_aside(target, render_page(content, speaker, None, told).encode())
        write_aside(target.with_name(INDEX), render_index(target.parent, speaker).encode())
    return target


def write_index(folder: str | Path, *, locale: str | None = None) -> Path:
    """
    ``index.html`` of a folder of pages: newest first, with the act each one ended on.

    Raises
    ------
    StoreBusy
        When the folder cannot be written.
    """
    target = Path(folder) / INDEX
    with _writing(target.parent):
        write_aside(target, render_index(target.parent, voice(locale=locale)).encode())
    return target


def write_board(
    study: Study,
    out: str | Path,
    *,
    as_of: datetime | None = None,
    locale: str | None = None,
    seconds: int = BOARD_SECONDS,
) -> Path:
    """
    The board beside the machine: the act, large, on a page that loads itself again.

    Parameters
    ----------
    study : Study
        As it stands now.
    out : path
        Folder for ``board.html``; a path ending in ``.html`` names the page itself.
    as_of, locale
        As for `write_report`.
    seconds : int
        After which the page loads itself again.

    Returns
    -------
    Path
        The board; its own script watches the clock and says so when data are stale.
    """
    moment = (as_of or datetime.now(UTC)).astimezone(UTC)
    speaker = voice(locale=locale, zone=study.plan.zone)
    target = Path(out) if Path(out).suffix.lower() == ".html" else Path(out) / "board.html"
    with _writing(target.parent):
        write_aside(target, render_board(study, speaker, moment, seconds).encode())
    return target


@contextmanager
def _writing(folder: Path) -> Iterator[None]:
    """Make the folder, and turn what the system says against writing into one clear line."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        raise StoreBusy(
            f"{error.filename or folder}: cannot be written ({error.strerror}); "
            "choose another folder with --out"
        ) from None


def _target(study: Study, out: Path, kind: str, prints: Sequence[str]) -> Path:
    if out.suffix.lower() == ".html":
        return out
    name = name_of(study)
    # All pages of a run share its name, so one page of another run takes the name away.
    for stem in (name, *(f"{name}_{each}" for each in prints)):
        pages = {
            each: out / f"{stem}{'' if each == 'report' else '_' + each}.html" for each in KINDS
        }
        if not any(is_of_another_run(page, prints) for page in pages.values()):
            break
    return pages[kind]


def _links(tables: dict[str, str], names: dict[str, str], single_file: bool) -> _Links:
    hrefs = dict(names)
    if single_file:
        hrefs = {
            name: "data:text/csv;charset=utf-8;base64," + base64.b64encode(text.encode()).decode()
            for name, text in tables.items()
        }
    return _Links(**hrefs, names=(names["rows"], names["events"], names["rejects"]))


# --- HTML -----------------------------------------------------------------------------------------


def render_page(
    content: Page,
    speaker: Voice,
    links: _Links | None,
    told: Mapping[str, str],
    *,
    single_file: bool = False,
) -> str:
    """A page of a study as HTML."""
    drawing = script_path().read_text("utf-8") if single_file else ""
    palette = {"dark": dict(PALETTE.values()), "paper": {PALETTE["paper"][0]: "#FFFFFF"}}
    return _render(
        "page.html.j2",
        speaker,
        scripts=(drawing,),
        page=content,
        links=links,
        about=_json(told),
        drawing_script=Markup(drawing),
        script_name=SCRIPT,
        figures=_json({p.key: _without_template(p.spec) for p in content.pictures}),
        steel=_json({"template": TEMPLATE, **palette}),
    )


def render_index(folder: Path, speaker: Voice) -> str:
    """The index of a folder as HTML."""
    return _render("index.html.j2", speaker, entries=entries(folder))


def render_board(study: Study, speaker: Voice, moment: datetime, seconds: int) -> str:
    """The board as HTML."""
    # One act at a time: what was advised along the run is for the page, not for the board.
    lens = Lens(replace(study, prompts=()), speaker)
    last = lens.last_time
    board = {
        "job": tame(study.plan.job.part, 80),
        "details": " · ".join(job_details(lens)),
        "last": "" if last is None else str(int(last.timestamp())),
        "late": str(int(late_after(lens))),
        "made_at": speaker.say(
            "page.made_at", local=speaker.day_and_clock(moment), utc=speaker.utc(moment)
        ),
    }
    return _render(
        "board.html.j2", speaker, board=board, cut=next_cut(lens, moment), refresh=seconds
    )


def _render(template: str, speaker: Voice, *, scripts: tuple[str, ...] = (), **parts: Any) -> str:
    own = (TEMPLATES / "page.js").read_text("utf-8").strip()
    style = (TEMPLATES / "page.css").read_text("utf-8").strip()
    # A script in the page is allowed by its hash alone; 'self' is the script beside the page.
    allowed = " ".join(_hash(text) for text in filter(None, (own, *scripts)))
    return (
        _environment()
        .get_template(template)
        .render(
            say=speaker.say,
            version=spc.__version__,
            shapes=MARKS,
            style=Markup(_style_variables() + style),
            own_script=Markup(own),
            script_policy=Markup(allowed),
            **parts,
        )
    )


@cache
def _environment() -> Environment:
    how: dict[str, Any] = {"autoescape": True, "trim_blocks": True, "lstrip_blocks": True}
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        undefined=StrictUndefined,
        bytecode_cache=CompiledTemplates(repr(how)),
        **how,
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _without_template(spec: dict[str, Any]) -> dict[str, Any]:
    return spec | {"layout": {k: v for k, v in spec["layout"].items() if k != "template"}}


def _json(value: object) -> Markup:
    """JSON for a script block: no ``<`` can end the block or open a comment."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _style_variables() -> str:
    """The palette as custom properties, for paper and for the dark."""
    sides = ["".join(f"--{k}:{v[side]};" for k, v in PALETTE.items()) for side in (0, 1)]
    return (
        f":root{{{sides[0]}}}@media screen and (prefers-color-scheme:dark){{:root{{{sides[1]}}}}}"
    )
