"""A ledger in a folder of its own, begun under a pin's plan."""

import pytest
from pin_plan import PIN

from spc.ledger.entry import Entry
from spc.ledger.store import Ledger
from spc.plan import load_plan


@pytest.fixture
def plan(tmp_path):
    (tmp_path / "pin.toml").write_text(PIN, encoding="utf-8")
    return load_plan(tmp_path / "pin.toml")


@pytest.fixture
def ledger(tmp_path):
    with Ledger(tmp_path / "spc.db") as store:
        yield store


@pytest.fixture
def readings():
    def make(count, first=1):
        return [
            Entry(
                "reading", part, str(part), part * 60_000_000, "seat", part % 7 - 3.0,
                25.0 + (part % 7 - 3) / 1000, 4, 0, text=f"25.{part % 7:04d}",
            )
            for part in range(first, first + count)
        ]  # fmt: skip

    return make
