"""From entries to a run: what `spc.study.examine` reads, whether typed, imported or both."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

import numpy as np

from spc.ledger.entry import Stored
from spc.ledger.repeats import left_open
from spc.ledger.replay import holding
from spc.ledger.sources import KnownSource, known_sources
from spc.ledger.store import LedgerRun, Reader
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
    return _run(reader, run, [*begun, *reader.entries_between(run.id, (first, made))])


def _run(reader: Reader, run: LedgerRun, whole: list[Stored]) -> Run:
    held = holding(whole)
    known = known_sources(reader, run)
    names = {each.id: each.name for each in known}
    told = [_Receipt.of(entry, known) for entry in held if entry.kind == "import"]
    receipts = _standing(told)
    readings = [entry for entry in held if entry.kind == "reading"]
    events = [entry for entry in held if entry.kind == "event"]
    grown = frozenset().union(*(receipt.covers - receipt.files for receipt in told))
    rejects = [*_rejects(held, names, grown), *_withdrawn(whole, names)]
    return Run(
        measurements=_measurements(readings, names),
        events=_events(events, names),
        rejects=_frame(rejects, REJECT_COLUMNS, {"row": "int64"}),
        account=_account([r.told for r in receipts], len(readings), len(events), rejects),
        sources=tuple(Source(*source) for r in receipts for source in r.told["sources"]),
        remarks=_remarks([r.told for r in receipts], reader, run, readings),
    )


@dataclass(frozen=True)
class _Receipt:
    """
    What was said of one import.

    Attributes
    ----------
    told : dict
        As it was stored.
    files : frozenset of int
        The files that were read.
    covers : frozenset of int
        Those, and the earlier ones that they begin with.
    """

    told: dict[str, Any]
    files: frozenset[int]
    covers: frozenset[int]

    @classmethod
    def of(cls, entry: Stored, known: list[KnownSource]) -> Self:
        told = json.loads(entry.text)
        read = {(name, sha256) for name, sha256, *_ in told["sources"]}
        files = {each.id for each in known if (each.name, each.sha256) in read}
        grown = set(told.get("grown", ()))
        if "grown" not in told:
            # Receipts of older programs do not say it; a file of the same name was taken for grown.
            named = {name for name, _ in read}
            grown = {
                each.id for each in known if each.name in named and each.id <= max(files, default=0)
            }
        return cls(told, frozenset(files), frozenset(files | grown))


def _standing(told: list[_Receipt]) -> list[_Receipt]:
    """The receipts that count: a file imported again as it grew counts as it was last."""
    receipts: list[_Receipt] = []
    for receipt in told:
        # One whose files are not known any more covers none and is covered by none.
        receipts = [r for r in receipts if not r.files or not r.files <= receipt.covers]
        receipts.append(receipt)
    return receipts


def _measurements(readings: list[Stored], names: Mapping[int, str]) -> Any:
    import pandas as pd

    features = list(dict.fromkeys(e.what for e in readings))
    where = [names.get(e.source, TYPED) if e.source else TYPED for e in readings]
    columns = {
        "part": np.array([e.part for e in readings], dtype=np.int64),
        "serial": pd.array([_serial(e) for e in readings], dtype="str"),
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


def _serial(entry: Stored) -> str:
    place = entry.text if entry.source is not None else ""
    return entry.serial or place or str(entry.part)


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


def _rejects(
    held: list[Stored], names: Mapping[int, str], grown: frozenset[int]
) -> list[dict[str, Any]]:
    return [
        _reject(e, names, e.note)
        for e in held
        if e.kind == "reject"
        # The line was finished when the file was read again.
        and not (e.note.startswith(_UNFINISHED) and e.source in grown)
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
