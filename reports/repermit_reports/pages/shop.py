"""The shop's page, for the foreman at the bench. Takes `ShopRecord`, gives a `Page`. No statistics words."""

from __future__ import annotations

from datetime import date

from repermit.studies.readers.shop import Compared, ShopRecord
from repermit.studies.repairs.against import Against
from repermit.studies.repairs.fixes import Fix, Horizon
from repermit.wording import amount, number, percent, seen, share, whole, words
from repermit_reports.charts import shop as charts
from repermit_reports.charts import shops as versus
from repermit_reports.page import Column, Figure, Page, Section, Table
from repermit_reports.pages.where_first import METHOD as LOOK_METHOD
from repermit_reports.pages.where_first import look_sections
from repermit_reports.pages.words import CAUTIONS, ONLY_WHAT_STOPS, data_sentence, records_give

FEW = 10
"""Below so many fixes nothing is said of one kind: too few to tell."""

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
            *look_sections(s.look),
            _actions(s),
            _methods(s),
            _sensors(s),
            _nothing_found(s),
            _own_numbers(s),
            _against(s),
        ),
        cautions=CAUTIONS,
        data_used=(data_sentence(s.about), records_give(s.about)),
        methods=(*METHODS, LOOK_METHOD),
        assumptions=(*ASSUMPTIONS, ONLY_WHAT_STOPS),
        made_on=date.fromisoformat(s.about.end),
    )


def _90(fix: Fix) -> Horizon:
    return next(h for h in fix.horizons if h.days == 90)


def _back(fix: Fix) -> str:
    """How many came back within 90 days, with the least and most that the record allows."""
    h = _90(fix)
    count = number(h.back, 2) if h.back_least != h.back_most else whole(h.back)
    return count if h.back_least == h.back_most else f"about {count} (from {h.back_least} to {h.back_most})"


def _headline(s: ShopRecord) -> str:
    f = s.total
    if not f.placed:
        return "No fix of this shop has a recorded place, so none can be followed."
    line = f"Of {whole(f.placed)} fixes with a recorded place, {_back(f)} came back within 90 days"
    if f.expected_background_90d is None:
        return line + "; what chance alone would bring is not known."
    return line + f"; expected by chance alone: about {number(f.expected_background_90d, 2)}."


def _lede(s: ShopRecord) -> str:
    parts = []
    told = [c for c in s.actions if c.name and c.here.placed >= FEW and _90(c.here).risk is not None]
    if len(told) == 1:
        parts.append(f"Only {words(told[0].name)} has {FEW} fixes or more: {_of_100(told[0].here)}.")
    elif told:
        worst = max(told, key=lambda c: _90(c.here).risk or 0)
        best = min(told, key=lambda c: _90(c.here).risk or 0)
        b, w = _90(best.here), _90(worst.here)
        if (b.risk_high or 0) < (w.risk_low or 0):
            parts.append(
                f"Holds best: {words(best.name)}, {_of_100(best.here)}. Comes back most: {words(worst.name)}, {_of_100(worst.here)}."
            )
        else:
            parts.append("No kind of fix is clearly better than another: their ranges overlap.")
    return " ".join(parts)


def _of_100(fix: Fix) -> str:
    h = _90(fix)
    if h.risk is None:
        return "not followed long enough"
    low, high = (h.risk_low or 0) * 100, (h.risk_high or 0) * 100
    return f"{number(h.risk * 100, 2)} of 100 back within 90 days (between {number(low, 2)} and {number(high, 2)})"


def _rows(compared: tuple[Compared, ...]) -> charts.Rows:
    rows: charts.Rows = []
    for c in compared:
        for who, fix in zip(charts.WHO, (c.here, c.elsewhere), strict=True):
            if fix is None or not fix.placed or _90(fix).risk is None:
                continue
            h = _90(fix)
            rows.append(
                {
                    "fix": words(c.name),
                    "label": seen(fix.placed, "fix", "fixes"),
                    "who": who,
                    "of_100": (h.risk or 0) * 100,
                    "low": (h.risk_low or 0) * 100,
                    "high": (h.risk_high or 0) * 100,
                    "fixes": fix.placed,
                    "back": h.back,
                }
            )
    return rows


def _table(id_: str, caption: str, name: str, compared: tuple[Compared, ...]) -> Table:
    columns = (
        Column("name", name),
        Column("placed", "fixes with a recorded place", kind="integer"),
        Column("back", "came back within 90 days"),
        Column("chance", "by chance", kind="number"),
        Column("here", "of 100, here", kind="interval"),
        Column("elsewhere", "of 100, other shops", kind="interval"),
        Column("their_fixes", "their fixes", kind="integer"),
        Column("any", "any fault of the trailer within 90 days, of 100", kind="number"),
    )
    rows = []
    for c in compared:
        h, e = _90(c.here), _90(c.elsewhere) if c.elsewhere and c.elsewhere.placed else None
        rows.append(
            (
                words(c.name),
                c.here.placed,
                _back(c.here),
                c.here.expected_background_90d,
                _hundred(h),
                _hundred(e) if e else None,
                c.elsewhere.placed if c.elsewhere else None,
                None if h.any_fault is None else h.any_fault * 100,
            )
        )
    return Table(id_, caption, columns, tuple(rows))


def _hundred(h: Horizon) -> tuple[float | None, float | None, float | None] | None:
    if h.risk is None:
        return None
    return h.risk * 100, (h.risk_low or 0) * 100, (h.risk_high or 0) * 100


def _actions(s: ShopRecord) -> Section:
    rows = _rows(s.actions)
    few = [words(c.name) for c in s.actions if c.name and c.here.placed < FEW]
    lede = "Each fix here, and the same fix at the other shops together. The line is how far the true number may lie from the point; the more fixes, the shorter."
    if few:
        lede += f" Too few to tell yet (under {FEW}): {', '.join(few)}."
    return Section(
        "which-hold",
        "Which fixes hold",
        lede if rows else "No fix with a recorded place can be followed yet.",
        figure=Figure(
            "which-hold-figure",
            charts.come_back(rows, [words(c.name) for c in s.actions]),
            "Of 100 fixes, how many come back at the same place within 90 days: this shop (circles) and the other shops (diamonds), each with the range that the record allows.",
        )
        if rows
        else None,
        table=_table("which-hold-table", "Fixes of this shop and of the other shops", "fix", s.actions)
        if s.actions
        else None,
    )


def _methods(s: ShopRecord) -> Section:
    if not any(c.name for c in s.methods):
        return Section(
            "how",
            "How it was done",
            "The records do not say how fixes were done (column method), so tools and ways of working cannot be told apart.",
        )
    told = [c for c in s.methods if c.name and c.here.placed >= FEW and _90(c.here).risk is not None]
    lede = (
        "; ".join(f"{words(c.name)}: {_of_100(c.here)}" for c in told) + "."
        if told
        else f"No way of working has {FEW} fixes yet: too few to tell."
    )
    return Section(
        "how",
        "How it was done",
        lede[0].upper() + lede[1:],
        figure=Figure(
            "how-figure",
            charts.come_back(_rows(s.methods), [words(c.name) for c in s.methods]),
            "The same by the way the fix was done, such as the crimp tool.",
        )
        if _rows(s.methods)
        else None,
        table=_table("how-table", "By the way of working", "way", s.methods),
    )


def _against(s: ShopRecord) -> Section:
    title, a = "This shop against the others", s.total.against
    if a is None or a.ratio is None or a.low is None:
        lede = "The other shops have no fixes of the same kind on record, or none that came back, so there is nothing to hold this shop against."
        return Section("against", title, lede)
    if not a.ranked:
        lede = f"Only {seen(a.compared, 'fix', 'fixes')} of this shop can be followed and have the like elsewhere: too few to hold it against the others."
        return Section("against", title, lede)
    what = f"Of the {whole(a.compared)} fixes that the other shops have the like of, about {number(a.back, 2)} came back within 90 days. Expected from the other shops' record on the same mix of work: {number(a.expected, 2)}."
    same = s.total.against_same_action
    notes = []
    if same and same.ratio is not None and same.compared >= FEW:
        notes.append(
            f"With the same action as well as the same work: {number(same.ratio, 2)} times as many ({_between(same)} times)."
        )
    if s.total.mix_share is not None:
        notes.append(_mix(s.total.mix_share))
    left_out = s.total.placed - a.compared
    if left_out:
        notes.append(
            f"{whole(left_out)} of this shop's {whole(s.total.placed)} fixes have no like elsewhere and are left out of this comparison."
        )
    return Section(
        "against", title, f"{what} {_verdict(a)}", figure=_times_as_often(s.total), notes=tuple(notes)
    )


def _times_as_often(total: Fix) -> Figure | None:
    """One line for the same work, one for the same work done the same way; the rule at once is the others."""
    held = (("the same mix of work", total.against), ("the same mix and action", total.against_same_action))
    rows = [
        {
            "what": what,
            "times": a.ratio,
            "low": a.low or 0.0,
            "high": a.high,
            "label": f"{number(a.back, 2)} back, {number(a.expected, 2)} expected",
        }
        for what, a in held
        if a and a.ranked and a.high is not None
    ]
    if not rows:
        return None
    return Figure(
        "against-figure",
        versus.times_as_often(rows),
        "How many times as often the fixes of this shop come back as the other shops' record leads to expect; the rule at 1 is"
        " the other shops, the line how far the true number may lie from the point.",
    )


def _own_numbers(s: ShopRecord) -> Section:
    """What this shop's own records come to."""
    f, first = s.total, s.total.first_time_fix
    rows: list[tuple[str, str]] = [
        ("shop visits on record", whole(s.visits)),
        ("of them without a word on what was found, or in what", share(s.visits_without_finding, s.visits)),
        ("fixes with a recorded place", whole(f.placed)),
        ("of them back at the same place within 90 days", _back(f)),
    ]
    if first.value is not None and first.n >= FEW:
        rows.append(
            (
                "first visits that ended the matter: no further visit, nothing back there within 30 days",
                f"{number(first.value * 100, 2)} of 100, between {number((first.low or 0) * 100, 2)} and {number((first.high or 0) * 100, 2)} ({seen(first.n, 'visit')})",
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


def _between(a: Against) -> str:
    low = number(a.low, 2)
    return f"between {low} and {number(a.high, 2)}" if a.high is not None else f"{low} or more"


def _verdict(a: Against) -> str:
    if (a.low or 0) > 1:
        return f"That is more than chance explains: {number(a.ratio, 2)} times as many ({_between(a)} times)."
    if a.high is not None and a.high < 1:
        return (
            f"That is fewer than chance explains: {number(a.ratio, 2)} times as many ({_between(a)} times)."
        )
    return f"It could truly be {_between(a)} times as many: too few to tell it from the others."


def _mix(share: float) -> str:
    if share >= 0.1:
        return f"Without allowing for the mix of work the difference would look larger: the mix explains about {percent(min(share, 1.0))} of it."
    if share <= -0.1:
        return "The mix of work hides part of the difference: without allowing for it, it would look smaller."
    return "The mix of work explains next to nothing of the difference."


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
        lede += f" Of the {whole(n.followed)} followed for 90 days, {whole(n.something_else)} had something else found at the same position: {'in those the sensor was probably good' if n.something_else else 'that speaks for the sensors'}."
    return Section("good-sensors", title, lede)


def _nothing_found(s: ShopRecord) -> Section:
    n = s.nothing_found
    if not n.visits:
        return Section(
            "nothing-found", "Visits, no fault found", "No visit on record ended with nothing found."
        )
    lede = f"{whole(n.visits)} of {whole(n.all_visits)} repaired episodes ended with nothing found."
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
        lede += f" Of the {whole(n.followed)} that could be followed for 90 days, {seen(n.again, 'trailer had', 'trailers had')} a fault again: in those the fault may have been there all along."
    return Section("nothing-found", "Visits, no fault found", lede)
