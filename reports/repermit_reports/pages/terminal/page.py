"""The terminal's page, for whoever has its lanes serviced. Takes `Terminal`, gives a `Page`. Plain words only."""

from __future__ import annotations

from collections.abc import Callable

from repermit.studies.racks.lane_row import Since
from repermit.studies.racks.terminal_counts import Lane, in_order
from repermit.studies.readers.terminal import Terminal
from repermit.wording import seen, share, whole
from repermit_reports.charts import terminal as charts
from repermit_reports.page import Figure, Page, Section
from repermit_reports.pages.terminal import tables
from repermit_reports.pages.terminal.summary import capital, headline, ranked_lanes
from repermit_reports.pages.terminal.summary import lede as lede_of
from repermit_reports.pages.terminal.tables import VERDICTS, lane_words, month_words, period, refused
from repermit_reports.pages.words import CAUTIONS, ONLY_WHAT_STOPS, data_sentence, files_line, records_give

METHODS = (
    "An episode is one event of a trailer: its refusals for an equipment reason that belong together, and the shop visits that answer them. It belongs to the lane of its first refusal. It cleared when the trailer loaded again without a repair; where, is what the terminal wrote down, else the trailer's next load on record.",
    "Between two numbers: how far chance could move a rate; 95 of 100 such ranges hold the lane's long-run rate. They are wider where trailers differ; with fewer than 5 trailers they speak of those trailers only (Garwood 1936; Fay and Feuer 1997).",
    "A lane is held against the terminal's other lanes, trailer by trailer and month by month: a trailer's refusals of a month fall on lanes as its loads do, if the lanes are alike (exact for given refusals; Breslow and Day 1987). So a lane that bad trailers like, or a bad month, does not look bad. Loads that a refusal moved to another lane count where they were meant.",
    "Two things are looked at: refusals that cleared on another lane or at another terminal, and all that cleared without a repair; the ranges allow for both. A lane stands out when, among all lanes of all terminals, at most one in twenty of those told so would be so by chance (Benjamini and Hochberg 1995); one that does is left out of the others, and the rest are looked at again. Where no other lane remains, lanes of other terminals take their place.",
    "A lane is told to be like the others when even the upper end of its range is no more than twice their rate. In between there are too few refusals to tell.",
    "Since when: the month from which the lane most likely had more than its part, and none before (Hinkley 1970, from memory); other months that fit nearly as well are named.",
    "Last month: what cleared without a repair against the months before it, by loads (Clopper and Pearson 1934). Hours that a lane stood are as the terminal wrote them down.",
)
ASSUMPTIONS = (
    "Refusals for vehicle id, vapour interlock or paperwork are not for equipment: counted, but in no episode.",
    "A load with a day but no time may have been at any moment of that day; among loads of one day, one at the refusing lane is taken for the one that cleared it.",
)
CANT_SHOW = (
    "Lanes that all refuse more than they should: a lane is held against the others here. And a trailer that only ever comes to one lane: it can't tell the lane's doing from its own, and is left out.",
    "Refusals that nobody logged. A lane whose staff log every refusal looks worse than one whose staff log few.",
    "Why the rack said no: the reason overfill can't tell a wet sensor from an open circuit.",
    "What was wrong in any one refusal. Only a check of the lane and of the trailer shows it; this page counts.",
    ONLY_WHAT_STOPS,
)
MEANS: dict[str | None, str] = {
    "stands_out": " (worth a service check)",
    "alike": " (no more than twice their rate)",
}
CHART_LANES = 6
CHART_LOADS = 30
"""A month with fewer loads than this has no bar, as one refusal would make a tower of it."""


def terminal_page(t: Terminal) -> Page:
    """The page of one terminal; what is not on record is said, never shown as nothing having happened."""
    has_refusals, has_loads = bool(refused(t.total)), bool(t.total.loads)
    sections: list[Section] = []
    if has_loads and has_refusals:
        sections += [_which(t), _since(t)]
    if has_refusals:
        sections += [*_cleared(t), _counts(t), _hours(t)]
    elif has_loads:
        lede = "Loads are on record, refusals are not."
        sections.append(Section("lanes", "Loads by lane", lede, table=tables.loads_table(t)))
    if sections:
        notes = (*_gaps(t), *CANT_SHOW)
        sections.append(Section("cannot-show", "What this page can't show", "", notes=notes))
    return Page(
        kind="terminal",
        title=f"Lanes of {t.name}",
        subtitle=f"For the terminal, {period(t.year)}",
        headline=headline(t),
        lede=lede_of(t),
        sections=tuple(sections),
        cautions=CAUTIONS,
        data_used=(_here(t), data_sentence(t.about), records_give(t.about), files_line(t.files)),
        methods=METHODS,
        assumptions=ASSUMPTIONS,
        dated=f"Records before {t.year.end}",
    )


def _here(t: Terminal) -> str:
    logged = f"from {t.first_refusal_on} to {t.last_refusal_on}" if t.first_refusal_on else "none"
    loads = f"{whole(t.total.loads)} loads" if t.total.loads else "no loads on record"
    here = f"At {t.name}, {period(t.year)}: {loads}, {seen(refused(t.total), 'refusal')}. Refusals on record here: {logged}."
    nowhere = (
        f" {whole(t.refusals_nowhere)} refusals in the store name no terminal and are on no terminal's page."
    )
    return here + (nowhere if t.refusals_nowhere else "")


def _gaps(t: Terminal) -> list[str]:
    """What this store's records leave open at this terminal."""
    gaps = []
    if t.quiet_months and refused(t.total):
        gaps.append(
            f"What happened in {', '.join(t.quiet_months)}: there are loads, but no refusal was logged."
        )
    bare = [lane_words(row.lane) for row in t.lanes if row.loads is None and row.lane is not None]
    if bare and t.total.loads:
        gaps.append(
            f"How often {', '.join(bare)} refused: no loads on record. Perhaps the two logs write the lane differently."
        )
    for row in t.lanes:
        if row.lane is None:
            gaps.append(
                f"Which lane it was for {seen(row.loads or 0, 'load')} and {seen(refused(row), 'refusal')}: not recorded, so the lanes' own rates may be off."
            )
    return gaps


# --- sections -----------------------------------------------------------------------------------------


def _which(t: Terminal) -> Section:
    ranked = ranked_lanes(t)
    shown = [row for row in t.lanes if row in ranked and row.held and row.held.rate_ratio is not None]
    rows = [
        {
            "lane": lane_words(row.lane), "times": row.held.rate_ratio, "low": row.held.rate_ratio_low,
            "high": row.held.rate_ratio_high, "n": getattr(row.held, row.held.told_by), "loads": row.held.loads,
            "stands_out": row.verdict == "stands_out",
        }
        for row in shown if row.held
    ]  # fmt: skip
    # A lane's number is of the kind that tells most of it.
    all_kinds = [lane_words(r.lane) for r in shown if r.held and r.held.told_by == "cleared_without_repair"]
    kinds = f", of {', '.join(all_kinds)} all that cleared without a repair" if all_kinds else ""
    says = f"How many times what is usual for the same trailers in the same months, with the range that chance leaves open; beside them the number of refusals that cleared on another lane{kinds}. The line at 1: as usual. Orange: stands out."
    chart = charts.by_lane(rows, [row["lane"] for row in rows]) if rows else None
    lede = "A rack that refuses sound trailers shows as a lane whose refusals clear elsewhere."
    for verdict, told in VERDICTS.items():
        if names := [lane_words(row.lane) for row in t.lanes if row in ranked and row.verdict == verdict]:
            lede += f" {capital(told)}{MEANS.get(verdict, '')}: {', '.join(names)}."
    return Section(
        "which-lane",
        "Which lane refuses trailers that load elsewhere",
        lede
        if ranked
        else "No lane can be held against another: too few lanes have loads and refusals on record.",
        figure=Figure("which-lane-figure", chart, says) if chart else None,
        table=tables.rates_table(t),
    )


def _since(t: Terminal) -> Section:
    told = []
    for row in t.lanes:
        if row.verdict == "stands_out" and row.held:
            since = row.held.since
            none = f"Since when {lane_words(row.lane)} stands out can't be told from these records."
            told.append(_since_words(t, row.held.lane, since) if since else none)
    return Section(
        "since",
        "Since when",
        " ".join(told)
        or (
            "No lane stands out, so there is no month to name."
            if ranked_lanes(t)
            else "With one lane there is nothing to compare."
        ),
        figure=_strips(t),
        table=tables.months_table(t),
    )


def _since_words(t: Terminal, lane: str, s: Since) -> str:
    def counted(which: Callable[[str], bool]) -> str:
        mine = [m for m in t.months if m.lane == lane and which(m.month)]
        return (
            f"{whole(sum(m.cleared for m in mine))} cleared in {whole(sum(m.loads or 0 for m in mine))} loads"
        )

    line = f"{capital(lane_words(lane))} has stayed above the other lanes' rate of refusals cleared without a repair"
    if s.whole_record:
        line += f" since the first month looked at, {month_words(s.month)}, and perhaps longer."
    else:
        line += f" since about {month_words(s.month)}: {counted(lambda m: m >= s.month)} since then, {counted(lambda m: m < s.month)} before."
    if s.earliest != s.latest:
        line += f" A start anywhere from {month_words(s.earliest)} to {month_words(s.latest)} fits the records nearly as well."
    return line


def _strips(t: Terminal) -> Figure | None:
    """The months of at most six lanes, those with most cleared per load."""
    known = [row for row in t.lanes if row.lane is not None and row.cleared]
    most = sorted(known, key=lambda row: -row.cleared.rate if row.cleared else 0.0)[:CHART_LANES]
    lanes = sorted((row.lane for row in most), key=in_order)
    rows = [
        {
            "lane": lane_words(m.lane), "month": f"{m.month}-01", "until": _next_month(m.month), "name": m.month,
            "n": m.cleared, "loads": m.loads, "rate": m.cleared * 1000 / m.loads,
        }
        for m in t.months if m.lane in lanes and m.loads and m.loads >= CHART_LOADS
    ]  # fmt: skip
    if not rows:
        return None
    says = f"Refusals cleared without a repair per 1,000 loads by month, {period(t.record)}. Dashed: the other lanes together over the whole time. A month with fewer than {CHART_LOADS} loads has no bar."
    since = {
        lane_words(row.lane): f"{row.held.since.month}-01"
        for row in t.lanes
        if row.held and row.held.since and row.lane in lanes
    }
    says += " The upright line marks since when." if since else ""
    if len(known) > len(lanes):
        says += f" Of {len(known)} lanes, the {len(lanes)} with most per load are drawn."
    chart = charts.strips(rows, [lane_words(lane) for lane in lanes], _usual(t, lanes), since)
    return Figure("since-figure", chart, says)


def _usual(t: Terminal, lanes: list[Lane]) -> dict[str, float]:
    """By lane to draw, what the lanes that it is held against cleared per 1,000 loads over the whole record."""
    found = {}
    for row in t.lanes:
        near = row.held.others if row.held and row.held.others_near else ()
        others = [m for m in t.months if m.lane in near]
        loads = sum(m.loads or 0 for m in others)
        if row.lane in lanes and loads:
            found[lane_words(row.lane)] = sum(m.cleared for m in others) * 1000 / loads
    return found


def _next_month(month: str) -> str:
    year, of_year = map(int, month.split("-"))
    return f"{year + of_year // 12}-{of_year % 12 + 1:02d}-01"


def _cleared(t: Terminal) -> list[Section]:
    c = t.total.counts
    title = "What cleared without a repair"
    if not c["cleared"]:
        return [Section("where", title, "No episode that cleared without a repair is on record.")]
    parts = [
        ("same_lane", "on trying again at the same lane"),
        ("other_lane", "on another lane of this terminal"),
        ("other_terminal", "at another terminal"),
        ("not_known", "it is not known where"),
    ]
    told = ", ".join(f"{whole(c[name])} {says}" for name, says in parts if c[name])
    lede = f"{capital(seen(c['cleared'], 'episode'))} cleared without a repair: {told}."
    if c["by_next_load"]:
        lede += f" For {whole(c['by_next_load'])} of them nobody wrote down how the refusal ended; the trailer's next load tells."
    read = "Read a row from left to right: the trailers refused at that lane, and where each loaded next."
    return [
        Section("where", title, lede, table=tables.where_table(t)),
        Section("routes", "From which lane to which", read, table=tables.routes_table(t)),
    ]


def _counts(t: Terminal) -> Section:
    lede = "The rows add up to the terminal's totals. "
    lede += (
        "A lane with more loads has more refusals: compare the rates above, not these counts."
        if t.total.loads
        else "Without loads, a lane with more refusals may only be a busier lane."
    )
    return Section("lanes", "What happened at each lane", lede, table=tables.counts_table(t))


def _hours(t: Terminal) -> Section:
    recorded, of = t.total.counts["delays_recorded"], refused(t.total)
    if not recorded:
        lede = f"None of the {whole(of)} refusals has its delay recorded, so hours can't be told."
    else:
        lede = f"The lanes stood {whole(t.total.delay_hours)} hours over the {whole(recorded)} refusals with a delay on record."
        if recorded < of:
            lede += f" {capital(share(of - recorded, of))}, have none, so the true sum is likely higher."
    return Section(
        "hours", "How long the lanes stood", lede, table=tables.hours_table(t) if recorded else None
    )
