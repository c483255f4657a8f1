"""`repermit rates`: faults, exposure and mean time between faults by any set of keys."""

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

SHOWN = ("faults", "loads", "days", "per_1000_loads", "low", "high", "mtbf_days")


def rates(
    by: Annotated[
        str,
        typer.Option(
            "--by",
            help="Keys, separated by commas: position, place, cause, system, fleet, terminal, shop, month, trailer.",
        ),
    ] = "position",
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
    """How often: faults per 1,000 loads and mean time between faults."""
    from repermit.cli.show import write
    from repermit.studies.rates import Rate, parse_by
    from repermit.studies.rates import rates as ask
    from repermit.studies.selection import on_record, select

    keys = parse_by(by)
    with asking(store, wait, as_of) as con:
        selection = select(
            con, first=first, end=end, month=month, fleet=fleet, system=system, terminal=terminal, shop=shop
        )
        result = ask(con, store.name, selection, keys)
        if not on_record(con, selection.window):
            say(f"no record covers {selection.window}: that no faults are seen there means nothing")
    if form is Format.table:
        names = [*keys, *SHOWN]
        rows = [[*r.keys.values(), *_shown(r)] for r in result.rows]
        if keys:
            rows.append(["all", *[None] * (len(keys) - 1), *_shown(result.total)])
        write(form, None, names, rows)
        say(
            f"{selection.window}; low and high are {result.about.level:.0%} limits of faults per 1,000 loads; counted apart:"
            f" correct trips on liquid {result.about.counts['near_misses']}, faults of racks {result.about.counts['rack_side']}"
        )
        return
    found = [r.as_dict() for r in result.rows]
    names = [*keys, *(n for n in Rate.__dataclass_fields__ if n != "keys")]
    write(form, result.about.as_dict(), names, [[row[n] for n in names] for row in found])


def _shown(rate: object) -> list[object]:
    columns = {"low": "per_1000_loads_low", "high": "per_1000_loads_high"}
    return [getattr(rate, columns.get(name, name)) for name in SHOWN]
