"""`repermit life`: how long sensors last, and whether they fail early, at random or worn out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from repermit.cli.options import Asked, Format, question
from repermit.cli.talk import say

if TYPE_CHECKING:
    from repermit.studies.ages.life import Lives

SHOWN = (
    "lives",
    "failures",
    "weibull_shape",
    "weibull_shape_low",
    "weibull_shape_high",
    "median_days",
    "verdict",
)
SHORT = {"weibull_shape": "shape", "weibull_shape_low": "low", "weibull_shape_high": "high"}


@question()
def life(
    asked: Asked,
    by: Annotated[
        str, typer.Option("--by", help="One of system, position, lot, fleet, kind, method.")
    ] = "system",
    points: Annotated[
        bool,
        typer.Option("--points", help="The curve instead: the share still working by age, of known births."),
    ] = False,
) -> None:
    """How long sensors last: early, random or wear-out failure. Lots that stand out; replace before failure."""
    from repermit.cli.show import write
    from repermit.studies.ages.life import lives as ask
    from repermit.studies.ages.life import parse_by
    from repermit.studies.ages.life_row import Point

    key = parse_by(by)
    with asked.opened() as con:
        selection = asked.select(con)
        result = ask(con, asked.store.name, selection, key)
    about = result.about.as_dict() | {"sentence": result.total.sentence, "all": result.total.as_dict("key")}
    if points:
        fields = list(Point.__dataclass_fields__)
        write(asked.form, about, [key, *fields[1:]], [[getattr(p, f) for f in fields] for p in result.points])
        return
    if asked.form is Format.table:
        shown = [row.as_dict(key) for row in (*result.rows, result.total)]
        names = [key, *SHOWN]
        write(
            asked.form, None, [SHORT.get(n, n) for n in names], [[row.get(n) for n in names] for row in shown]
        )
        _say_rows(key, result)
        say(differing(key, result.differ_p))
        return
    found = [row.as_dict(key) for row in result.rows]
    names = list(found[0] if found else result.total.as_dict(key))
    write(asked.form, about, names, [[row[n] for n in names] for row in found])


def _say_rows(key: str, result: Lives) -> None:
    """Each row in words; of many rows those that age tells something of, and how many others there are."""
    from repermit.wording import NAMED, whole

    told = [row for row in result.rows if row.verdict != "too_few" or row.stands_out]
    rest = "too few failures to tell"
    if len(told) > NAMED:
        told = [row for row in told if row.stands_out or row.verdict in ("early", "wear_out")]
        told = sorted(told, key=lambda row: not row.stands_out)[:NAMED]
        rest = "as the table says; --format json has a sentence for each"
    for row in (*told, result.total):
        say(f"{key} {row.key if row.key is not None else 'not recorded'}: {row.sentence}")
    if others := len(result.rows) - len(told):
        say(f"the {'other ' if told else ''}{whole(others)} rows: {rest}")


def differing(key: str, p: float | None) -> str:
    """Whether the rows differ, in words."""
    from repermit.wording import chance

    if p is None:
        return f"whether sensors differ by {key} can't be told: too few of known birth failed"
    found = "differ" if p < 0.05 else "are not shown to differ"
    return f"sensors of known birth {found} by {key}; chance alone does as much with probability {chance(p)} (log-rank test)"
