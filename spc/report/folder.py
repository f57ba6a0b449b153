"""A folder of reports: names of pages, one drawing script, files never met half written."""

import hashlib
import importlib.util
import os
import re
import tempfile
import unicodedata
from functools import cache
from pathlib import Path

import numpy as np

from spc.findings import Study

#: Plotly's drawing script, copied once per folder of reports.
SCRIPT = "plotly.min.js"
# Parts that a run is known by, and rows looked at for them. Own choice.
_FIRST_PARTS, _MOST_ROWS = 8, 500
# As a run of the ledger names itself among its remarks.
_OF_LEDGER = re.compile(r"^run (['\"])(.*)\1 of the ledger, whose head is")
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$")


def name_of(study: Study) -> str:
    """
    File name of a report: date of the last part, shift, part, and the run.

    Letters, digits and hyphens only, so that no name can lead out of the folder.
    """
    times = study.run.measurements["time"].dropna()
    date = ""
    if study.shift is not None:
        date = f"{study.shift.start:%Y-%m-%d}"
    elif len(times):
        date = f"{times.max().tz_convert(study.plan.zone):%Y-%m-%d}"
    shift = slug(study.shift.name) if study.shift else ""
    part, run = slug(study.plan.job.part), slug(Path(run_name(study)).stem)
    return "_".join(filter(None, (date, shift, part, run if run != part else ""))) or "run"


def run_name(study: Study) -> str:
    """The run as its ledger names it, else the first file that was read; empty without a name."""
    for remark in study.run.remarks:
        if found := _OF_LEDGER.match(remark):
            return found[2]
    names = (s.name.replace("\\", "/").rsplit("/", 1)[-1] for s in study.run.sources)
    return next((name for name in names if slug(Path(name).stem)), "")


def fingerprints(study: Study) -> tuple[str, ...]:
    """
    What a run is known by while it grows: its job, and its first parts as they measured.

    Each hash covers one more part than the one before it. Two states of one run agree as far as
    both reach, wherever their files lie; another run of the same day and name does not.
    """
    job, table = study.plan.job, study.run.measurements
    parts = table["part"].to_numpy()
    known = hashlib.sha256("\n".join((job.part, job.operation, job.machine)).encode())
    prints = []
    for part in dict.fromkeys(parts[:_MOST_ROWS].tolist()):
        own = table.iloc[np.searchsorted(parts, part) : np.searchsorted(parts, part, "right")]
        for row in own.itertuples():
            told = (row.part, row.serial, row.time, row.feature, f"{row.deviation_um:.3f}")
            known.update("\t".join(map(str, told)).encode())
        prints.append(known.hexdigest()[:6])
        if len(prints) == _FIRST_PARTS:
            break
    return tuple(prints)


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
