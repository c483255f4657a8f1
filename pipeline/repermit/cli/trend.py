"""`repermit trend`: are trailers getting better or worse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say

if TYPE_CHECKING:
    from repermit.studies.ages.trend import Trends

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


@question()
def trend(
    asked: Asked,
    by: Annotated[
        str, typer.Option("--by", help="One of system, fleet, shop, positions, trailer.")
    ] = "system",
    points: Annotated[
        bool, typer.Option("--points", help="Faults a trailer has had by an age, point by point.")
    ] = False,
) -> None:
    """Are trailers getting better or worse. The season is taken out; and how often they fail now."""
    from repermit.cli.show import write
    from repermit.studies.ages.trend import Point, parse_by
    from repermit.studies.ages.trend import trend as ask

    key = parse_by(by)
    with asked.opened() as con:
        selection = asked.select(con)
        result = ask(con, asked.store.name, selection, key)
    shown = (*result.rows, result.total)
    if points:
        names = (key, *Point.__dataclass_fields__)
        rows = [(row.key, *vars(point).values()) for row in shown for point in row.points]
        write(asked.form, result.about_dict(), names, rows)
    elif asked.form is Format.table:
        write(
            asked.form,
            None,
            (key, *SHOWN),
            [(row.key, *(getattr(row, n) for n in SHOWN.values())) for row in shown],
        )
    else:
        found = [row.as_dict(key) for row in result.rows]
        names = tuple(result.total.as_dict(key))
        write(asked.form, result.about_dict(), names, [[row[n] for n in names] for row in found])
    if asked.form is Format.table:
        _say_rows(result)
    say(f"all: {result.total.sentence}")
    say(result.clock.sentence)
    if result.left_out:
        say(f"left out, before the records of their trailers begin: faults {result.left_out}")
    about = result.about
    say(f"all records from {about.first} to before {about.end}, each trailer on its own window of service")


def _say_rows(result: Trends) -> None:
    """Each row in words; of many rows those with news, and how many others there are."""
    from repermit.wording import NAMED, whole

    told = list(result.rows)
    if len(told) > NAMED:
        told = [row for row in told if row.apart or row.verdict in ("better", "worse")]
        told = sorted(told, key=lambda row: row.season_robust_p_adjusted or 1.0)[:NAMED]
    for row in told:
        say(f"{row.key or 'not recorded'}: {row.sentence}")
        if row.more_than_rest is not None:
            say(f"  {row.compared}")
    if others := len(result.rows) - len(told):
        say(
            f"the {'other ' if told else ''}{whole(others)} rows: as the table says; --format json has a sentence for each"
        )
