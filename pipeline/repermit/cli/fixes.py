"""`repermit fixes`: do repairs hold."""

from __future__ import annotations

from typing import Annotated

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


def fixes(
    by: Annotated[str, typer.Option("--by", help="One of action, shop, cause, method.")] = "action",
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
    """Do repairs hold: the share that comes back at the same position within 30, 90 and 180 days."""
    from repermit.cli.show import write
    from repermit.studies.fixes import fixes as ask
    from repermit.studies.fixes import parse_by
    from repermit.studies.selection import select

    key = parse_by(by)
    with asking(store, wait, as_of) as con:
        selection = select(
            con, first=first, end=end, month=month, fleet=fleet, system=system, terminal=terminal, shop=shop
        )
        result = ask(con, store.name, selection, key)
    names: tuple[str, ...]
    if form is Format.table:
        shown = (*result.rows, result.total)
        names = (key, "fixes", "placed", "back_90d", "by_chance", "risk_90d", "low", "high", "any_fault_90d")
        rows = []
        for fix in shown:
            h = next(h for h in fix.horizons if h.days == 90)
            rows.append(
                (
                    fix.key,
                    fix.fixes,
                    fix.placed,
                    h.back,
                    fix.expected_background_90d,
                    h.risk,
                    h.risk_low,
                    h.risk_high,
                    h.any_fault,
                )
            )
        write(form, None, names, rows)
        say(
            f"all repairs returned before {selection.window.end}; a comeback is the next fault at the position of the repair"
        )
        return
    found = [fix.as_dict(key) for fix in result.rows]
    names = tuple(found[0]) if found else tuple(result.total.as_dict(key))
    write(form, result.about.as_dict(), names, [[row[n] for n in names] for row in found])
