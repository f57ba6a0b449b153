"""
Where the program ``spc`` begins, and how errors become one line and an exit status.

What it needs to be interrupted is loaded here, everything else once that stands.
"""

import contextlib
import os
import signal
import sys

#: Exit status of a fault of the program itself; 1 is kept for "act now".
FAULT = 5
#: Exit status of what was interrupted, as shells count it: 128 + SIGINT.
INTERRUPTED = 130


def main() -> None:
    """
    Run the command line.

    Exit status: 0 done, 1 act now (with ``--check`` only), 2 wrong usage or plan, 3 a file
    refused whole, 4 store busy or read-only, 5 a fault of the program, 130 interrupted.
    """
    # Where interrupts are ignored, such as under nohup, they stay so.
    heeds = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if heeds:
        # Nothing is begun while libraries load, and an exception may be lost within them.
        signal.signal(signal.SIGINT, lambda _number, _frame: os._exit(INTERRUPTED))
    _open_what_is_closed()
    _begin_lightly()
    from spc.cli.commands import app
    from spc.errors import SpcError

    if heeds:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except SpcError as error:
        _tell(f"spc: {error}")
        sys.exit(error.exit_status)
    except OSError as error:
        place = error.filename or "standard output"
        _tell(f"spc: {place}: cannot be used ({error.strerror or error})")
        sys.exit(4)
    except Exception:
        import traceback

        traceback.print_exc()
        _tell("spc: a fault of the program, not of your data; what was confirmed is stored")
        sys.exit(FAULT)


def _tell(words: str) -> None:
    import typer

    typer.echo(words, err=True)


def _open_what_is_closed() -> None:
    """Have every standard stream: a file opened later would else take a closed one's number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115 - it stays open


def _begin_lightly() -> None:
    """Set what only counts before libraries load."""
    import atexit
    import gc

    from spc.cli.late import load_late

    # Loading libraries makes many objects and no garbage: looking for some, on the way in and at
    # the end, took a quarter of one entry at the machine.
    gc.set_threshold(200_000)
    atexit.register(gc.freeze)
    # Matrices here are small: threads for them cost a tenth of a report and bring nothing.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Nor do plugins for pydantic: looking for some reads the papers of every installed package.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    load_late()
    # A reader that goes away (such as `| head`) ends the program the usual way, not with 1.
    with contextlib.suppress(AttributeError, ValueError):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
