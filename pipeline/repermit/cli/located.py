"""`repermit located`: where faults were found, of what the tester named."""

from __future__ import annotations

from dataclasses import asdict

import typer

from repermit.cli.options import (
    DEFAULT_STORE,
    As,
    AsOf,
    Fleet,
    Format,
    From,
    Month,
    Shop,
    Store,
    System,
    Terminal,
    To,
    Wait,
    asking,
    say,
)


def located(
    store: Store = DEFAULT_STORE,
    first: From = None,
    end: To = None,
    month: Month = None,
    fleet: Fleet = None,
    system: System = None,
    terminal: Terminal = None,
    shop: Shop = None,
    as_of: AsOf = None,
    form: As = Format.table,
    wait: Wait = 0.0,
) -> None:
    """Found against indicated: where the fault was when the tester named a position, and whether shops look."""
    from repermit.cli.show import as_table, write
    from repermit.studies.location.located import Agreeing, Found
    from repermit.studies.location.located import located as ask
    from repermit.studies.selection import select

    with asking(store, wait, as_of) as con:
        selection = select(
            con, first=first, end=end, month=month, fleet=fleet, system=system, terminal=terminal, shop=shop
        )
        result = ask(con, store.name, selection)
    names = tuple(Found.__dataclass_fields__)
    about = result.about.as_dict() | {
        "sentence": result.sentence(),
        "agreement": [asdict(a) | {"sentence": a.sentence()} for a in result.agreement],
        "not_indicated": result.not_indicated,
        "not_recorded": result.not_recorded,
    }
    write(form, about, names, [[getattr(row, n) for n in names] for row in result.rows])
    if form is not Format.table:
        return
    shown = tuple(n for n in Agreeing.__dataclass_fields__ if n != "key")
    typer.echo()
    typer.echo(
        as_table(shown, [[a.name or a.key, *(getattr(a, n) for n in shown[1:])] for a in result.agreement])
    )
    say(
        f"{selection.window}; left out: {result.not_indicated} visits in which the tester named no position, {result.not_recorded} with no"
        f" finding on record"
    )
    say(result.sentence())
