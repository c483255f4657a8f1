"""`repermit fixes`: do repairs hold."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say

if TYPE_CHECKING:
    from repermit.studies.repairs.fixes import Fix


@question()
def fixes(
    asked: Asked,
    by: Annotated[str, typer.Option("--by", help="One of action, shop, cause, method, lot.")] = "action",
) -> None:
    """Do repairs hold: how many come back. At the same position, within 30, 90 and 180 days."""
    from repermit.cli.show import write
    from repermit.studies.repairs.fixes import fixes as ask
    from repermit.studies.repairs.fixes import parse_by

    key = parse_by(by)
    with asked.opened() as con:
        selection = asked.select(con)
        result = ask(con, asked.store.name, selection, key)
    if asked.form is Format.table:
        names = (key, "fixes", "placed", "back_90d", "by_chance", "risk_90d", "low", "high", "first_time")
        write(asked.form, None, names, [_shown(fix) for fix in (*result.rows, result.total)])
        say(result.sentence())
        say(
            f"all repairs returned before {selection.window.end}; a comeback is the next fault at the position of the repair;"
            " first_time: the share of first visits that ended the matter"
        )
        return
    found = [fix.as_dict(key) for fix in result.rows]
    fields = tuple(found[0]) if found else tuple(result.total.as_dict(key))
    difference = asdict(result.difference) if result.difference else None
    about = result.about.as_dict() | {"sentence": result.sentence(), "difference": difference}
    write(asked.form, about, fields, [[row[n] for n in fields] for row in found])


def _shown(fix: Fix) -> tuple[object, ...]:
    h = next(h for h in fix.horizons if h.days == 90)
    chance, first = fix.expected_background_90d, fix.first_time_fix.value
    return (fix.key, fix.fixes, fix.placed, h.back, chance, h.risk, h.risk_low, h.risk_high, first)
