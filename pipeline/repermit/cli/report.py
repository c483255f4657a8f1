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
