"""Runs and plans small enough to check by hand."""

import pandas as pd
import pytest
from hypothesis import settings
from pin_plan import PIN
from postgres_server import place, server

from spc.plan import read_plan
from spc.run import EVENT_COLUMNS, MEASUREMENT_COLUMNS, REJECT_COLUMNS, Run

__all__ = ["place", "server"]
# The same examples in every run: what passed once passes again.
settings.register_profile("fixed", derandomize=True)
settings.load_profile("fixed")


@pytest.fixture
def plan():
    return read_plan(PIN.encode(), source="pin.toml")


@pytest.fixture
def make_run():
    def make(readings, events=(), start="2026-11-23 06:00", minutes=1.0):
        """Readings (part, feature, deviation) or with a repeat; events (after_part, kind, ...)."""
        first = pd.Timestamp(start, tz="UTC")
        rows = [
            {
                "part": part,
                "serial": str(part),
                "time": first + pd.Timedelta(minutes=part * minutes),
                "feature": feature,
                "deviation_um": float(value),
                "reading": 25.0 + value / 1000,
                "decimals": 4,
                "repeat": again[0] if again else 0,
                "source": "pin.csv",
                "row": row + 2,
            }
            for row, (part, feature, value, *again) in enumerate(readings)
        ]
        told = [
            {
                "after_part": after,
                "time": first + pd.Timedelta(minutes=after * minutes),
                "kind": kind,
                "amount_um": float(details.get("um", "nan")),
                "minutes": float(details.get("minutes", "nan")),
                "note": details.get("note", ""),
                "source": "pin.csv",
                "row": 0,
            }
            for after, kind, details in ((*event, {})[:3] for event in events)
        ]
        measurements = pd.DataFrame(rows, columns=list(MEASUREMENT_COLUMNS))
        frame = pd.DataFrame(told, columns=list(EVENT_COLUMNS))
        for table in (measurements, frame):
            table["time"] = pd.to_datetime(table["time"], utc=True)
        account = dict.fromkeys(("rejected", "blank", "identical", "summary", "skipped_lines"), 0)
        account |= {"cells": len(rows), "measurements": len(rows), "events": len(told)}
        return Run(measurements, frame, pd.DataFrame(columns=list(REJECT_COLUMNS)), account)

    return make
