"""`repermit chart`: one chart of a page, as a picture for slides."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repermit.cli.options import DEFAULT_STORE, AsOf, Store, Wait, asking
from repermit.cli.talk import say
from repermit.errors import CallError

if TYPE_CHECKING:
    from repermit_reports.page import Page, Section

ENDINGS = (".svg", ".png")


def chart(
    name: Annotated[str | None, typer.Argument(help="The chart; without it, the charts are listed.")] = None,
    store: Store = DEFAULT_STORE,
    fleet: Annotated[str | None, typer.Option("--fleet", help="A chart of this fleet's page.")] = None,
    shop: Annotated[str | None, typer.Option("--shop", help="A chart of this shop's page.")] = None,
    terminal: Annotated[
        str | None, typer.Option("--terminal", help="A chart of this terminal's page.")
    ] = None,
    month: Annotated[str | None, typer.Option("--month", help="The last month shown, YYYY-MM.")] = None,
    as_of: AsOf = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The picture, .svg or .png; else NAME.svg.")
    ] = None,
    wait: Wait = 0.0,
) -> None:
    """One chart of a page as SVG or PNG. Of the monthly page unless a fleet, shop or terminal is named."""
    from repermit.cli.drawn import page_of
    from repermit.cli.pages import last_month
    from repermit.cli.show import as_table
    from repermit.cli.told import ask
    from repermit_reports.picture import write_picture

    asked = [
        (kind, of)
        for kind, of in (("fleet", fleet), ("shop", shop), ("terminal", terminal))
        if of is not None
    ]
    if len(asked) > 1:
        raise CallError("a chart is of one page", hint="Give only one of --fleet, --shop, --terminal.")
    if out is not None and out.suffix.lower() not in ENDINGS:
        raise CallError(f"{out}: a chart is written as .svg or .png", hint="Give --out a name that ends so.")
    kind, about = asked[0] if asked else ("monthly", None)
    with asking(store, wait, as_of) as con:
        told = ask(con, store.name, kind, about, last_month(con, month))
    page = page_of(told)
    drawn = drawn_on(page)
    if name is None:
        typer.echo(as_table(("chart", "of"), [(n, section.title) for n, section in drawn.items()]))
        return
    if name not in drawn:
        hint = f"There are: {', '.join(drawn)}." if drawn else "This page holds none."
        raise CallError(f"the {kind} page holds no chart named {name!r}", hint=hint)
    say(f"{page.title}: {drawn[name].title}")
    typer.echo(write_picture(page, drawn[name], out or Path(f"{name}.svg")))


def drawn_on(page: Page) -> dict[str, Section]:
    """The sections of a page that hold a chart, by the chart's name."""
    return {s.figure.id.removesuffix("-figure"): s for s in page.sections if s.figure}
