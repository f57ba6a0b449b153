"""A folder of reports: names of pages, one drawing script, files never met half written."""

import importlib.util
import os
import re
import tempfile
import unicodedata
from functools import cache
from pathlib import Path

from spc.findings import Study

#: Plotly's drawing script, copied once per folder of reports.
SCRIPT = "plotly.min.js"
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$")


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
    origin = next((s for s in map(slug, sources) if s), "") or slug(study.plan.job.part)
    shift = slug(study.shift.name) if study.shift else ""
    return "_".join(filter(None, (date, shift, origin))) or "run"


def slug(text: str) -> str:
    """
    A piece of a file name that is one everywhere.

    Examples
    --------
    >>> slug("../Ø25 Welle"), slug("con")
    ('25-welle', 'run-con')
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
    return f"run-{name}" if _RESERVED.match(name) else name


def write_aside(path: Path, content: bytes) -> None:
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


def put_script(folder: Path) -> None:
    """Copy the drawing script unless the same one is there; its size tells versions apart."""
    source, there = script_path(), folder / SCRIPT
    if not there.exists() or there.stat().st_size != source.stat().st_size:
        write_aside(there, source.read_bytes())


@cache
def script_path() -> Path:
    """The drawing script inside the installed Plotly, found without importing it."""
    spec = importlib.util.find_spec("plotly")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("plotly is not installed")
    return Path(spec.origin).parent / "package_data" / SCRIPT
