"""Writing a report: one page, the rows beside it, one drawing script per folder."""

import base64
import hashlib
import importlib.util
import json
import os
import re
import tempfile
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from spc.errors import StoreBusy
from spc.findings import Study
from spc.report.contents import Page, page
from spc.report.marks import MARKS
from spc.report.rows import events_csv, rejects_csv, rows_csv
from spc.report.steel import PALETTE, TEMPLATE
from spc.report.voice import Voice, voice

TEMPLATES = Path(__file__).parent / "templates"
#: Plotly's drawing script, copied once per folder of reports.
SCRIPT = "plotly.min.js"
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$")


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
    single_file: bool = False,
    as_of: datetime | None = None,
    locale: str | None = None,
) -> Path:
    """
    The report of a study, written into a folder.

    Parameters
    ----------
    study : Study
        As returned by `spc.study.examine`.
    out : path
        Folder for the page; a path ending in ``.html`` names the page itself.
    single_file : bool
        Put drawing script and rows into the page, for sending it alone.
    as_of : datetime, optional
        The moment the page states as its own, with its zone; now when left out. The same study
        and moment give the same bytes.
    locale : str, optional
        Decimal mark of what is shown, such as ``de`` or ``en_GB``; English with a point if unsaid.

    Returns
    -------
    Path
        The page. Beside it: ``NAME.rows.csv``, ``NAME.events.csv``, ``NAME.rejects.csv`` and the
        drawing script. Every file is written aside and renamed, so that no reader meets a half.

    Raises
    ------
    StoreBusy
        When the folder cannot be written.
    """
    moment = (as_of or datetime.now(UTC)).astimezone(UTC)
    speaker = voice(locale=locale, zone=study.plan.zone)
    target = _target(study, Path(out))
    tables = {
        "rows": rows_csv(study),
        "events": events_csv(study),
        "rejects": rejects_csv(study),
    }
    names = {name: f"{target.stem}.{name}.csv" for name in tables}
    content = page(study, speaker, moment)
    links = _links(tables, names, single_file)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if not single_file:
            for name, text in tables.items():
                _write(target.with_name(names[name]), text.encode())
            _put_script(target.parent)
        _write(target, render(content, speaker, links, single_file=single_file).encode())
    except OSError as error:
        raise StoreBusy(
            f"{error.filename or target.parent}: cannot be written ({error.strerror}); "
            "choose another folder with --out"
        ) from None
    return target


# --- names and bytes ------------------------------------------------------------------------------


def _target(study: Study, out: Path) -> Path:
    return out if out.suffix.lower() == ".html" else out / f"{name_of(study)}.html"


def name_of(study: Study) -> str:
    """
    File name of a report: date of the last part, shift, and the file that was read.

    Letters, digits and hyphens only, so that no name can lead out of the folder.
    """
    times = study.run.measurements["time"].dropna()
    date = ""
    if study.shift is not None:
        date = f"{study.shift.start:%Y-%m-%d}"
    elif len(times):
        date = f"{times.max().tz_convert(study.plan.zone):%Y-%m-%d}"
    sources = [Path(s.name.replace("\\", "/")).stem for s in study.run.sources[:1]]
    origin = next((s for s in map(_slug, sources) if s), "") or _slug(study.plan.job.part)
    shift = _slug(study.shift.name) if study.shift else ""
    return "_".join(filter(None, (date, shift, origin))) or "run"


def _slug(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
    return f"run-{slug}" if _RESERVED.match(slug) else slug


def _links(tables: dict[str, str], names: dict[str, str], single_file: bool) -> _Links:
    hrefs = dict(names)
    if single_file:
        hrefs = {
            name: "data:text/csv;charset=utf-8;base64," + base64.b64encode(text.encode()).decode()
            for name, text in tables.items()
        }
    return _Links(**hrefs, names=(names["rows"], names["events"], names["rejects"]))


def _write(path: Path, content: bytes) -> None:
    """Write aside and rename, so that a reader sees the old file or the new one."""
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(beside).chmod(0o644)
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _put_script(folder: Path) -> None:
    """Copy the drawing script unless the same one is there; its size tells versions apart."""
    source, there = script_path(), folder / SCRIPT
    if not there.exists() or there.stat().st_size != source.stat().st_size:
        _write(there, source.read_bytes())


@cache
def script_path() -> Path:
    """The drawing script inside the installed Plotly, found without importing it."""
    spec = importlib.util.find_spec("plotly")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("plotly is not installed")
    return Path(spec.origin).parent / "package_data" / SCRIPT


# --- the page itself ------------------------------------------------------------------------------


def render(content: Page, speaker: Voice, links: _Links, *, single_file: bool = False) -> str:
    """The page as HTML."""
    own = (TEMPLATES / "page.js").read_text("utf-8").strip()
    style = (TEMPLATES / "page.css").read_text("utf-8").strip()
    drawing = script_path().read_text("utf-8") if single_file else ""
    # A script in the page is allowed by its hash alone; 'self' is the script beside the page.
    allowed = " ".join(_hash(text) for text in filter(None, (own, drawing)))
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            page=content,
            say=speaker.say,
            mark=speaker.mark,
            shapes=MARKS,
            links=links,
            style=Markup(_style_variables() + style),
            own_script=Markup(own),
            drawing_script=Markup(drawing),
            script_name=SCRIPT,
            script_policy=Markup(allowed),
            figures=_json({p.key: _without_template(p.spec) for p in content.pictures}),
            steel=_json(
                {
                    "template": TEMPLATE,
                    "dark": dict(PALETTE.values()),
                    "paper": {PALETTE["paper"][0]: "#FFFFFF"},
                }
            ),
        )
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _without_template(spec: dict[str, object]) -> dict[str, object]:
    layout = spec["layout"]
    if not isinstance(layout, dict):
        raise TypeError("a figure has a layout")
    return spec | {"layout": {k: v for k, v in layout.items() if k != "template"}}


def _json(value: object) -> Markup:
    """JSON for a script block: no ``<`` can end the block or open a comment."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(
        text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    )


def _style_variables() -> str:
    """The palette as custom properties, for paper and for the dark."""
    sides = ["".join(f"--{k}:{v[side]};" for k, v in PALETTE.items()) for side in (0, 1)]
    return (
        f":root{{{sides[0]}}}@media screen and (prefers-color-scheme:dark){{:root{{{sides[1]}}}}}"
    )
