"""The options that commands share, the clock, and the way a store is opened for a question."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer

if TYPE_CHECKING:
    from repermit.warehouse import Connection


class Format(StrEnum):
    """How a result is written."""

    table = "table"
    json = "json"
    csv = "csv"


Store = Annotated[
    Path,
    typer.Option("--store", envvar="REPERMIT_STORE", help="The store, a DuckDB file.", show_default=True),
]
Wait = Annotated[float, typer.Option("--wait", help="Seconds to wait for a store that is in use.", min=0.0)]
From = Annotated[str | None, typer.Option("--from", help="First day, YYYY-MM-DD.")]
To = Annotated[str | None, typer.Option("--to", help="The day after the last, YYYY-MM-DD.")]
Month = Annotated[str | None, typer.Option("--month", help="One month, YYYY-MM.")]
Fleet = Annotated[str | None, typer.Option("--fleet", help="Only this fleet.")]
System = Annotated[str | None, typer.Option("--system", help="Only five_wire or two_wire.")]
Terminal = Annotated[
    str | None, typer.Option("--terminal", help="Only this terminal (loads only; days are not known).")
]
Shop = Annotated[str | None, typer.Option("--shop", help="Only trailers of this home shop.")]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of", help="As known then: an ingest, or a day, YYYY-MM-DD: all received before its end (UTC)."
    ),
]
As = Annotated[Format, typer.Option("--format", help="How to write the result.")]

SOON_S = 2.0
"""What takes less needs no word on its pace."""
DEFAULT_STORE = Path("repermit.duckdb")


def now() -> datetime:
    """The clock of the program."""
    return datetime.now(UTC)


@contextmanager
def asking(store: Path, wait_s: float, as_of: str | None = None) -> Iterator[Connection]:
    """The store, open for questions; as it was known then, where `as_of` says when."""
    if as_of is None:
        from repermit.warehouse import opened

        with opened(store, wait_s=wait_s) as con:
            yield con
    else:
        from repermit.as_of import known

        with known(store, as_of, wait_s=wait_s) as con:
            yield con


def say(text: str, lead: str = "") -> None:
    """Progress and messages go to standard error; `lead` is what kind of message it is, such as error."""
    typer.echo((f"{styled(lead, sys.stderr, fg='red', bold=True)}: " if lead else "") + shown(text), err=True)


def styled(text: str, stream: TextIO, **style: Any) -> str:
    """The text in colour or bold where the stream is a terminal and nobody asked for none (NO_COLOR)."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not stream.isatty()
    return text if plain else typer.style(text, **style)


def tell(what: object) -> None:
    """A line of data, such as a path, for standard output."""
    typer.echo(shown(str(what)))


def pace() -> Callable[[int, int, int], None]:
    """Says on a terminal how fast rows are read and how long the rest will take, once it lasts; else nothing."""
    began = time.monotonic()

    def tell(rows: int, done: int, every: int) -> None:
        spent = time.monotonic() - began
        if sys.stderr.isatty() and spent >= SOON_S:
            say(f"  {pace_words(rows, done, every, spent)}")

    return tell


def pace_words(rows: int, done: int, every: int, spent_s: float) -> str:
    """Rows, rows a second, and the seconds that the bytes to come will take at the pace of those read."""
    left = f", about {spent_s * (every - done) / done:,.0f} s left" if 0 < done < every else ""
    return f"{rows:,} rows in {spent_s:,.0f} s, {rows / spent_s:,.0f} rows a second{left}"


def shown(text: str) -> str:
    """Text for a terminal: what it would act on, or what turns text around, is replaced."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)
