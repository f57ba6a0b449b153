"""What a user can put right: every refusal of the program is an `SpcError`."""


class SpcError(Exception):
    """
    A refusal with its cure.

    The message says where, what was seen and what would be right; `exit_status`
    is what the command line returns for it.
    """

    exit_status = 2


class PlanError(SpcError):
    """A plan file that cannot be used as written."""


class UnreadableRun(SpcError):
    """A measurement file refused whole; single bad cells are rejects, not errors."""

    exit_status = 3


class BadQuantity(SpcError):
    """A written number or unit that cannot be read."""


class BadRecord(SpcError):
    """Something told to the adviser that cannot be true; its state is unchanged."""


class NotEnough(SpcError):
    """Too little data to answer at all."""


class StoreBusy(SpcError):
    """A store or folder that is busy, full or read-only."""

    exit_status = 4
