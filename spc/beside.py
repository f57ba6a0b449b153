"""Work done in a copy of this process, on another core, while this one goes on."""

import contextlib
import ctypes
import os
import pickle
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, TypeVar

Result = TypeVar("Result")

#: The request to be killed with one's parent, of Linux's prctl.
_DIE_WITH_PARENT = 1


def can_part() -> bool:
    """
    Whether a copy of this process may be made and has a core to run on.

    Only Linux copies a process so that libraries keep working in the copy, and only where no other
    thread, of Python or of a library, may hold a lock at that moment. A process that ignores the
    end of its children cannot wait for one.
    """
    if sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2:
        return False
    if signal.getsignal(signal.SIGCHLD) is signal.SIG_IGN:
        return False
    threads = Path("/proc/self/task")
    return threads.is_dir() and len(list(threads.iterdir())) == 1


@contextlib.contextmanager
def beside(work: Callable[[], Result]) -> Iterator[Callable[[], Result]]:
    """
    Begin `work` in a copy of this process; what is entered waits for its result.

    Whatever goes wrong in the copy or in making it, the work is done here when its result is asked
    for: nothing hangs on the copy but time, and errors come as they would without it. Leaving ends
    the copy, and so does the end of this process.

    Parameters
    ----------
    work : callable
        Without arguments; changes nothing but what it returns, which can be pickled.

    Examples
    --------
    >>> with beside(lambda: 6 * 7) as answer:
    ...     answer()
    42
    """
    begun = _begun(work) if can_part() else None
    if begun is None:
        yield work
        return
    copy, told = begun
    try:
        with told:
            yield lambda: _heard(told.read(), work)
    finally:
        # It has said all it had to say, or nobody listens any more.
        os.kill(copy, signal.SIGKILL)
        os.waitpid(copy, 0)


def _begun(work: Callable[[], object]) -> tuple[int, BinaryIO] | None:
    """The copy and what it will tell; None where the system has no room for it."""
    try:
        reading, writing = os.pipe()
    except OSError:
        return None
    here = os.getpid()
    try:
        copy = os.fork()
    except OSError:
        os.close(reading)
        os.close(writing)
        return None
    if copy == 0:
        _work_and_end(work, reading, writing, here)
    os.close(writing)
    return copy, os.fdopen(reading, "rb")


def _work_and_end(work: Callable[[], object], reading: int, writing: int, parent: int) -> None:
    """The copy's whole life. It ends without tidying up: what is open belongs to the other."""
    try:
        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
        os.close(reading)
        if os.getppid() == parent:
            answer = pickle.dumps(work(), pickle.HIGHEST_PROTOCOL)
            with os.fdopen(writing, "wb") as told:
                told.write(answer)
    finally:
        os._exit(0)


def _heard(answer: bytes, work: Callable[[], Result]) -> Result:
    """What the copy told; where it told nothing, or not all, the work is done here."""
    try:
        made: Result = pickle.loads(answer)
    except (EOFError, pickle.UnpicklingError):
        return work()
    return made
