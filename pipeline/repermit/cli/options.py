"""The options that commands share, the clock, and the way a store is opened for a question."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from repermit.cli.talk import say

if TYPE_CHECKING:
    from repermit.studies.selection import Selection, Window
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


def warn_off_record(con: Connection, window: Window) -> None:
    """Say so where the records cover no day of the window."""
    from repermit.studies.selection import covered, on_record

    if not on_record(con, window):
        where = covered(con)
        say(
            f"no record covers {window}: that nothing is seen there means nothing"
            + (f"; the records cover {where}" if where else "")
        )


@dataclass(frozen=True)
class Asked:
    """The options of a question: of which store, of which records, as known when, and how the answer is written."""

    store: Store = DEFAULT_STORE
    first: From = None
    end: To = None
    month: Month = None
    fleet: Fleet = None
    system: System = None
    terminal: Terminal = None
    shop: Shop = None
    as_of: AsOf = None
    form: As = Format.table
    wait: Wait = 0.0

    def opened(self) -> AbstractContextManager[Connection]:
        """The store, open for the question."""
        return asking(self.store, self.wait, self.as_of)

    def select(self, con: Connection) -> Selection:
        """The records asked about."""
        from repermit.studies.selection import select

        return select(con, **{name: getattr(self, name) for name in SELECTING})


SELECTING = ("first", "end", "month", "fleet", "system", "terminal", "shop")


def question(
    selecting: Sequence[str] = SELECTING,
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Makes a function of an `Asked` and of options of its own a command with the options of both, its own first.

    `selecting`: those of the options that select records which it has.
    """

    def made(command: Callable[..., None]) -> Callable[..., None]:
        _, *own = inspect.signature(command, eval_str=True).parameters.values()
        left_out = set(SELECTING) - set(selecting)
        shared = [
            p for p in inspect.signature(Asked, eval_str=True).parameters.values() if p.name not in left_out
        ]

        def run(**given: Any) -> None:
            asked = Asked(**{p.name: given.pop(p.name) for p in shared})
            command(asked, **given)

        options = [p.replace(kind=p.KEYWORD_ONLY) for p in (*own, *shared)]
        run.__signature__ = inspect.Signature(options)  # type: ignore[attr-defined]
        run.__annotations__ = {p.name: p.annotation for p in options}
        run.__doc__ = command.__doc__
        return run

    return made
