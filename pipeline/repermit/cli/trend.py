"""`repermit trend`: are trailers getting better or worse."""

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

SHOWN = {
    "trailers": "trailers",
    "faults": "faults",
    "verdict": "verdict",
    "p": "season_robust_p_adjusted",
    "mtbf_now_days": "mtbf_now_days",
    "low": "mtbf_now_days_low",
    "high": "mtbf_now_days_high",
    "power_law_shape": "power_law_shape",
}


def trend(
    by: Annotated[
        str, typer.Option("--by", help="One of system, fleet, shop, positions, trailer.")
    ] = "system",
    points: Annotated[
        bool, typer.Option("--points", help="Faults a trailer has had by an age, point by point.")
    ] = False,
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
    """Are trailers getting better or worse, the season taken out, and how often they fail now."""
    from repermit.cli.show import write
    from repermit.studies.ages.trend import Point, parse_by
    from repermit.studies.ages.trend import trend as ask
    from repermit.studies.selection import select

    key = parse_by(by)
    with asking(store, wait, as_of) as con:
        selection = select(
            con, first=first, end=end, month=month, fleet=fleet, system=system, terminal=terminal, shop=shop
        )
        result = ask(con, store.name, selection, key)
    shown = (*result.rows, result.total)
    if points:
        names = (key, *Point.__dataclass_fields__)
        rows = [(row.key, *vars(point).values()) for row in shown for point in row.points]
        write(form, result.about_dict(), names, rows)
    elif form is Format.table:
        write(
            form,
            None,
            (key, *SHOWN),
            [(row.key, *(getattr(row, n) for n in SHOWN.values())) for row in shown],
        )
    else:
        found = [row.as_dict(key) for row in result.rows]
        names = tuple(result.total.as_dict(key))
        write(form, result.about_dict(), names, [[row[n] for n in names] for row in found])
    if form is Format.table and key != "trailer":
        for row in result.rows:
            say(f"{row.key or 'not recorded'}: {row.sentence}")
            if len(result.rows) > 1:
                say(f"  {row.compared}")
    say(f"all: {result.total.sentence}")
    say(result.clock.sentence)
    if result.left_out:
        say(f"left out, before the records of their trailers begin: faults {result.left_out}")
    about = result.about
    say(f"all records from {about.first} to before {about.end}, each trailer on its own window of service")
