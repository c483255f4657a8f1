"""Where the faults were: by position, and by position and cause, as rates with limits."""

from __future__ import annotations

from repermit.studies.frequency.rates import Rate
from repermit.studies.frequency.shared_rates import SharedOut
from repermit.studies.location.sharing import ASSUMPTION
from repermit.studies.readers.monthly import Monthly
from repermit.wording import estimate, interval, number, position_words, seen, whole, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table

DAYS_A_YEAR = 365.25
LEAST_SHOWN = 0.05
"""Cells with less of a fault are in the table only."""


def by_position(m: Monthly) -> Section:
    """Which position is worst and whether its limits keep it apart, with the rates of all."""
    known = [r for r in m.positions.rows if r.keys["position"] is not None]
    order = [position_words(r.keys["position"]) for r in known]
    rows = [
        {
            "position": position_words(r.keys["position"]),
            "rate": r.per_1000_loads,
            "low": r.per_1000_loads_low,
            "high": r.per_1000_loads_high,
            "n": round(r.faults, 1),
            "trailers": r.trailers,
        }
        for r in known
        if r.per_1000_loads is not None
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
            Column("rate", "faults per 1,000 loads", kind="interval"),
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
            charts.by_position(rows, order),
            f"Faults per 1,000 loads by position with 95 % limits and counts, {m.year}.",
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
        (r.per_1000_loads, r.per_1000_loads_low, r.per_1000_loads_high),
        (r.mtbf_days, r.mtbf_days_low, r.mtbf_days_high),
    )


def _worst(rows: list[Rate], shared: SharedOut | None) -> str:
    """Which position is worst, whether its limits keep it apart from the next, and what the missing ones could do."""
    chain = [r for r in rows if r.keys["position"] and r.per_1000_loads is not None]
    if not chain or not any(r.faults for r in chain):
        return "No fault with a known position is on record."
    ranked = sorted(chain, key=lambda r: -(r.per_1000_loads or 0))
    worst = ranked[0]
    line = f"Position {worst.keys['position']} has the highest rate, {estimate(worst.per_1000_loads, worst.per_1000_loads_low, worst.per_1000_loads_high)} per 1,000 loads from {seen(worst.faults, 'fault')} on {whole(worst.trailers)} trailers."
    others = [r for r in ranked[1:] if (r.per_1000_loads_high or 0) >= (worst.per_1000_loads_low or 0)]
    if others:
        names = ", ".join(str(r.keys["position"]) for r in others)
        line += f" Its limits overlap those of position {names}, so the order is not settled."
    else:
        line += " Its limits keep it apart from the others."
    return line if shared is None or not shared.missing else f"{line} {shared.sentence}"


def position_by_cause(m: Monthly) -> Section:
    """What was found where, as rates."""
    per = "per 1,000 loads" if m.cells.total.loads else "a trailer and year"
    rows = [
        {
            "position": position_words(r.keys["position"]),
            "cause": words(r.keys["cause"]),
            "n": round(r.faults, 1),
            "rate": rate[0],
            "rate_text": number(rate[0], 2),
            "limits": interval(*rate[1:]),
        }
        for r in m.cells.rows
        if r.faults >= LEAST_SHOWN and (rate := _rate(r)) is not None
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
            Column("rate", "per 1,000 loads", kind="interval"),
            Column("mtbf", "mean time between faults", unit="trailer-days", kind="interval"),
        ),
        tuple(
            (
                position_words(r.keys["position"]),
                words(r.keys["cause"]),
                r.faults,
                (r.per_1000_loads, r.per_1000_loads_low, r.per_1000_loads_high),
                (r.mtbf_days, r.mtbf_days_low, r.mtbf_days_high),
            )
            for r in m.cells.rows
            if r.faults
        ),
    )
    return Section(
        "cells",
        "Position by cause",
        f"{_leading(m, per)} Rates are over the trailers that have the position, so columns compare; findings that are not recorded are shared out.",
        figure=Figure(
            "cells-figure",
            charts.position_by_cause(rows, positions, causes, per),
            f"Faults {per} by cause (rows) and position (columns), {m.year}, with the count under each rate; limits are in the table and beside a cell that is pointed at.",
        )
        if rows
        else None,
        table=table,
    )


def _rate(r: Rate) -> tuple[float, float | None, float | None] | None:
    """Faults per 1,000 loads, else a trailer and year, with limits."""
    if r.per_1000_loads is not None:
        return r.per_1000_loads, r.per_1000_loads_low, r.per_1000_loads_high
    if not r.mtbf_days:
        return None
    low, high = (DAYS_A_YEAR / days if days else None for days in (r.mtbf_days_high, r.mtbf_days_low))
    return DAYS_A_YEAR / r.mtbf_days, low, high


def _leading(m: Monthly, per: str) -> str:
    """The cell with the highest rate, and whether another may be as high."""
    cells = [
        (rate, r)
        for r in m.cells.rows
        if r.keys["position"] is not None
        and r.keys["cause"] not in (None, "none_found")
        and (rate := _rate(r)) is not None
    ]
    if not cells:
        return "No cell has a fault with a known position and cause."
    (point, low, high), first = max(cells, key=lambda cell: cell[0][0])
    near = sum((rate[2] or 0.0) >= (low or 0.0) for rate, r in cells if r is not first)
    where = "trailer level" if first.keys["position"] == 0 else f"position {first.keys['position']}"
    settled = (
        f"the limits of {seen(near, 'other cell')} reach as high, so the order is not settled"
        if near
        else "its limits keep it apart from all others"
    )
    return f"Highest is {words(first.keys['cause'])} at {where}, {estimate(point, low, high)} {per} from {seen(first.faults, 'fault')}; {settled}."
