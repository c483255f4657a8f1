"""`repermit report`: self-contained pages."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from repermit.cli.options import DEFAULT_STORE, AsOf, Store, Wait
from repermit.cli.pages import write_all, write_page
from repermit.cli.talk import tell

app = typer.Typer(help="Self-contained HTML pages.", no_args_is_help=True, rich_markup_mode=None)

Month = Annotated[
    str | None, typer.Option("--month", help="The last month shown, YYYY-MM; else the last complete one.")
]
Out = Annotated[
    Path | None, typer.Option("--out", help="The page to write; else its kind and name, in this folder.")
]
Csv = Annotated[
    bool, typer.Option("--csv", help="Also each table as a CSV file, in a folder beside the page.")
]


@app.callback()
def report() -> None:
    """Self-contained HTML pages that need no network."""


@app.command("monthly")
def monthly(
    store: Store = DEFAULT_STORE,
    month: Month = None,
    as_of: AsOf = None,
    out: Out = None,
    csv: Csv = False,
    wait: Wait = 0.0,
) -> None:
    """The month, for the analyst."""
    tell(write_page("monthly", store, None, month, as_of, out, wait, csv))


@app.command("fleet")
def fleet(
    store: Store = DEFAULT_STORE,
    name: Annotated[str | None, typer.Option("--fleet", help="The fleet.")] = None,
    month: Month = None,
    as_of: AsOf = None,
    out: Out = None,
    csv: Csv = False,
    wait: Wait = 0.0,
) -> None:
    """A fleet's twelve months, for its owner."""
    tell(write_page("fleet", store, name, month, as_of, out, wait, csv))


@app.command("shop")
def shop(
    store: Store = DEFAULT_STORE,
    name: Annotated[str | None, typer.Option("--shop", help="The shop.")] = None,
    month: Month = None,
    as_of: AsOf = None,
    out: Out = None,
    csv: Csv = False,
    wait: Wait = 0.0,
) -> None:
    """A shop's fixes and what came back, for its foreman."""
    tell(write_page("shop", store, name, month, as_of, out, wait, csv))


@app.command("terminal")
def terminal(
    store: Store = DEFAULT_STORE,
    name: Annotated[str | None, typer.Option("--terminal", help="The terminal.")] = None,
    month: Month = None,
    as_of: AsOf = None,
    out: Out = None,
    csv: Csv = False,
    wait: Wait = 0.0,
) -> None:
    """A terminal's lanes over a year, for who has them serviced."""
    tell(write_page("terminal", store, name, month, as_of, out, wait, csv))


@app.command("all")
def all_pages(
    store: Store = DEFAULT_STORE,
    month: Month = None,
    as_of: AsOf = None,
    out: Annotated[Path | None, typer.Option("--out", help="The folder for the pages; else: pages.")] = None,
    csv: Csv = False,
    wait: Wait = 0.0,
) -> None:
    """Every page, and an index. Pages of earlier months in the folder stay."""
    for path in write_all(store, out, month, as_of, wait, csv):
        tell(path)
