"""The exceptions a user can meet and the exit code each one ends the program with.

Every one says what failed, where, why and what to try. May import nothing of the package.
"""

from __future__ import annotations

OURS = 70
"""Exit code of a defect in repermit itself (`EX_SOFTWARE` of BSD's sysexits.h)."""
INTERRUPTED = 130
NOT_READ = 141
"""Exit codes after Ctrl-C, and after whoever read the output has gone, as shells have them."""


class RepermitError(Exception):
    """Base of all errors that are told to the user without a traceback.

    `hint` is one sentence on what to try; `exit_code` is what the program returns.
    """

    exit_code = OURS

    def __init__(self, what: str, *, hint: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.what}\n  {self.hint}" if self.hint else self.what


class DataError(RepermitError):
    """A file cannot be read as data, or a blocking expectation failed."""

    exit_code = 1


class CallError(RepermitError):
    """The call itself is wrong: a path, a fleet, a month that is not there."""

    exit_code = 2


class StoreError(RepermitError):
    """The store or the disk under it: locked, not a store, read-only, full."""

    exit_code = 3
