"""The options that commands share, the clock, and the way a store is opened for a question."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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


def say(text: str) -> None:
    """Progress and messages go to standard error."""
    typer.echo(shown(text), err=True)


def tell(what: object) -> None:
    """A line of data, such as a path, for standard output."""
    typer.echo(shown(str(what)))


def shown(text: str) -> str:
    """Text for a terminal: what it would act on, or what turns text around, is replaced."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)
