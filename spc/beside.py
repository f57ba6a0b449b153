"""Work done in a copy of this process, on another core, while this one goes on."""

import contextlib
import os
import pickle
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

Result = TypeVar("Result")


def can_part() -> bool:
    """
    Whether a copy of this process may be made and has a core to run on.

    Only Linux copies a process so that libraries keep working in the copy, and only where no other
    thread, of Python or of a library, may hold a lock at that moment.
    """
    if sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2:
        return False
    threads = Path("/proc/self/task")
    return threads.is_dir() and len(list(threads.iterdir())) == 1


def begun(work: Callable[[], Result]) -> Callable[[], Result]:
    """
    Begin `work` in a copy of this process; what comes back waits for its result.

    Whatever goes wrong in the copy, the work is done here when its result is asked for: nothing
    hangs on the copy but time, and errors come as they would without it.

    Parameters
    ----------
    work : callable
        Without arguments; changes nothing but what it returns, which can be pickled.

    Examples
    --------
    >>> waited = begun(lambda: 6 * 7)
    >>> waited()
    42
    """
    if not can_part():
        return work
    reading, writing = os.pipe()
    copy = os.fork()
    if copy == 0:
        _work_and_end(work, reading, writing)
    os.close(writing)

    def result() -> Result:
        try:
            with os.fdopen(reading, "rb") as told:
                answer = told.read()
        except BaseException:
            with contextlib.suppress(ProcessLookupError):
                os.kill(copy, signal.SIGKILL)
            os.waitpid(copy, 0)
            raise
        _, status = os.waitpid(copy, 0)
        if status:
            return work()
        made: Result = pickle.loads(answer)
        return made

    return result


def _work_and_end(work: Callable[[], object], reading: int, writing: int) -> None:
    """The copy's whole life. It ends without tidying up: what is open belongs to the other."""
    status = 1
    try:
        os.close(reading)
        answer = pickle.dumps(work(), pickle.HIGHEST_PROTOCOL)
        with os.fdopen(writing, "wb") as told:
            told.write(answer)
        status = 0
    finally:
        os._exit(status)
