"""What Ctrl-C does: the first is told to what is at work, which puts in order what it holds; a later one ends all at once.

Imports nothing that takes time, as it is wanted before all else.
"""

from __future__ import annotations

import os
import signal
import time
from typing import Any

from repermit.errors import INTERRUPTED

ONCE_S = 1.0
"""One so soon after another is the same, told by two: the terminal, and who started the program."""

_first: list[float] = []


def await_them() -> None:
    """From now on. Not where who started the program wants none, as for work in the background."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt)


def came() -> bool:
    """Whether there was one. Libraries make another error of it, or of what it broke."""
    return bool(_first)


def _interrupt(*_: Any) -> None:
    if not _first:
        _first.append(time.monotonic())
        raise KeyboardInterrupt
    if time.monotonic() > _first[0] + ONCE_S:
        os._exit(INTERRUPTED)
