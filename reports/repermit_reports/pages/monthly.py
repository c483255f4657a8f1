"""The monthly page, for the analyst. Takes `Monthly`, gives a `Page`."""

from __future__ import annotations

from repermit.studies.changes import VERDICT_WORDS, AfterChange, change_sentence
from repermit.studies.monthly import Monthly
from repermit.studies.months import MonthJudged, month_sentence, shift_sentence
from repermit.studies.rates import Rate
from repermit.studies.shared_rates import SharedOut
from repermit.studies.sharing import ASSUMPTION
from repermit.wording import estimate, interval, number, position_words, seen, whole, words
from repermit_reports.charts import monthly as charts
from repermit_reports.page import Column, Figure, Page, Section, Table
from repermit_reports.pages import trend_part
from repermit_reports.pages.monthly_units import METHODS as METHODS_OF_UNITS
from repermit_reports.pages.monthly_units import lives_section, worse_section
from repermit_reports.pages.outlook import METHOD as OUTLOOK_METHOD
from repermit_reports.pages.outlook import outlook_section
from repermit_reports.pages.shops_section import METHOD as SHOPS_METHOD
from repermit_reports.pages.shops_section import shops_section
from repermit_reports.pages.words import (
    CAUTIONS,
    ONLY_WHAT_STOPS,
    data_sentence,
    files_table,
    reasons_table,
    records_give,
)

METHODS = (
    "Episode: refusals of one trailer for an equipment reason, joined when they are one event; a fault is an episode that was repaired or is unresolved, counted at its start. In IEC 60050-192 the event is a failure and the state after it a fault.",
    "Rates are faults over exposure of the trailers that have the position. Limits are 95 % gamma limits for the long-run rate of such trailers, widened where trailers differ (Garwood 1936; Fay and Feuer 1997); with fewer than 5 trailers they are exact Poisson limits and speak of these trailers only.",
    "A month is a signal outside 3-sigma limits of a u chart around the rate of the months before it (ISO 7870-2), widened where months scatter more than chance (Laney 2002) and for what is not known of that rate; month-of-year factors are shrunken. A lasting shift is shown by a cumulative sum (ISO 7870-4; Page 1954; Lucas 1985) tuned to half as many again or a third fewer.",
    "Before and after a change: each trailer's level is gamma about that of all and each month has its own; what is expected after follows from them, with variance clustered by trailer (Hauer 1997, from memory; Gaver and O'Muircheartaigh 1987).",
    "Faults whose finding is not recorded are shared out over the cells that the chain rules allow by maximum likelihood (Dempster, Laird and Rubin 1977; Miyakawa 1984), with rates by cause and first, middle or last position, and what testers name, from the faults whose finding is recorded; so counts need not be whole. The limits allow for it, by resampling trailers; hours and cost are by cause as recorded.",
    OUTLOOK_METHOD,
    SHOPS_METHOD,
    "Mean time between faults is exposure over faults, with the reciprocal limits. It is of a repairable trailer, not the life of a sensor.",
)
NOTES_OF_MONTHS = (
    "Of months without any change, about 3 in 1,000 are signals by chance, up to 10 in 1,000 where faults are few or uneven.",
    "The season is taken out only of months with more than 24 months before them. The last month is judged only if records cover it whole.",
)
ASSUMPTIONS = (
    "A load with a day but no time may have been at any moment of that day.",
    f"{ASSUMPTION} They stay a finding of their own, without a position. A fault of which too little is known to share it out stays in the row not known.",
    "Days at risk are days in service less days in the shop; idle days count, as weather and corrosion do not stop.",
)


def monthly_page(m: Monthly) -> Page:
    """The page of one month; of a month without records it says so and shows nothing else."""
    if not m.has_data:
        sections: tuple[Section, ...] = ()
        headline = f"No loads, refusals or visits are on record for {m.month}."
        lede = "There is nothing to report, which is not the same as nothing having happened. Ingest the month's files, or choose another month."
    else:
        sections = (
            _by_month(m),
            trend_part.by_age(m.trend, int(m.about.settings["min_trailers"])),
            *(_changes(m) if m.changes.rows else ()),
            *(part(m) for part in (_positions, _cells, _causes, worse_section, lives_section)),
            shops_section(m.shops),
            *(section for section in (outlook_section(m.outlook),) if section),
            *(part(m) for part in (_outcomes, _set_aside)),
        )
        headline, lede = _headline(m), _lede(m)
    return Page(
        kind="monthly",
        title=f"Refused trailers: {m.month}",
        subtitle="Monthly report for the reliability analyst",
        headline=headline,
        lede=lede,
        sections=sections,
        cautions=CAUTIONS,
        data_used=(data_sentence(m.about), records_give(m.about), files_table(m.files)),
        methods=(*METHODS, *trend_part.METHODS, *METHODS_OF_UNITS),
        assumptions=(*ASSUMPTIONS, ONLY_WHAT_STOPS),
        made_on=m.year.end,
    )


def _per_1000(rate: Rate) -> str:
    return estimate(rate.per_1000_loads, rate.per_1000_loads_low, rate.per_1000_loads_high)


def _headline(m: Monthly) -> str:
    r = m.this_month
    what = seen(r.faults, "fault of a trailer", "faults of trailers")
    if r.per_1000_loads is None:
        return f"{what[0].upper()}{what[1:]} in {m.month}."
    line = f"{what[0].upper()}{what[1:]} in {m.month}, {_per_1000(r)} per 1,000 loads"
    row = _this(m)
    signal = m.judged.signal_of(row) if row else None
    if signal is None:
        return line + "; whether that is a signal can't be told yet."
    return (
        line
        + {
            "high": ": a signal, more than chance brings.",
            "low": ": a signal, fewer than chance brings.",
            "none": ": no signal.",
        }[signal]
    )


def _this(m: Monthly) -> MonthJudged | None:
    """The month of the page among the months judged."""
    return next((row for row in m.judged.rows if row.month == m.month), None)


def _lede(m: Monthly) -> str:
    c = m.about.counts
    parts = [
        f"Terminals refused {whole(c['refusals'])} times over {whole(c['loads'])} loads"
        f" ({whole(c['refusals_not_equipment'])} of them not for equipment, such as paperwork).",
        f"{whole(m.outcomes.get('repaired', 0))} episodes were repaired,"
        f" {whole(m.outcomes.get('cleared_retry', 0) + m.outcomes.get('cleared_other_lane', 0))} cleared without a repair;"
        f" {whole(c['near_misses'])} were correct trips on real liquid and {whole(c['rack_side'])} the rack's own,"
        " both counted apart.",
        f"{whole(c['unresolved'])} faults of the month are unresolved.",
    ]
    row = _this(m)
    judged = [month_sentence(m.judged, row), shift_sentence(m.judged)] if row else []
    return " ".join(judged) + "\n\n" + " ".join(parts)


SIGNAL_WORDS = {"high": "signal: more", "low": "signal: fewer", "none": "no signal", None: "not judged"}


def _by_month(m: Monthly) -> Section:
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
            Column("rate", "faults per 1,000 loads", kind="interval"),
            Column("mtbf", "mean time between faults", unit="trailer-days", kind="interval"),
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
                (row.rate.per_1000_loads, row.rate.per_1000_loads_low, row.rate.per_1000_loads_high),
                (row.rate.mtbf_days, row.rate.mtbf_days_low, row.rate.mtbf_days_high),
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
    found = f"{len(named)} of {seen(n_judged, 'month')} judged {'is a signal' if len(named) == 1 else 'are signals'}"
    told = found + (f": {', '.join(named)}" if named else "") if n_judged else "No month can be judged yet"
    ledes = [
        f"{told}. {shift_sentence(result)}",
        "A month with more loads has more refusals, so faults are told per 1,000 loads; a rise or fall within the band is no news.",
    ]
    return Section(
        "by-month",
        "Is it a signal: faults by month",
        " ".join(ledes),
        figure=Figure("by-month-figure", charts.control(rows, per), says) if rows else None,
        table=table,
        notes=NOTES_OF_MONTHS,
    )


def _changes(m: Monthly) -> tuple[Section]:
    nothing = AfterChange(None, None, None, None, "too_few")
    found = [(row, row.told or nothing) for row in m.changes.rows]
    table = Table(
        "changes-table",
        "Faults of the changed trailers since, against those expected without the change",
        (
            Column("change", "change"),
            Column("since", "first made on"),
            Column("trailers", "trailers", kind="integer"),
            Column("others", "trailers without it", kind="integer"),
            Column("before", "faults before", kind="integer"),
            Column("after", "faults since", kind="integer"),
            Column("expected", "expected without it", kind="number"),
            Column("ratio", "since over expected", kind="interval"),
            Column("verdict", "that is"),
        ),
        tuple(
            (row.change, row.first_on, row.trailers, row.others, row.faults_before, row.faults_after,
             told.expected, None if told.ratio is None else (told.ratio, told.low, told.high), VERDICT_WORDS[told.verdict])
            for row, told in found
        ),
    )  # fmt: skip
    section = Section(
        "changes",
        "Did the changes work",
        "\n\n".join(change_sentence(row) for row, _ in found),
        table=table,
        notes=(
            "Trailers that were chosen because they were bad come down by themselves, so each is held against its own past shrunken towards that of all, not against its raw count before. Season and drift are those of the trailers without the change.",
            "Other changes made to the same trailers at the time can't be told apart from this one.",
        ),
    )
    return (section,)


def _positions(m: Monthly) -> Section:
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
            charts.mean_time(rows, order),
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
    line = f"Position {worst.keys['position']} has the highest rate, {_per_1000(worst)} per 1,000 loads from {seen(worst.faults, 'fault')} on {whole(worst.trailers)} trailers."
    others = [r for r in ranked[1:] if (r.per_1000_loads_high or 0) >= (worst.per_1000_loads_low or 0)]
    if others:
        names = ", ".join(str(r.keys["position"]) for r in others)
        line += f" Its limits overlap those of position {names}, so the order is not settled."
    else:
        line += " Its limits keep it apart from the others."
    return line if shared is None or not shared.missing else f"{line} {shared.says}"


def _cells(m: Monthly) -> Section:
    rows = [
        {
            "position": position_words(r.keys["position"]),
            "cause": words(r.keys["cause"]),
            "n": round(r.faults, 1),
            "per_1000": r.per_1000_loads,
            "limits": interval(r.per_1000_loads_low, r.per_1000_loads_high),
        }
        for r in m.cells.rows
        if r.faults >= 0.05
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
        f"What was found where over {m.year}, with findings that are not recorded shared out. Columns are not comparable by count alone, since short trailers lack the later positions; the table gives rates.",
        figure=Figure(
            "cells-figure",
            charts.position_by_cause(rows, positions, causes),
            "Counts of faults by cause (rows) and position (columns).",
        )
        if rows
        else None,
        table=table,
    )


def _causes(m: Monthly) -> Section:
    rows = [{"cause": words(c.cause), "faults": c.faults, "hours": c.hours, "cost": c.cost} for c in m.causes]
    visits = sum(c.visits for c in m.causes)
    unpriced = visits - sum(c.visits_priced for c in m.causes)
    money = f"cost, {m.about.currency}" if m.about.currency else "cost"
    table = Table(
        "causes-table",
        f"Faults by cause, {m.year}",
        (
            Column("cause", "cause"),
            Column("faults", "faults", kind="integer"),
            Column("in_month", f"of them in {m.month}", kind="integer"),
            Column(
                "hours",
                "hours stopped",
                kind="money",
                help="from the first refusal to the return from the shop, where both are known",
            ),
            Column("known", "with hours known", kind="share"),
            Column("cost", money, kind="money"),
            Column("priced", "visits priced", kind="share"),
        ),
        tuple(
            (
                words(c.cause),
                c.faults,
                c.in_month,
                c.hours,
                (c.hours_known, c.faults),
                c.cost,
                (c.visits_priced, c.visits),
            )
            for c in m.causes
        ),
    )
    hours = sum(c.hours or 0 for c in m.causes)
    cost = sum(c.cost or 0 for c in m.causes)
    lede = (
        f"Over {m.year}, faults stopped trailers for {number(hours)} hours and cost {number(cost)}"
        f"{' ' + m.about.currency if m.about.currency else ' (currency not stated)'}; {whole(unpriced)} of {whole(visits)} visits carry no price, so the true sum is higher."
        if visits
        else "No shop visit is on record, so neither hours nor cost can be told."
    )
    return Section(
        "causes",
        "Causes by count, hours and cost",
        lede,
        figure=Figure(
            "causes-figure",
            charts.causes(rows, [str(r["cause"]) for r in rows]),
            f"Number of faults by cause, {m.year}.",
        )
        if rows
        else None,
        table=table,
    )


OUTCOME_WORDS = {
    "repaired": "repaired: a fault",
    "open": "no repair and no load since: an unresolved fault",
    "cleared_retry": "cleared on trying again, no repair",
    "cleared_other_lane": "cleared on another lane, no repair",
    "left": "left without a load, no repair on record",
    "near_miss": "correct trip on real liquid: a near miss, not a fault",
    "rack": "the rack's own fault",
}


def _outcomes(m: Monthly) -> Section:
    table = Table(
        "outcomes-table",
        f"What became of the episodes that began in {m.month}; they add up to {whole(sum(m.outcomes.values()))}",
        (Column("outcome", "outcome"), Column("n", "episodes", kind="integer")),
        tuple((OUTCOME_WORDS[name], n) for name, n in m.outcomes.items()),
    )
    listed = "; ".join(f"{u.trailer_id} since {u.started_at}" for u in m.unresolved[:10])
    more = f" and {len(m.unresolved) - 10} more" if len(m.unresolved) > 10 else ""
    lede = (
        f"Unresolved at the month's end: {listed}{more}."
        if m.unresolved
        else "Nothing was unresolved at the month's end."
    )
    return Section("outcomes", "What became of the episodes", lede, table=table)


def _set_aside(m: Monthly) -> Section:
    n = m.about.counts["quarantined"]
    lede = (
        f"{whole(n)} rows fail a rule of the input contract and wait; none of them is in any figure here. List them with: repermit quarantine"
        if n
        else "Nothing waits in the quarantine."
    )
    return Section(
        "quarantine",
        "What was set aside and why",
        lede,
        table=reasons_table(m.reasons) if m.reasons else None,
        notes=tuple(error.sentence for error in m.clocks),
    )
