"""The bytes of a file as text: encoding, line ends, and what is no text at all."""

import hashlib
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from spc.errors import PlanError, UnreadableRun

# First bytes of files that are no text, with what they are.
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
_OTHERS = (
    b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"\x1f\x8b", b"BZh", b"7z\xbc\xaf", b"SQLite f",
    b"PAR1", b"Rar!",
)  # fmt: skip
# The longer mark first: the mark of UTF-32 begins with that of UTF-16.
_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32-le"),
    (b"\x00\x00\xfe\xff", "utf-32-be"),
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
# A share of control characters that no export has; a few come from bar codes. Own choice.
_MOST_CONTROLS = 0.02
_CONTROLS = bytes(c for c in range(1, 32) if c not in (9, 10, 11, 12, 13, 26))

#: Stands for a character cut in two at the very end of a file that is still being written.
CUT_OFF = "\ufffd"

Given = str | os.PathLike[str]


@dataclass(frozen=True, eq=False)
class Text:
    """A file as UTF-8 bytes whose lines end in one line feed."""

    name: str
    data: bytes
    encoding: str
    line_end: str
    finished: bool
    sha256: str


def read_text(given: Given, *, code_page: str) -> Text:
    """
    The text of one file; ``-`` stands for standard input.

    Raises
    ------
    UnreadableRun
        For a file that cannot be opened, is empty, is a workbook or is not text.
    """
    name = os.fspath(given)
    return text_of(name, content_of(name), code_page=code_page)


def text_of(name: str, content: bytes, *, code_page: str) -> Text:
    """The text in the bytes of a file; `name` names it in errors."""
    if not content:
        raise UnreadableRun(f"{name}: the file is empty; export it again")
    sha256 = hashlib.sha256(content).hexdigest()
    _refuse_binaries(name, content)
    encoding, data = _as_utf8(name, content, code_page)
    line_end = "\r\n" if b"\r\n" in data else "\r" if b"\r" in data else "\n"
    if line_end != "\n":
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    # Ctrl-Z marks the end of the text in files of old systems; power lost while writing leaves
    # zeros there.
    if data.endswith((b"\x1a", b"\x00")):
        data = data.rstrip(b"\x00\x1a")
    if b"\x00" in data:
        raise _no_text(name)
    if _nothing(data[:4096]) and _nothing(data):
        raise UnreadableRun(f"{name}: the file is empty but for blank lines; export it again")
    return Text(name, data, encoding, line_end, data.endswith(b"\n"), sha256)


def _nothing(data: bytes) -> bool:
    return not data.decode("utf-8", "ignore").strip("\ufeff \t\n\x0b\x0c\xa0")


def content_of(name: str) -> bytes:
    """The bytes of a file; ``-`` stands for standard input."""
    try:
        content = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise UnreadableRun(f"{name}: the file cannot be opened ({why})") from None
    return content


def _refuse_binaries(name: str, content: bytes) -> None:
    head = content[:512].lstrip(b"\xef\xbb\xbf \r\n\t").lower()
    if content.startswith(_WORKBOOKS) or b"urn:schemas-microsoft-com:office" in head:
        raise UnreadableRun(
            f"{name}: this is a workbook, not a text file; save the sheet as CSV"
            " or give it the ending .xlsx"
        )
    if content.startswith(_OTHERS):
        raise UnreadableRun(f"{name}: this is not text but another kind of file; export it as CSV")


def _no_text(name: str) -> UnreadableRun:
    return UnreadableRun(f"{name}: this is not text: it holds control characters; export it as CSV")


def _as_utf8(name: str, content: bytes, code_page: str) -> tuple[str, bytes]:
    """The encoding found, and the text in UTF-8."""
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            return encoding, _strictly(name, content[len(mark) :], encoding).encode()
    wide = _unmarked_utf16(content)
    if wide:
        return wide, _strictly(name, content, wide).encode()
    head = content[:65_536]
    if len(head) - len(head.translate(None, _CONTROLS)) > _MOST_CONTROLS * len(head):
        raise _no_text(name)
    if content.isascii():
        return "utf-8", content
    try:
        return "utf-8", _utf8(content).encode()
    except UnicodeDecodeError:
        pass
    try:
        return code_page, content.decode(code_page).encode("utf-8", "replace")
    except LookupError:
        raise PlanError(
            f"reading, code_page = {code_page!r} is not an encoding known here; such as 'cp1252'"
        ) from None
    except UnicodeError as error:
        place = getattr(error, "start", 0)
        raise UnreadableRun(
            f"{name}: this is not text in UTF-8 or {code_page}: byte {content[place]:#04x} at"
            f" position {place} has no meaning there; name the code_page in the plan"
        ) from None


def _utf8(content: bytes) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        # A character cut at the very end: the file is still being written.
        if error.reason == "unexpected end of data" and error.end == len(content):
            return content[: error.start].decode("utf-8") + CUT_OFF
        raise


def _strictly(name: str, content: bytes, encoding: str) -> str:
    try:
        if encoding == "utf-8":
            return _utf8(content)
        width = int(encoding[4:6]) // 8
        cut = len(content) % width
        return content[: len(content) - cut].decode(encoding) + (CUT_OFF if cut else "")
    except UnicodeDecodeError as error:
        raise UnreadableRun(
            f"{name}: this is not text in {encoding.upper()}, as its first bytes say:"
            f" position {error.start} cannot be read; export it again"
        ) from None


def _unmarked_utf16(content: bytes) -> str | None:
    head = content[:2000]
    half = len(head) // 2
    if half < 4 or b"\x00" not in head:
        return None
    # Latin letters and digits have a zero in every second byte.
    if head[1::2].count(0) > 0.7 * half and head[::2].count(0) == 0:
        return "utf-16-le"
    if head[::2].count(0) > 0.7 * half and head[1::2].count(0) == 0:
        return "utf-16-be"
    return None
