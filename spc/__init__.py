"""
Keeps ground diameters on size, shift after shift.

The map, from the ground up (a file imports only from floors below it):

floor 0  errors, units                   what can go wrong; written numbers and their units
floor 1  run, sigma, fits                the shared noun; spread; limits of size
floor 2  charts, capability, gauge       one question each
floor 3  wheel, plan                     the next act; what the job asks for
floor 4  study                           the main flow: ``examine(run, plan) -> Study``
floor 5  intake, report, simulate        files, pages, invented runs
floor 7  cli                             commands named by occasion
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_ADDRESSES = {
    "Run": "spc.run",
    "SpcError": "spc.errors",
    "Study": "spc.study",
    "advisor_for": "spc.study",
    "examine": "spc.study",
    "load_plan": "spc.plan",
    "read_run": "spc.intake",
}
__all__ = [  # noqa: PLE0604, RUF100 - names are resolved on first use, so that importing spc stays light
    "Run",
    "SpcError",
    "Study",
    "__version__",
    "advisor_for",
    "examine",
    "load_plan",
    "read_run",
]


def __getattr__(name: str) -> Any:
    if name in _ADDRESSES:
        return getattr(import_module(_ADDRESSES[name]), name)
    raise AttributeError(f"module 'spc' has no attribute {name!r}")
