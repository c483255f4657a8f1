"""`repermit outlook`: the next three months."""

from __future__ import annotations

from dataclasses import asdict

from repermit.cli.options import (
    DEFAULT_STORE,
    As,
    AsOf,
    Fleet,
    Format,
    Month,
    Shop,
    Store,
    System,
    Wait,
    asking,
    say,
)

COLUMNS = ("month", "quantity", "key", "expected", "low", "high")


def outlook(
    store: Store = DEFAULT_STORE,
    month: Month = None,
    fleet: Fleet = None,
    system: System = None,
    shop: Shop = None,
    as_of: AsOf = None,
    form: As = Format.table,
    wait: Wait = 0.0,
) -> None:
    """Next quarter: refusals, faults by cause, parts and shop hours by month, with limits. --month: the last one known."""
    from repermit.cli.show import write
    from repermit.studies.frequency.outlook import held_sentence, outlook_sentence
    from repermit.studies.frequency.outlook import outlook as ask
    from repermit.studies.selection import Selection, Window, parse_month, select

    with asking(store, wait, as_of) as con:
        chosen = select(con, fleet=fleet, system=system, shop=shop)
        end = parse_month(month).end if month else chosen.window.end
        window = Window(
            min(chosen.window.first, parse_month(month).first) if month else chosen.window.first, end
        )
        result = ask(con, store.name, Selection(window, fleet, system, None, shop))
    rows = [[asdict(f)[name] for name in COLUMNS] for f in result.rows]
    about = result.about.as_dict() | {"sentence": f"{outlook_sentence(result)} {held_sentence(result)}"}
    write(form, about, COLUMNS, rows)
    if form is Format.table:
        say(outlook_sentence(result))
        say(held_sentence(result))
