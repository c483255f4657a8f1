"""What Ctrl-C does: the first is told to what is at work, which puts in order what it holds; a later one ends all at once.

Imports nothing that takes time, as it is wanted before all else.
"""

from __future__ import annotations

import _thread
import os
import signal
import sys
import time
from typing import TYPE_CHECKING, Any

from repermit.errors import INTERRUPTED

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

ONCE_S = 1.0
"""One so soon after another is the same, told by two: the terminal, and who started the program."""
AGAIN_S = 0.01
"""So soon one comes again that nobody heard."""

_first: list[float] = []


def await_them() -> None:
    """From now on. Not where who started the program wants none, as for work in the background."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt)
        sys.unraisablehook = _unheard


def came() -> bool:
    """Whether there was one. Libraries make another error of it, or of what it broke."""
    return bool(_first)


def _interrupt(*_: Any) -> None:
    if not _first:
        _first.append(time.monotonic())
        raise KeyboardInterrupt
    if time.monotonic() > _first[0] + ONCE_S:
        os._exit(INTERRUPTED)


def _unheard(told: UnraisableHookArgs) -> None:
    """Where Python can raise nothing, as while it frees an object, it drops what was raised: an interrupt comes again."""
    if issubclass(told.exc_type, KeyboardInterrupt):
        _thread.start_new_thread(_again, ())
    else:
        sys.__unraisablehook__(told)


def _again() -> None:
    time.sleep(AGAIN_S)
    _first.clear()
    _thread.interrupt_main()
