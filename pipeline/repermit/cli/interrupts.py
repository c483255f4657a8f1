"""What Ctrl-C does: the first is told to what is at work, which puts in order what it holds; a later one ends all at once.

Imports nothing that takes time, as it is wanted before all else.
"""

from __future__ import annotations

import _thread
import os
import signal
import sys
import time

from repermit.errors import INTERRUPTED

TYPE_CHECKING = False  # that of `typing` takes longer to read than all of this
if TYPE_CHECKING:
    from sys import UnraisableHookArgs
    from types import FrameType

ONCE_S = 1.0
"""One so soon after another is the same, told by two: the terminal, and who started the program."""
AGAIN_S = 0.01
"""So often the first comes again, until all has ended."""
READS = "<frozen importlib._bootstrap>"
"""The code in which Python reads a library."""

_first: list[float] = []
_again: list[None] = []


def await_them() -> None:
    """From now on. Not where who started the program wants none, as for work in the background."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt)
        sys.unraisablehook = _tell_unraisable


def came() -> bool:
    """Whether there was one. Libraries make another error of it, or of what it broke."""
    return bool(_first)


def _interrupt(_: int, frame: FrameType | None) -> None:
    if not _first:
        _first.append(time.monotonic())
        _thread.start_new_thread(_insist, ())
    elif _again:
        _again.clear()
        if sys.exc_info()[0] is not None:  # something is put in order
            return
    else:
        if time.monotonic() > _first[0] + ONCE_S:
            os._exit(INTERRUPTED)
        return
    if not _reads_a_library(frame):
        raise KeyboardInterrupt


def _insist() -> None:
    """Some drop it: libraries that catch all, and Python itself while it frees an object."""
    while True:
        time.sleep(AGAIN_S)
        _again.append(None)
        _thread.interrupt_main()


def _reads_a_library(frame: FrameType | None) -> bool:
    """One that is read in part may end the process, or leave the lock of all imports held: it comes again soon."""
    while frame and frame.f_code.co_filename != READS:
        frame = frame.f_back
    return frame is not None


def _tell_unraisable(told: UnraisableHookArgs) -> None:
    if not issubclass(told.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(told)
