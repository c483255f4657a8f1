"""The section on the next quarter, for the monthly and the fleet page. Takes `Outlook`, gives a `Section`."""

from __future__ import annotations

from typing import Any

from repermit.studies.frequency.outlook import (
    ALL,
    NAMES,
    QUANTITIES,
    Outlook,
    held_sentence,
    key_words,
    outlook_sentence,
)
from repermit.wording import seen, whole
from repermit_reports.charts import outlook as charts
from repermit_reports.page import Column, Figure, Section, Table

SHOWN_BACK = 24
"""So many months on record stand before those to come."""

METHOD = "Next quarter: the rate of the last 24 months times the exposure to come, with a range for the count itself and not only for its mean (Nelson 1970), widened where months scatter more than chance (Laney 2002) and by how far the exposure was missed before; hours are a sum over visits of differing length. Where more than 24 months are on record and show a season, it is in the forecast."


def outlook_section(o: Outlook, plain: bool = False, cost: str = "") -> Section | None:
    """None where nothing can be forecast. `plain`: for the owner, in whole numbers, without the parts of each sum,
    with what it may cost."""
    if not o.rows:
        return None
    faults = [f for f in o.rows if f.quantity == "faults" and f.key == ALL]
    past = [
        {"month": f"{p.month}-01", "name": p.month, "came": p.came}
        for p in o.past
        if p.quantity == "faults" and p.key == ALL
    ][-SHOWN_BACK:]
    to_come = [
        {"month": f"{f.month}-01", "name": f.month, "expected": f.expected, "low": f.low, "high": f.high}
        for f in faults
    ]
    months = list(dict.fromkeys(f.month for f in o.rows))
    ranges = {(f.quantity, f.key, f.month): (f.expected, f.low, f.high) for f in (*o.rows, *o.quarter)}
    together = o.quarter[0].month
    table = Table(
        "outlook-table",
        f"Likely in {together}, with ranges that hold 95 in 100; the months together have a narrower range than their sum",
        (
            Column("what", "what"),
            *(Column(f"m{i}", month, kind="interval") for i, month in enumerate(months)),
            Column("quarter", "all three", kind="interval"),
        ),
        tuple(
            (
                NAMES[f.quantity] if f.key == ALL else f"{NAMES[f.quantity]}: {key_words(f)}",
                *(ranges[f.quantity, f.key, month] for month in months),
                (f.expected, f.low, f.high),
            )
            for f in o.quarter
            if f.key == ALL or not plain
        ),
    )
    held = [
        f"Earlier forecasts of {NAMES[quantity]} held what came {whole(inside)} of {seen(n, 'time')}."
        for quantity in QUANTITIES
        for inside, n in [o.coverage(quantity)]
        if n
    ]
    return Section(
        "outlook",
        "Next quarter",
        _plainly(o) + cost if plain else f"{outlook_sentence(o)} {held_sentence(o)}",
        figure=Figure(
            "outlook-figure",
            charts.ahead(past, to_come, "faults"),
            f"Faults by month: bars are what came, up to {past[-1]['name']}; ranges are what {together} will bring.",
        )
        if to_come
        else None,
        drawn=_past(past) if to_come else None,
        table=table,
        notes=(
            *([] if plain else held),
            "Ranges of small counts are whole numbers and so hold more often than they say. A forecast knows of no change to come: a new method, a sold fleet, a harder winter.",
        ),
    )


def _past(past: list[dict[str, Any]]) -> Table:
    """The bars in numbers."""
    columns = (Column("month", "month"), Column("came", "faults", kind="integer"))
    return Table(
        "past-table", "Faults of the months before", columns, tuple((p["name"], p["came"]) for p in past)
    )


PLAIN = {"parts": "parts to fit", "shop_hours": "hands-on hours in the shop"}


def _plainly(o: Outlook) -> str:
    """The quarter in whole numbers, and how earlier forecasts held."""
    told = [
        f"{PLAIN.get(f.quantity, NAMES[f.quantity])} {whole(f.low)} to {whole(f.high)}, most likely about {whole(f.expected)}"
        for f in sorted(o.quarter, key=lambda f: f.quantity != "faults")
        if f.key == ALL
    ]
    inside, n = o.coverage()
    held = (
        f" Had such ranges been made before, what came would have lain within them {whole(inside)} of {seen(n, 'time')}."
        if n
        else ""
    )
    return f"{o.quarter[0].month}: {'; '.join(told)}. Plan for the upper number of each range, not for the middle.{held}"
