"""`repermit outlook`: the next three months."""

from __future__ import annotations

from dataclasses import asdict, replace

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say

COLUMNS = ("month", "quantity", "key", "expected", "low", "high")


@question(("month", "fleet", "system", "shop"))
def outlook(asked: Asked) -> None:
    """Next quarter: refusals, faults, parts and shop hours. By month, with limits. --month: the last one known."""
    from repermit.cli.show import write
    from repermit.studies.frequency.outlook import held_sentence, outlook_sentence
    from repermit.studies.frequency.outlook import outlook as ask
    from repermit.studies.selection import Window, parse_month

    with asked.opened() as con:
        chosen = replace(asked, month=None).select(con)
        if asked.month:
            last = parse_month(asked.month)
            chosen = replace(chosen, window=Window(min(chosen.window.first, last.first), last.end))
        result = ask(con, asked.store.name, chosen)
    rows = [[asdict(f)[name] for name in COLUMNS] for f in result.rows]
    about = result.about.as_dict() | {"sentence": f"{outlook_sentence(result)} {held_sentence(result)}"}
    write(asked.form, about, COLUMNS, rows)
    if asked.form is Format.table:
        say(outlook_sentence(result))
        say(held_sentence(result))
