"""The rack's side: which lanes refuse trailers that load elsewhere."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit.wording import seen, whole
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.terminal.tables import VERDICTS

MOST_LANES = 40
"""A picture of more is longer than two screens."""


def lanes_section(m: Monthly) -> Section:
    """Every lane against the others, flagged ones first."""
    found = m.lanes
    if not found.rows:
        return Section(
            "lanes", "Lanes: the rack's side", "No lane is on record, so the rack's side can't be told."
        )
    rows = [
        {
            "lane": f"{r.terminal}, lane {r.lane}",
            "ratio": r.rate_ratio,
            "low": r.rate_ratio_low,
            "high": r.rate_ratio_high,
            "n": getattr(r, r.told_by),
            "loads": r.loads,
            "flagged": r.flagged,
        }
        for r in found.rows
        if r.rate_ratio is not None and r.rate_ratio_high is not None
    ]
    table = Table(
        "rack-side-table",
        f"Refusals cleared without a repair by lane, {found.window}",
        (
            Column("lane", "lane"),
            Column("loads", "loads", kind="integer"),
            Column("cleared", "cleared without a repair", kind="integer"),
            Column("elsewhere", "of them on another lane", kind="integer"),
            Column("ratio", "times the usual", kind="interval", help="the usual: what the same trailers met on the other lanes in the same months"),
            Column("excess", "beyond the usual", unit="refusals", kind="interval", help="with least and most"),
            Column("q", "q", kind="p", help="share of false ones among lanes named at this value, all lanes looked at"),
            Column("since", "since"),
            Column("verdict", "that is"),
        ),
        tuple(
            (
                f"{r.terminal}, lane {r.lane}", r.loads, r.cleared_without_repair, r.cleared_other_lane,
                None if r.rate_ratio is None else (r.rate_ratio, r.rate_ratio_low, r.rate_ratio_high),
                None if r.excess is None or r.excess_least is None else (r.excess, r.excess_least, float(r.excess_most)),
                r.q_value, r.since.month if r.since else None, VERDICTS[r.verdict],
            )
            for r in found.rows
        ),
    )  # fmt: skip
    left_out = (
        f" Left out: {seen(found.not_placed, 'cleared refusal')} whose lane is not recorded."
        if found.not_placed
        else ""
    )
    cut = (
        f" Of {whole(len(rows))} lanes the first {whole(MOST_LANES)} of the table are drawn."
        if len(rows) > MOST_LANES
        else ""
    )
    return Section(
        "rack-side",
        "Lanes: the rack's side",
        "\n\n".join(found.sentences()),
        figure=Figure(
            "rack-side-figure",
            charts.lanes(rows[:MOST_LANES], [str(r["lane"]) for r in rows[:MOST_LANES]]),
            f"Refusals cleared without a repair by lane, in times of what the same trailers meet on other lanes, with limits and counts; the line is the usual, a diamond stands out.{cut}",
        )
        if rows
        else None,
        table=table,
        notes=(f"A refusal that clears on another lane may still be the trailer's: this speaks of lanes over months, never of one refusal.{left_out}",),
    )  # fmt: skip
