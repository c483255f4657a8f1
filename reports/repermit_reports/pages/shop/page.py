"""The shop's page, for the foreman at the bench. Takes `ShopRecord`, gives a `Page`. No statistics words."""

from __future__ import annotations

from repermit.studies.readers.shop import ShopRecord
from repermit.wording import amount, number, seen, share, whole, words
from repermit_reports.page import Column, Page, Section, Table
from repermit_reports.pages.shop.against import against_others, by_year, verdict
from repermit_reports.pages.shop.fixes import (
    FEW,
    back_words,
    best_and_worst,
    came_back,
    enough,
    how_done,
    of_them,
    which_hold,
)
from repermit_reports.pages.shop.to_do import to_do
from repermit_reports.pages.where_first import METHOD as LOOK_METHOD
from repermit_reports.pages.where_first import look_sections
from repermit_reports.pages.words import CAUTIONS, ONLY_WHAT_STOPS, data_sentence, records_give

METHODS = (
    "A fix comes back when the trailer's next fault is at the place that was fixed, counted in days from its return. The first 90 days are told here. Faults elsewhere on the trailer are not held against the fix.",
    "Where the record does not say where the next fault was, it counts in part, by how often such faults turned out to be at the same place in all shops' records; the least and most that it could be stand beside it.",
    "By chance: what the usual number of faults at those places would bring in the same days, had the fix nothing to do with it.",
    "Against the other shops: what their record brings on trailers of the same wiring and length, refused for the same reason with the same tester's showing, followed for the same days (indirect standardisation; limits after Breslow and Day 1987, wider as fixes of one trailer come back together, Lin and Wei 1989; incidence after Aalen and Johansen 1978). Kinds of work that the other shops have fewer than 10 fixes of are joined with the next alike.",
)
ASSUMPTIONS = (
    "A trailer that was not refused again is taken to have held, as long as it was in service and loading.",
    "A fix whose place is not recorded cannot be followed there; it stands only in the line on any fault.",
)


def shop_page(s: ShopRecord) -> Page:
    """The page of one shop; the other shops are never named."""
    return Page(
        kind="shop",
        title=f"At the bench of {s.shop}",
        subtitle=f"For the foreman; all repairs returned before {s.about.end}",
        headline=_headline(s),
        lede=_lede(s),
        sections=(
            to_do(s),
            *look_sections(s.look),
            came_back(s),
            which_hold(s),
            how_done(s),
            against_others(s),
            by_year(s),
            _sensors(s),
            _nothing_found(s),
            _own_numbers(s),
        ),
        cautions=CAUTIONS,
        data_used=(data_sentence(s.about), records_give(s.about)),
        methods=(*METHODS, LOOK_METHOD),
        assumptions=(*ASSUMPTIONS, ONLY_WHAT_STOPS),
        dated=f"Records before {s.about.end}",
    )


def _headline(s: ShopRecord) -> str:
    f = s.total
    if not f.placed:
        return "No fix of this shop has a recorded place, so none can be followed."
    line = f"Of {whole(f.placed)} fixes with a recorded place, {back_words(f)} came back within 90 days"
    if f.expected_background_90d is None:
        return line + "; what chance alone would bring is not known."
    return line + f"; expected by chance alone: about {number(f.expected_background_90d, 2)}."


def _lede(s: ShopRecord) -> str:
    parts = []
    told, a = enough(s.actions), s.total.against
    pair = best_and_worst(told)
    if pair:
        best, worst = pair
        parts.append(
            f"Holds best: {words(best.name)}, back {of_them(best.here)}. Comes back most: {words(worst.name)}, {of_them(worst.here)}."
        )
    elif len(told) == 1:
        parts.append(f"Only {words(told[0].name)} has {FEW} fixes or more: back {of_them(told[0].here)}.")
    elif told:
        parts.append("No kind of fix is clearly better than another: their ranges overlap.")
    if a and a.ranked and a.low is not None:
        parts.append(
            f"The other shops' record on the same mix of work leads to expect {number(a.expected, 2)}. {verdict(a)}"
        )
    return " ".join(parts)


def _own_numbers(s: ShopRecord) -> Section:
    """What this shop's own records come to."""
    f, first = s.total, s.total.first_time_fix
    rows: list[tuple[str, str]] = [
        ("shop visits on record", whole(s.visits)),
        ("of them without a word on what was found, or in what", share(s.visits_without_finding, s.visits)),
        ("fixes with a recorded place", whole(f.placed)),
        ("of them back at the same place within 90 days", back_words(f)),
    ]
    if first.value is not None and first.n >= FEW:
        rows.append(
            (
                "first visits that ended the matter: no further visit, nothing back there within 30 days",
                f"about {whole(first.value * first.n)} of {whole(first.n)} (in the long run {number((first.low or 0) * 100, 2)} to {number((first.high or 0) * 100, 2)} of 100)",
            )
        )
    if s.labour_min is not None:
        hours = f"{amount(s.labour_min / 60)} h in {seen(s.with_labour, 'visit')}, {whole(s.labour_min / s.with_labour)} min each"
        rows.append(("hands-on time, where written down", hours))
    if s.cost is not None:
        money = f"{amount(s.cost)} {s.about.currency or '(currency not stated)'} in {seen(s.priced, 'visit')}"
        rows.append(("invoiced, else labour and parts, where priced", money))
    table = Table(
        "own-numbers-table",
        f"Before {s.about.end}",
        (Column("what", "what"), Column("number", "number")),
        tuple(rows),
    )
    since = f"All visits since {s.first_return}." if s.first_return else "No visit has a date."
    return Section("own-numbers", "This shop's own numbers", since, table=table)


def _money(s: ShopRecord, value: float | None) -> str:
    return f"{amount(value)} {s.about.currency or '(currency not stated)'}"


def _sensors(s: ShopRecord) -> Section:
    title, n = "Good sensors replaced", s.sensors
    if not n.replaced:
        return Section("good-sensors", title, "No sensor on record was replaced after a non-permit.")
    lede = f"{seen(n.replaced, 'sensor')} replaced after a non-permit."
    if n.tested:
        lede += f" {whole(n.tested)} were tested on the bench, {whole(n.good)} of them had nothing wrong"
        lede += f" (between {number((n.low or 0) * 100, 2)} and {number((n.high or 0) * 100, 2)} of 100 in the long run)."
        if n.good and n.minutes is not None:
            lede += f" The visits with these took {amount(n.minutes / 60)} hours of work"
            lede += f" and their parts cost {_money(s, n.parts_cost)}." if n.parts_cost is not None else "."
    else:
        lede += " None was tested on the bench, so the record can't say how many were good: send removed sensors in and keep the verdict (table returns)."
    if n.followed:
        lede += f" After {whole(n.something_else)} of the {whole(n.followed)} followed for 90 days something else was found at the same position{': in those the sensor was probably good' if n.something_else else ''}."
    return Section("good-sensors", title, lede)


def _nothing_found(s: ShopRecord) -> Section:
    n = s.nothing_found
    if not n.visits:
        return Section(
            "nothing-found", "Visits, no fault found", "No visit on record ended with nothing found."
        )
    lede = f"{whole(n.visits)} of {whole(n.all_visits)} repairs after a non-permit ended with nothing found."
    if n.minutes is not None:
        lede += f" They took {amount(n.minutes / 60)} hours of work"
        lede += f" (recorded for {whole(n.minutes_known)})" if n.minutes_known < n.visits else ""
        lede += (
            f" and cost {_money(s, n.cost)}"
            + (f" (priced: {whole(n.priced)})" if n.priced < n.visits else "")
            if n.cost is not None
            else ""
        )
        lede += "."
    if n.followed:
        lede += f" After {whole(n.again)} of the {whole(n.followed)} that could be followed for 90 days the trailer had a fault again{': it may have been there all along' if n.again else ''}."
    return Section("nothing-found", "Visits, no fault found", lede)
