"""Where the program starts, as `repermit` and as `python -m repermit`. Ctrl-C ends it plainly at any moment.

May import `errors`, and `cli` once interrupts are waited for.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from contextlib import suppress
from typing import Any

from repermit.cli import interrupts
from repermit.errors import INTERRUPTED, NOT_READ

SAID = "interrupted: the store is as it was before the command, or as it is after; never in between"


def start() -> None:
    """Run the program and leave with its exit code.

    After an interrupt nothing is waited for: a thread that reads a library may stand for ever, as the interrupt may have
    left the lock of all imports held.
    """
    code: Any = None
    try:
        interrupts.await_them()
        _open_streams()
        from repermit.cli.main import run

        run()
    except SystemExit as ended:
        code = ended.code
    except OSError:  # whoever was to be told of an error has gone
        code = NOT_READ
    except BaseException:
        if not interrupts.came():
            raise
        code = INTERRUPTED
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # all is done
    if code and interrupts.came():
        with suppress(OSError):
            print(SAID, file=sys.stderr, flush=True)
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
