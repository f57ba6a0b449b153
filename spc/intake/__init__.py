"""Measurement files and what they say: every cell is taken, refused with a reason, or counted."""

from importlib import import_module
from typing import Any

_ADDRESSES = {
    "draft_plan": "spc.intake.draft",
    "load_understanding": "spc.intake.table_schema",
    "preview": "spc.intake.first_look",
    "read_run": "spc.intake.reading",
    "save_understanding": "spc.intake.table_schema",
    "write_rejects": "spc.intake.csvw",
    "write_sidecar": "spc.intake.csvw",
    "write_table": "spc.intake.csvw",
}
__all__ = [  # noqa: PLE0604, RUF100 - resolved on first use, so that importing stays light
    "draft_plan",
    "load_understanding",
    "preview",
    "read_run",
    "save_understanding",
    "write_rejects",
    "write_sidecar",
    "write_table",
]


def __getattr__(name: str) -> Any:
    if name in _ADDRESSES:
        return getattr(import_module(_ADDRESSES[name]), name)
    raise AttributeError(f"module 'spc.intake' has no attribute {name!r}")
