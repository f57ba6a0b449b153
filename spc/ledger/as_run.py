"""From entries to a run: what `spc.study.examine` reads, whether typed, imported or both."""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from sqlalchemy import select

from spc.ledger.entry import Stored
from spc.ledger.repeats import left_open
from spc.ledger.replay import holding
from spc.ledger.store import LedgerRun, Reader
from spc.ledger.tables import sources
from spc.run import EVENT_COLUMNS, MEASUREMENT_COLUMNS, REJECT_COLUMNS, Run, Source

#: Source of what was typed at the machine; its rows are lines of the ledger.
TYPED = "ledger"
_UNFINISHED = "unfinished line"
_TAKEN_BACK = ("withdrawn", "replaced")


def run_of(reader: Reader, run: LedgerRun) -> Run:
    """
    A run of the ledger as it stands now, corrections taken in.

    Withdrawn readings stand among the rejects with the reason; the remarks name the head of the
    ledger, so that a page can be held against it later.
    """
    return _run(reader, run, reader.entries(run.id))


def last_parts(reader: Reader, run: LedgerRun, first: int) -> Run:
    """The end of a run from part `first` on, with every dress before: enough for a board."""
    made = reader.last_part(run.id)
    begun = reader.events_named(run.id, ("dress", "wheel"), before=first)
    return _run(reader, run, [*begun, *reader.entries_between(run.id, parts=(first, made))])


def _run(reader: Reader, run: LedgerRun, whole: list[Stored]) -> Run:
    held = holding(whole)
    query = select(sources.c.id, sources.c.name).where(sources.c.run == run.id)
    names = {row.id: str(row.name) for row in reader.connection.execute(query)}
    receipts = _receipts(held)
    readings = [entry for entry in held if entry.kind == "reading"]
    events = [entry for entry in held if entry.kind == "event"]
    rejects = [*_rejects(held, names), *_withdrawn(whole, names)]
    return Run(
        measurements=_measurements(readings, names),
        events=_events(events, names),
        rejects=_frame(rejects, REJECT_COLUMNS, {"row": "int64"}),
        account=_account(receipts, len(readings), len(events), rejects),
        sources=_sources(receipts),
        remarks=_remarks(receipts, reader, run, readings),
    )


def _receipts(held: list[Stored]) -> list[dict[str, Any]]:
    """What was said of each import; a file imported again as it grew counts as it was last."""
    receipts: list[dict[str, Any]] = []
    for entry in held:
        if entry.kind != "import":
            continue
        told = json.loads(entry.text)
        named = {name for name, *_ in told["sources"]}
        receipts = [r for r in receipts if not {name for name, *_ in r["sources"]} <= named]
        receipts.append(told)
    return receipts


def _measurements(readings: list[Stored], names: Mapping[int, str]) -> Any:
    import pandas as pd

    features = list(dict.fromkeys(e.what for e in readings))
    where = [names.get(e.source, TYPED) if e.source else TYPED for e in readings]
    columns = {
        "part": np.array([e.part for e in readings], dtype=np.int64),
        "serial": pd.array([e.serial for e in readings], dtype="str"),
        "time": _times(readings),
        "feature": pd.Categorical([e.what for e in readings], features),
        "deviation_um": np.array([e.value for e in readings], dtype=float),
        "reading": np.array([_or_nan(e.size) for e in readings], dtype=float),
        "decimals": np.array([e.decimals or 0 for e in readings], dtype=np.int64),
        "repeat": np.array([e.repeat or 0 for e in readings], dtype=np.int64),
        "source": pd.Categorical(where, list(dict.fromkeys(where))),
        "row": np.array([e.line if e.row is None else e.row for e in readings], dtype=np.int64),
    }
    frame = pd.DataFrame({name: columns[name] for name in MEASUREMENT_COLUMNS})
    if any(e.gauge for e in readings):
        frame["gauge"] = pd.Categorical([e.gauge for e in readings])
    if any(e.celsius is not None for e in readings):
        frame["temperature"] = np.array([_or_nan(e.celsius) for e in readings], dtype=float)
    return frame


def _times(told: list[Stored]) -> Any:
    import pandas as pd

    stamps = np.array(
        [np.iinfo(np.int64).min if e.time is None else e.time for e in told], dtype=np.int64
    )
    return pd.DatetimeIndex(stamps.view("datetime64[us]")).tz_localize("UTC")


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value


def _events(events: list[Stored], names: Mapping[int, str]) -> Any:
    rows = [
        {
            "after_part": e.part,
            "time": None,
            "kind": e.what,
            "amount_um": _or_nan(e.value),
            "minutes": _or_nan(e.minutes),
            "note": e.note,
            "source": names.get(e.source, TYPED) if e.source else TYPED,
            "row": e.line if e.row is None else e.row,
        }
        for e in events
    ]
    types = {"after_part": "int64", "row": "int64", "amount_um": "float64", "minutes": "float64"}
    frame = _frame(rows, EVENT_COLUMNS, types)
    frame["time"] = _times(events)
    return frame


def _frame(rows: list[dict[str, Any]], columns: Mapping[str, str], types: dict[str, str]) -> Any:
    import pandas as pd

    frame = pd.DataFrame({name: [row[name] for row in rows] for name in columns})
    return frame.astype({name: types.get(name, "str") for name in columns if name != "time"})


def _rejects(held: list[Stored], names: Mapping[int, str]) -> list[dict[str, Any]]:
    newest = {names.get(e.source, ""): e.source for e in held if e.source}
    return [
        _reject(e, names, e.note)
        for e in held
        if e.kind == "reject"
        # The line was finished when the file was read again.
        and not (e.note.startswith(_UNFINISHED) and newest[names[e.source or 0]] != e.source)
    ]


def _withdrawn(whole: list[Stored], names: Mapping[int, str]) -> list[dict[str, Any]]:
    by_line = {entry.line: entry for entry in whole}
    taken = []
    for entry in whole:
        first = by_line.get(entry.corrects or 0)
        if first is not None and first.kind == "reading":
            word = _TAKEN_BACK[entry.kind != "withdrawn"]
            taken.append(_reject(first, names, f"{word} by {entry.who or 'unknown'}: {entry.note}"))
    return taken


def _reject(entry: Stored, names: Mapping[int, str], reason: str) -> dict[str, Any]:
    return {
        "source": names.get(entry.source, TYPED) if entry.source else TYPED,
        "row": entry.line if entry.row is None else entry.row,
        "column": entry.what,
        "text": entry.text or ("" if entry.value is None else f"{entry.value:+.2f} µm"),
        "reason": reason,
    }


def _account(
    receipts: list[dict[str, Any]], readings: int, events: int, rejects: list[dict[str, Any]]
) -> dict[str, int]:
    """Where every cell ended: of each file as it was read last, and of what was typed."""
    names = ("blank", "identical", "summary", "skipped_lines", "identical_rows", "summary_rows",
             "rejected_rows")  # fmt: skip
    summed = {n: sum(int(r["account"].get(n, 0)) for r in receipts) for n in names}
    in_files = sum(int(r["account"]["rejected"]) for r in receipts)
    added = [r for r in rejects if r["source"] == TYPED or r["reason"].startswith(_TAKEN_BACK)]
    counts = {
        "measurements": readings,
        "rejected": in_files + len(added),
        "blank": summed["blank"],
        "identical": summed["identical"] + _twice(receipts),
        "summary": summed["summary"],
    }
    return {
        "cells": sum(counts.values()),
        **counts,
        "events": events,
        "skipped_lines": summed["skipped_lines"],
        "identical_rows": summed["identical_rows"],
        "summary_rows": summed["summary_rows"],
        "rejected_rows": summed["rejected_rows"],
    }


def _twice(receipts: list[dict[str, Any]]) -> int:
    """Cells that stand in more than one file and were stored once."""
    return sum(int(r["account"].get("elsewhere", 0)) for r in receipts)


def _sources(receipts: list[dict[str, Any]]) -> tuple[Source, ...]:
    return tuple(Source(*source) for receipt in receipts for source in receipt["sources"])


def _unlike(reader: Reader, run: LedgerRun, readings: list[Stored]) -> list[str]:
    # The plan is read only where a part was typed twice: most runs need none here.
    twice = any(entry.repeat and entry.source is None for entry in readings)
    return list(left_open(readings, reader.plan_of(run))) if twice else []


def _remarks(
    receipts: list[dict[str, Any]], reader: Reader, run: LedgerRun, readings: list[Stored]
) -> tuple[str, ...]:
    told = [remark for receipt in receipts for remark in receipt["remarks"]]
    typed = sum(entry.source is None for entry in readings)
    if typed:
        told.append(f"{typed} readings were typed at the machine")
    told += _unlike(reader, run, readings)
    end = reader.head()
    return (*dict.fromkeys(told), f"run {run.name!r} of the ledger, whose head is {end.words}")
