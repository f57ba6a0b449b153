"""
Modules that libraries name and nothing here uses, loaded when something is asked of them.

SciPy's special functions copy every name of NumPy on their way in, with it a compiler for Fortran
and the tools of its own tests. Loading those took a third of loading the special functions.
"""

import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType

#: Modules that are named and not used.
NAMED_ONLY = frozenset({"numpy.f2py", "numpy.testing"})


class _Late(MetaPathFinder):
    """Finds these modules as ever, and has them loaded when something is asked of them."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname not in NAMED_ONLY:
            return None
        found = PathFinder.find_spec(fullname, path, target)
        if found is not None and found.loader is not None:
            found.loader = LazyLoader(found.loader)
        return found


def load_late() -> None:
    """Have `NAMED_ONLY` loaded late in this process, from here on."""
    if not any(isinstance(finder, _Late) for finder in sys.meta_path):
        sys.meta_path.insert(0, _Late())
