"""`repermit report`: self-contained pages."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli.options import DEFAULT_STORE, Month, Store, Wait, asking, say

app = typer.Typer(help="Self-contained HTML pages.", no_args_is_help=True, rich_markup_mode=None)


@app.callback()
def report() -> None:
    """Self-contained HTML pages that need no network."""


@app.command("monthly")
def monthly(
    store: Store = DEFAULT_STORE,
    month: Month = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The page to write; else monthly-YYYY-MM.html.")
    ] = None,
    wait: Wait = 0.0,
) -> None:
    """The month for the analyst; without --month the last complete one."""
    typer.echo(write_monthly(store, month, out, wait))


def write_monthly(store: Path, month: str | None, out: Path | None, wait: float) -> Path:
    """Make the monthly page and return where it is."""
    from repermit_reports.pages.monthly import monthly_page
    from repermit_reports.render import write

    from repermit.errors import CallError
    from repermit.studies.monthly import monthly as ask
    from repermit.studies.selection import Selection, last_complete_month, parse_month

    with asking(store, wait) as con:
        window = parse_month(month) if month else last_complete_month(con)
        if window is None:
            raise CallError(
                "the store has no records, so no month to report", hint="Ingest some, or give --month."
            )
        say(f"asking {store} about {window}")
        result = ask(con, store.name, Selection(window))
    return write(monthly_page(result), out or Path(f"monthly-{result.month}.html"))


@app.command("terminal")
def terminal(
    name: Annotated[str, typer.Option("--terminal", help="The terminal.")],
    store: Store = DEFAULT_STORE,
    month: Annotated[
        str | None,
        typer.Option("--month", help="Last month of the twelve, YYYY-MM; else the last complete one."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The page to write; else terminal-NAME.html.")
    ] = None,
    wait: Wait = 0.0,
) -> None:
    """A terminal's lanes over twelve months, for whoever has them serviced."""
    typer.echo(write_terminal(store, name, month, out, wait))


def write_terminal(store: Path, name: str, month: str | None, out: Path | None, wait: float) -> Path:
    """Make the terminal's page and return where it is."""
    import re

    from repermit_reports.pages.terminal import terminal_page
    from repermit_reports.render import write

    from repermit.errors import CallError
    from repermit.studies.selection import last_complete_month, parse_month, select
    from repermit.studies.terminal import terminal as ask

    with asking(store, wait) as con:
        window = parse_month(month) if month else last_complete_month(con)
        if window is None:
            raise CallError(
                "the store has no records, so no month to report", hint="Ingest some, or give --month."
            )
        last = f"{window.first:%Y-%m}"
        selection = select(con, month=last, terminal=name)
        say(f"asking {store} about {name}, twelve months to {last}")
        result = ask(con, store.name, selection)
    file = re.sub(r"[^\w-]+", "-", name).strip("-")
    return write(terminal_page(result), out or Path(f"terminal-{file}.html"))
