"""Where the program starts, as `repermit` and as `python -m repermit`. Ctrl-C ends it plainly at any moment.

May import `errors`, and `cli` once interrupts are waited for.
"""

from __future__ import annotations

import gc
import os
import signal
import sys

from repermit.cli import interrupts
from repermit.errors import INTERRUPTED, NOT_READ

SAID = "interrupted: the store is as it was before the command, or as it is after; never in between"


def start() -> None:
    """Run the program and leave with its exit code.

    After an interrupt nothing is waited for: no other thread, and nothing more is imported.
    """
    code: str | int | None = None
    try:
        interrupts.await_them()
        _open_streams()
        from repermit.cli.main import run

        run()
    except BaseException as ended:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # all is done
        if isinstance(ended, SystemExit):
            code = ended.code
        elif isinstance(ended, OSError):  # whoever was to be told of an error has gone
            code = NOT_READ
        elif interrupts.came():
            code = INTERRUPTED
        else:
            raise
    if code and interrupts.came():
        try:  # noqa: SIM105 -- nothing is imported any more
            print(SAID, file=sys.stderr, flush=True)
        except OSError:
            pass
        os._exit(INTERRUPTED)
    gc.freeze()  # all that stands is freed with the process, and not looked through before
    sys.exit(code)


def _open_streams() -> None:
    """In place of a stream that is closed stands nothing: else the next file opened, such as the store, would take it."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115


if __name__ == "__main__":
    start()
