"""Is it a signal: the control chart, and the months behind it."""

from __future__ import annotations

from repermit.studies.frequency.months import shift_sentence
from repermit.studies.readers.monthly import Monthly
from repermit.wording import seen, whole
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.monthly.positions import a_rate
from repermit_reports.pages.monthly.positions import per as rate_over

SIGNAL_WORDS = {"high": "signal: more", "low": "signal: fewer", "none": "no signal", None: "not judged"}


NOTES = (
    "Of months without any change, about 3 in 1,000 are signals by chance, up to 10 in 1,000 where faults are few or uneven.",
    "The season is taken out only of months with more than 24 months before them. The last month is judged only if records cover it whole.",
)


def by_month(m: Monthly) -> Section:
    result = m.judged
    rows = [
        {
            "month": f"{row.month}-01",
            "name": row.month,
            "rate": judged.rate,
            "centre": judged.centre,
            "low": judged.low,
            "high": judged.high,
            "faults": row.faults,
            "stands": SIGNAL_WORDS[judged.signal],
            "label": row.month if judged.signal in ("high", "low") else None,
        }
        for row in result.rows
        if (judged := result.judged(row)) and judged.rate is not None
    ]
    signals = {row.month: result.signal_of(row) for row in result.rows}
    ranges = {row["name"]: (row["low"], row["high"]) for row in rows if row["high"] is not None}
    per = result.clock if result.clock == "loads" else "trailer-days"
    table = Table(
        "by-month-table",
        "Refusals, episodes and faults by month",
        (
            Column("month", "month"),
            Column("loads", "loads", kind="integer"),
            Column("refusals", "refusals", kind="integer", help="for an equipment reason"),
            Column("other", "other refusals", kind="integer", help="vehicle id, vapour interlock, paperwork"),
            Column("episodes", "episodes", kind="integer", help="with those that only a shop visit shows"),
            Column("faults", "faults", kind="integer"),
            Column("rate", f"faults {rate_over(m.this_month)}", kind="interval"),
            Column("mtbf", "mean time between faults", unit="trailer-days", kind="interval"),
            Column(
                "chance",
                f"chance brings, per 1,000 {per}",
                kind="interval",
                help="around the rate of the months before",
            ),
            Column(
                "signal",
                "signal",
                help="whether the month lies outside what chance brings around the months before it",
            ),
        ),
        tuple(
            (
                row.month,
                row.rate.loads,
                row.refusals,
                row.not_equipment,
                row.episodes,
                row.rate.faults,
                a_rate(row.rate),
                (row.rate.mtbf_days, row.rate.mtbf_days_low, row.rate.mtbf_days_high),
                ranges.get(row.month),
                SIGNAL_WORDS[signals.get(row.month)],
            )
            for row in m.months
        ),
    )
    named = [f"{row['name']} ({row['faults']} faults)" for row in rows if row["label"]]
    says = (
        f"Faults per 1,000 {per} by month, {rows[0]['name']} to {rows[-1]['name']}. The band is what chance brings around the"
        f" months before (solid line); diamonds are signals: {', '.join(named) or 'none'}."
        if rows
        else ""
    )
    n_judged = sum(row["high"] is not None for row in rows)
    found = f"{whole(len(named)) if named else 'None'} of {seen(n_judged, 'month')} judged {'is a signal' if len(named) < 2 else 'are signals'}"
    told = found + (f": {', '.join(named)}" if named else "")
    ledes = [
        f"{told}. {shift_sentence(result)}"
        if n_judged
        else "No month can be judged yet, nor any lasting shift.",
        f"{'A month with more loads has more refusals, so faults are' if per == 'loads' else 'Faults are'} told per 1,000 {per}; a rise or fall within the band is no news.",
    ]
    return Section(
        "by-month",
        "Is it a signal: faults by month",
        " ".join(ledes),
        figure=Figure("by-month-figure", charts.control(rows, per), says) if rows else None,
        table=table,
        notes=NOTES,
    )
