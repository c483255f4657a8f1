"""Where the faults were: by position, and by position and cause, as rates with limits."""

from __future__ import annotations

from repermit.studies.frequency.rates import Rate
from repermit.studies.frequency.shared_rates import SharedOut
from repermit.studies.location.sharing import ASSUMPTION
from repermit.studies.readers.monthly import Monthly
from repermit.wording import estimate, number, position_words, seen, whole, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table

DAYS_A_YEAR = 365.25
LEAST_SHOWN = 0.05
"""Cells with less of a fault are one row together, and not in the picture."""
NOWHERE = "No fault with a known position is on record."


def by_position(m: Monthly) -> Section:
    """Which position is worst and whether its limits keep it apart, with the rates of all."""
    known = [r for r in m.positions.rows if r.keys["position"] is not None]
    if not any(r.faults for r in known):
        return Section("positions", "Where the faults were", NOWHERE)
    order = [position_words(r.keys["position"]) for r in known]
    rows = [
        {
            "position": position_words(r.keys["position"]),
            "rate": rate[0],
            "low": rate[1],
            "high": rate[2],
            "n": number(r.faults),
            "trailers": r.trailers,
        }
        for r in known
        if (rate := a_rate(r)) is not None
    ]
    total = m.positions.total
    table = Table(
        "positions-table",
        f"Faults by position, {m.year}; the rows add up to {whole(total.faults)}",
        (
            Column("position", "position"),
            Column("faults", "faults", kind="number", help="found here, and shared out"),
            Column(
                "bounds",
                "could be",
                kind="interval",
                help="from those found here to those plus every fault of unknown position that may be here",
            ),
            Column("trailers", "trailers that have it", kind="integer"),
            Column("loads", "their loads", kind="integer"),
            Column("rate", f"faults {per(total)}", kind="interval"),
            Column("mtbf", "mean time between faults", unit="trailer-days", kind="interval"),
        ),
        (
            *(_position_row(position_words(r.keys["position"]), r) for r in m.positions.rows),
            _position_row("all", total),
        ),
    )
    return Section(
        "positions",
        "Where the faults were",
        _worst(known, m.positions.shared),
        figure=Figure(
            "positions-figure",
            charts.by_position(rows, order, per(total)),
            f"Faults {per(total)} by position, of the trailers that have it, with 95 % limits and counts, {m.year}.",
        )
        if rows
        else None,
        table=table,
        notes=(
            "A position is a place in the sensor chain, not always the compartment of that number: trace before climbing.",
            *([ASSUMPTION] if m.positions.shared and m.positions.shared.shared else []),
        ),
    )


def _position_row(name: str, r: Rate) -> tuple[object, ...]:
    return (
        name,
        r.faults,
        (r.faults_least, r.faults_most),
        r.trailers,
        r.loads,
        a_rate(r),
        (r.mtbf_days, r.mtbf_days_low, r.mtbf_days_high),
    )


def _worst(rows: list[Rate], shared: SharedOut | None) -> str:
    """Which position is worst, whether its limits keep it apart from the next, and what the missing ones could do."""
    chain = [(rate, r) for r in rows if r.keys["position"] and (rate := a_rate(r))]
    if not chain:
        return NOWHERE
    ranked = sorted(chain, key=lambda one: -one[0][0])
    rate, worst = ranked[0]
    line = f"Position {worst.keys['position']} has the highest rate, {estimate(*rate)} {per(worst)}, from {seen(worst.faults, 'fault')} on {seen(worst.trailers, 'trailer')}."
    most = max((r for _, r in chain), key=lambda r: r.faults)
    if most is not worst:
        line += f" Most faults were at position {most.keys['position']}, {seen(most.faults, 'fault')} on {seen(most.trailers, 'trailer')}."
    others = [r for other, r in ranked[1:] if (other[2] or 0) >= (rate[1] or 0)]
    if not others:
        line += " Its limits keep it apart from the others."
    else:
        names = ", ".join(str(p) for p in sorted(r.keys["position"] for r in others))
        every = "every other position" if len(others) == len(chain) - 1 > 1 else f"position {names}"
        line += f" Its limits overlap those of {every}, so the order is not settled."
    return line if shared is None or not shared.missing else f"{line} {shared.sentence}"


def position_by_cause(m: Monthly) -> Section:
    """What was found where, as rates."""
    told = per(m.cells.total)
    rows = [
        {
            "position": position_words(r.keys["position"]),
            "cause": words(r.keys["cause"]),
            "n": number(r.faults),
            "n_text": number(r.faults, 2 if r.faults < 10 else 3),
            "rate": rate[0],
            "rate_text": number(rate[0], 2),
            "says": estimate(*rate),
        }
        for r in m.cells.rows
        if r.faults >= LEAST_SHOWN and (rate := a_rate(r)) is not None
    ]
    positions = [
        position_words(p)
        for p in sorted({r.keys["position"] for r in m.cells.rows if r.keys["position"] is not None})
    ] + ["not known"]
    causes = [words(c.cause) for c in m.causes]
    table = Table(
        "cells-table",
        f"Faults by position and cause, {m.year}; the rows add up to {whole(m.cells.total.faults)}",
        (
            Column("position", "position"),
            Column("cause", "cause"),
            Column("faults", "faults", kind="number"),
            Column("rate", f"faults {told}", kind="interval"),
            Column("mtbf", "mean time between faults", unit="trailer-days", kind="interval"),
        ),
        (
            *(
                (
                    position_words(r.keys["position"]),
                    words(r.keys["cause"]),
                    r.faults,
                    a_rate(r),
                    (r.mtbf_days, r.mtbf_days_low, r.mtbf_days_high),
                )
                for r in m.cells.rows
                if r.faults >= LEAST_SHOWN
            ),
            *_hardly(m),
        ),
    )
    return Section(
        "cells",
        "Position by cause",
        _leading(m, told)
        if not _placed(m)
        else f"{_leading(m, told)} Rates are over the trailers that have the position, so columns compare; findings that are not recorded are shared out.",
        figure=Figure(
            "cells-figure",
            charts.position_by_cause(rows, positions, causes, told),
            f"Faults {told} by cause (rows) and position (columns), {m.year}, with the count under each rate; limits are in the table and beside a cell that is pointed at.",
            roomy=True,
        )
        if _placed(m)
        else None,
        table=table if _placed(m) else None,
    )


def _placed(m: Monthly) -> bool:
    """Whether any cell says more than that nothing is known."""
    return any(r.faults and r.keys["position"] is not None for r in m.cells.rows)


def _hardly(m: Monthly) -> list[tuple[object, ...]]:
    """The cells that hold next to nothing, as one row, so that the rows add up."""
    left = [r.faults for r in m.cells.rows if 0 < r.faults < LEAST_SHOWN]
    return (
        [("others", f"{seen(len(left), 'cell')} with next to nothing", sum(left), None, None)] if left else []
    )


def a_rate(r: Rate) -> tuple[float, float | None, float | None] | None:
    """Faults per 1,000 loads, else a trailer and year, with limits; None where there is nothing to divide by."""
    if r.per_1000_loads is not None:
        return r.per_1000_loads, r.per_1000_loads_low, r.per_1000_loads_high
    if not r.mtbf_days_low:
        return None
    point, low = (DAYS_A_YEAR / days if days else 0.0 for days in (r.mtbf_days, r.mtbf_days_high))
    return point, low, DAYS_A_YEAR / r.mtbf_days_low


def per(r: Rate) -> str:
    """What `a_rate` is over."""
    return "per 1,000 loads" if r.per_1000_loads is not None else "a trailer and year"


def _leading(m: Monthly, per: str) -> str:
    """The cell whose rate is surely the highest, by its lower limit, and whether another may be as high."""
    cells = [
        (rate, r)
        for r in m.cells.rows
        if r.keys["position"] is not None
        and r.keys["cause"] not in (None, "none_found")
        and r.faults
        and (rate := a_rate(r)) is not None
    ]
    if not cells:
        return "No cell has a fault with a known position and cause."
    (point, low, high), first = max(cells, key=lambda cell: cell[0][1] or 0.0)
    near = sum((rate[2] or 0.0) >= (low or 0.0) for rate, r in cells if r is not first)
    where = "trailer level" if first.keys["position"] == 0 else f"position {first.keys['position']}"
    settled = (
        f"the limits of {seen(near, 'other cell')} reach as high, so the order is not settled"
        if near
        else "its limits keep it apart from all others"
    )
    return f"Surest to be high is {words(first.keys['cause'])} at {where}, {estimate(point, low, high)} {per} from {seen(first.faults, 'fault')}; {settled}."
