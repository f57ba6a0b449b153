"""Measurement files and what they say: every cell is taken, refused with a reason, or counted."""

from importlib import import_module
from typing import Any

_ADDRESSES = {
    "read_run": "spc.intake.reading",
}
__all__ = ["read_run"]  # noqa: PLE0604, RUF100 - resolved on first use, so that importing stays light


def __getattr__(name: str) -> Any:
    if name in _ADDRESSES:
        return getattr(import_module(_ADDRESSES[name]), name)
    raise AttributeError(f"module 'spc.intake' has no attribute {name!r}")
