"""What commands say beside their data: messages on standard error, paths on standard output, colour, progress.

May import `ingest.pace` for its type alone.
"""

from __future__ import annotations

import os
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

import typer

if TYPE_CHECKING:
    from repermit.ingest.pace import Pace

SOON_S = 2.0
"""What takes less needs no word on its pace."""
EVERY_S = 0.5
_drawn = threading.Lock()
_line = [0]
"""The width of the line of progress that stands on the terminal now."""


def say(text: str, lead: str = "") -> None:
    """Progress and messages go to standard error; `lead` is what kind of message it is, such as error.

    On a terminal they are wrapped at its width; elsewhere each stays one line.
    """
    first = f"{lead}: " if lead else ""
    lines = wrapped(first + shown(text), _columns())[len(first) :]
    with _drawn:
        _wipe()
        typer.echo((f"{styled(lead, sys.stderr, fg='red', bold=True)}: " if lead else "") + lines, err=True)


def wrapped(text: str, columns: int | None, indent: str = "  ") -> str:
    """The text with its lines broken at the ends of words, each rest indented; words that are longer stay whole."""
    if columns is None:
        return text
    return "\n".join(
        textwrap.fill(
            line.lstrip(" "),
            columns,
            initial_indent=(lead := line[: len(line) - len(line.lstrip(" "))]),
            subsequent_indent=lead + indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
        for line in text.split("\n")
    )


def _columns() -> int | None:
    """How wide the terminal of standard error is; None where it is none."""
    if not sys.stderr.isatty():
        return None
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or 80
    except OSError:
        return 80


def tell(what: object) -> None:
    """A line of data, such as a path, for standard output."""
    typer.echo(shown(str(what)))


def styled(text: str, stream: TextIO, **style: Any) -> str:
    """The text in colour or bold where the stream is a terminal and nobody asked for none (NO_COLOR)."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not stream.isatty()
    return text if plain else typer.style(text, **style)


def shown(text: str) -> str:
    """Text for a terminal: what it would act on, or what turns text around, is replaced."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)


@contextmanager
def watched(pace: Pace) -> Iterator[None]:
    """While work is done, one line on a terminal says how far it is; once it is done, how fast it was. Else nothing."""
    if not sys.stderr.isatty():
        yield
        return
    began, over = time.monotonic(), threading.Event()

    def look() -> None:
        while not over.wait(EVERY_S):
            if (spent := time.monotonic() - began) >= SOON_S:
                with _drawn:
                    _wipe()
                    text = pace_words(pace.size, pace.done(), spent)[: (_columns() or 80) - 1]
                    typer.echo(text + "\r", err=True, nl=False)
                    _line[0] = len(text)

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        with _drawn:
            _wipe()
    if (spent := time.monotonic() - began) >= SOON_S:
        say(f"read {pace.size / 1e6:,.0f} MB in {spent:,.0f} s, {pace.size / 1e6 / spent:,.1f} MB a second")


def countdown(every: int) -> Callable[[], str]:
    """Told at the beginning of each of so many steps; says on a terminal, once it lasts, which it is and what is left."""
    began, done = time.monotonic(), iter(range(every))

    def step() -> str:
        before, spent = next(done), time.monotonic() - began
        if not sys.stderr.isatty() or not before or spent < SOON_S:
            return ""
        return f" ({before + 1} of {every}, about {spent * (every - before) / before:,.0f} s left)"

    return step


def _wipe() -> None:
    if _line[0]:
        typer.echo(" " * _line[0] + "\r", err=True, nl=False)
        _line[0] = 0


def pace_words(size: int, done: float, spent_s: float) -> str:
    """How much of so many bytes is done, bytes a second, and the seconds that the rest will take at that pace."""
    if not 0 < done < 1:
        return f"  {spent_s:,.0f} s so far"
    rate, left = size * done / spent_s / 1e6, spent_s * (1 - done) / done
    return f"  {int(done * 100)} % of {size / 1e6:,.0f} MB, {rate:,.1f} MB a second, about {left:,.0f} s left"
