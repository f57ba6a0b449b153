"""Templates kept compiled, where Python keeps its compiled modules."""

import sys
from importlib.machinery import SourceFileLoader
from importlib.util import cache_from_source
from pathlib import Path

from jinja2 import BytecodeCache, compiler
from jinja2.bccache import Bucket


class CompiledTemplates(BytecodeCache):
    """
    What Jinja makes of each template, in ``__pycache__`` beside it.

    Compiling them took a twentieth of a report. Kept under the rules for modules: nothing is
    written where Python was told to write none or cannot, and what does not belong to this very
    source, Python and Jinja, or cannot be read, is compiled anew.

    Parameters
    ----------
    options : str
        What else decides how a template compiles: the options of the environment.

    Examples
    --------
    >>> CompiledTemplates("").get_cache_key("page", "/pages/page.html.j2").startswith("/pages/")
    True
    """

    def __init__(self, options: str) -> None:
        files = [file.stat() for file in sorted(Path(compiler.__file__).parent.glob("*.py"))]
        self._made = f"{[(one.st_mtime_ns, one.st_size) for one in files]} {options}"

    def get_cache_key(self, name: str, filename: str | None = None) -> str:
        """Where the compiled template stands."""
        return str(Path(cache_from_source(filename or name)).with_suffix(".j2c"))

    def get_source_checksum(self, source: str) -> str:
        """What the compiled template must have been made of, and by."""
        return f"{super().get_source_checksum(source)} {self._made}"

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take the compiled template, when one is there for this very source."""
        try:
            bucket.bytecode_from_string(Path(bucket.key).read_bytes())
        except Exception:  # a damaged file may end in anything, and is only made anew
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep the compiled template for the next start, if that can be."""
        if not sys.dont_write_bytecode:
            # Makes the folder, never leaves half a file, and lets a read-only place be.
            SourceFileLoader("", "").set_data(bucket.key, bucket.bytecode_to_string())
