"""A process beside this one, which does in turn what it is given.

Ctrl-C is for this one alone: the other never sees it. It ends when this one has ended, however that came; where it is ended
from outside itself, all that it was given fails with a plain error.
"""

from __future__ import annotations

import os
import pickle
import sys
from contextlib import suppress
from functools import cache
from typing import IO, TYPE_CHECKING, Any, ParamSpec, TypeVar

from repermit.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future, ThreadPoolExecutor
    from queue import SimpleQueue
    from subprocess import Popen

Given = ParamSpec("Given")
Gives = TypeVar("Gives")


def beside(what: Callable[Given, Gives], *args: Given.args, **kwargs: Given.kwargs) -> Future[Gives]:
    """Do something in that process, after what it was given before."""
    return _turns().submit(_there, what, args, kwargs)


@cache
def _turns() -> ThreadPoolExecutor:
    """The thread that gives it one thing after another, and waits."""
    from concurrent.futures import ThreadPoolExecutor

    return ThreadPoolExecutor(1)


def _there(what: Callable[..., Gives], args: Any, kwargs: Any) -> Gives:
    process = _process()
    assert process.stdin and process.stdout
    try:
        _put((what, args, kwargs), process.stdin)
        failed, answer = pickle.load(process.stdout)
    except (EOFError, OSError, pickle.UnpicklingError) as error:
        raise StoreError(
            f"the process that draws the pages was ended from outside (code {process.wait()})",
            hint="Where memory is short the system does that: free some, or give REPERMIT_MEMORY less, and run it again.",
        ) from error
    if failed:
        raise answer
    gives: Gives = answer
    return gives


def _put(what: Any, pipe: IO[bytes]) -> None:
    pipe.write(pickle.dumps(what, pickle.HIGHEST_PROTOCOL))  # whole, or nothing where it can't be pickled
    pipe.flush()


@cache
def _process() -> Popen[bytes]:
    """In a group of its own, as a terminal's interrupt goes to all of one."""
    import atexit
    from subprocess import PIPE, Popen

    code = f"import sys; sys.path[:] = {sys.path!r}; from repermit.cli.beside import work; work()"
    process = Popen([sys.executable, "-c", code], stdin=PIPE, stdout=PIPE, process_group=0)
    atexit.register(_end, process)
    return process


def _end(process: Popen[bytes]) -> None:
    assert process.stdin and process.stdout
    with suppress(OSError):
        process.stdin.close()
    process.wait()
    process.stdout.close()


def work() -> None:
    """What that process does. What it prints goes to standard error."""
    from queue import SimpleQueue
    from threading import Thread

    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    given: SimpleQueue[Any] = SimpleQueue()
    Thread(target=_read, args=(given,), daemon=True).start()
    with suppress(BrokenPipeError):
        while True:
            what, args, kwargs = given.get()
            try:
                _put((False, what(*args, **kwargs)), answers)
            except Exception as error:
                _put((True, error), answers)
    os._exit(0)


def _read(given: SimpleQueue[Any]) -> None:
    with suppress(EOFError, pickle.UnpicklingError):
        while True:
            given.put(pickle.load(sys.stdin.buffer))
    os._exit(0)  # nobody waits any more for what is at work
