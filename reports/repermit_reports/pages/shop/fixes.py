"""Of the shop's page: which fixes hold, how they were done, which trailers came back.

Takes `ShopRecord`, gives sections. No statistics words.
"""

from __future__ import annotations

from repermit.studies.readers.shop import Compared, ShopRecord
from repermit.studies.repairs.came_back import CameBack
from repermit.studies.repairs.fixes import Fix, Horizon
from repermit.wording import NAMED, number, seen, whole, words
from repermit_reports.charts import shop as charts
from repermit_reports.page import Column, Figure, Section, Table

FEW = 10
"""Below so many fixes nothing is said of one kind: too few to tell."""
MOST_ROWS = 20


def within_90(fix: Fix) -> Horizon:
    """What followed within 90 days."""
    return next(h for h in fix.horizons if h.days == 90)


def count_words(back: float | None) -> str:
    """A count that need not be whole, as some comebacks count in part."""
    return whole(back) if back is None or back == round(back) else f"about {number(back, 2)}"


def back_words(fix: Fix) -> str:
    """How many came back within 90 days, with the least and most that the record allows."""
    h = within_90(fix)
    if h.back_least == h.back_most:
        return whole(h.back)
    return f"{count_words(h.back)} (from {whole(h.back_least)} to {whole(h.back_most)})"


def least_to_most(fix: Fix) -> str:
    """How many of how many came back: at least, and at most where the next fault's place is not recorded of some."""
    h = within_90(fix)
    count = (
        whole(h.back_least)
        if h.back_least == h.back_most
        else f"{whole(h.back_least)} to {whole(h.back_most)}"
    )
    return f"{count} of {whole(fix.placed)}"


def of_them(fix: Fix) -> str:
    """How many of how many came back, and how far the long run may lie from it."""
    h = within_90(fix)
    count = least_to_most(fix)
    if h.risk is None or fix.placed < FEW:
        return f"{count}, too few to tell"
    return f"{count} (in the long run {_limits(h)} of 100)"


def _limits(h: Horizon) -> str:
    low = (h.risk_low or 0) * 100
    least = "under 0.1" if 0 < low < 0.1 else number(low, 2)
    return f"{least} to {number((h.risk_high or 0) * 100, 2)}"


def enough(compared: tuple[Compared, ...]) -> list[Compared]:
    """Those of which this shop has enough to say something."""
    return [c for c in compared if c.name and c.here.placed >= FEW and within_90(c.here).risk is not None]


def apart(worse: Fix, better: Fix) -> bool:
    """Whether one comes back more often than the other beyond their ranges; few of either can't show it."""
    w, b = within_90(worse), within_90(better)
    known = min(worse.placed, better.placed) >= FEW and w.risk_low is not None and b.risk_high is not None
    return known and (w.risk_low or 0) > (b.risk_high or 0)


def more_here(c: Compared) -> bool:
    """Whether this shop's fixes of a kind come back more often than the other shops'."""
    return c.elsewhere is not None and apart(c.here, c.elsewhere)


def best_and_worst(told: list[Compared]) -> tuple[Compared, Compared] | None:
    """The kind that holds best and the one that comes back most, where their ranges are apart."""
    if len(told) < 2:
        return None
    ordered = sorted(told, key=lambda c: within_90(c.here).risk or 0)
    return (ordered[0], ordered[-1]) if apart(ordered[-1].here, ordered[0].here) else None


def _rows(compared: tuple[Compared, ...]) -> charts.Rows:
    rows: charts.Rows = []
    for c in compared:
        for who, fix in zip(charts.WHO, (c.here, c.elsewhere), strict=True):
            if c.name is None or fix is None or fix.placed < FEW or within_90(fix).risk is None:
                continue
            h = within_90(fix)
            rows.append(
                {
                    "fix": words(c.name),
                    "label": least_to_most(fix),
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
        Column("back", "came back within 90 days, least to most"),
        Column("chance", "by chance", kind="number"),
        Column("here", "of 100, this shop", kind="interval"),
        Column("elsewhere", "of 100, other shops", kind="interval"),
        Column("their_fixes", "came back there"),
        Column("any", "any fault of the trailer within 90 days, of 100", kind="integer"),
    )
    rows = []
    for c in compared:
        any_fault = within_90(c.here).any_fault if c.here.placed >= FEW else None
        rows.append(
            (
                words(c.name, "not written down"),
                least_to_most(c.here),
                c.here.expected_background_90d,
                of_100(c.here),
                of_100(c.elsewhere) if c.elsewhere else None,
                least_to_most(c.elsewhere) if c.elsewhere else None,
                None if any_fault is None else round(any_fault * 100),
            )
        )
    return Table(id_, caption, columns, tuple(rows))


def of_100(fix: Fix) -> tuple[float | None, float | None, float | None] | None:
    """How many of 100, with limits; nothing of few: the counts beside it say what there is."""
    h = within_90(fix)
    if h.risk is None or fix.placed < FEW:
        return None
    return round(h.risk * 100), round((h.risk_low or 0) * 100), round((h.risk_high or 0) * 100)


def _figure(id_: str, compared: tuple[Compared, ...], says: str) -> Figure | None:
    """None where this shop has enough of no kind."""
    if not enough(compared):
        return None
    return Figure(id_, charts.come_back(_rows(compared), [words(c.name) for c in compared if c.name]), says)


def which_hold(s: ShopRecord) -> Section:
    """Each kind of fix, here and at the other shops."""
    id_, title = "which-hold", "Which fixes hold"
    if not s.actions:
        return Section(id_, title, "No fix with a recorded place can be followed yet.")
    few = [words(c.name) for c in s.actions if c.name and c.here.placed < FEW]
    lede = "Each fix here, and the same fix at the other shops together."
    if enough(s.actions):
        lede += " The line is how far the true number may lie from the point; the more fixes, the shorter."
    if few:
        lede += f" Too few to tell yet (under {FEW}): {', '.join(few)}."
    figure = _figure(
        "which-hold-figure",
        s.actions,
        "Of 100 fixes, how many come back at the same place within 90 days: this shop (circles) and the other shops"
        " (diamonds), each with the range that the record allows, and how many did of how many.",
    )
    caption = "Fixes of this shop and of the other shops"
    return Section(id_, title, lede, figure, _table("which-hold-table", caption, "fix", s.actions))


def how_done(s: ShopRecord) -> Section:
    """The same by tool or way of working, of the kinds of fix of which some say how they were done."""
    id_, title = "how", "How it was done"
    if not any(c.name for c in s.methods):
        lede = "The records do not say how fixes were done (column method), so tools and ways of working cannot be told apart."
        return Section(id_, title, lede)
    told = enough(s.methods)
    parts = []
    for c in told[:NAMED]:
        other = f"; at the other shops {of_them(c.elsewhere)}" if c.elsewhere else ""
        parts.append(f"{words(c.name).capitalize()}: back within 90 days {of_them(c.here)}{other}.")
    if more := told[NAMED:]:
        parts.append(f"Of {whole(len(more))} more ways the table tells.")
    if not told:
        parts.append(f"No way of working has {FEW} fixes yet: too few to tell.")
    elif len(told) > 1:
        pair = best_and_worst(told)
        parts.append(
            f"{words(pair[0].name).capitalize()} holds better than {words(pair[1].name)}."
            if pair
            else "Which of them holds better here can't be told: their ranges overlap."
        )
    worse = [words(c.name) for c in told if more_here(c)]
    if len(worse) > 1:
        parts.append("All of these come back more often here than elsewhere: so it is not the tool alone.")
    figure = _figure("how-figure", s.methods, "The same by the way the fix was done, such as the crimp tool.")
    table = _table("how-table", "By the way of working", "way", s.methods)
    return Section(id_, title, " ".join(parts), figure, table)


def by_trailer(found: tuple[CameBack, ...]) -> list[list[CameBack]]:
    """The comebacks of each trailer, newest first; those that came back most before the others."""
    trailers: dict[str, list[CameBack]] = {}
    for c in found:
        trailers.setdefault(c.trailer_id, []).append(c)
    return sorted(trailers.values(), key=lambda mine: -len(mine))


def came_back(s: ShopRecord) -> Section:
    """Which trailers came back to the same place, by name."""
    id_, title = "came-back", "Which trailers came back"
    trailers = by_trailer(s.came_back)
    if not trailers:
        return Section(
            id_, title, "None within 90 days of its repair to the same place, in the last 12 months."
        )
    lede = f"In the 12 months before {s.about.end}, {seen(len(trailers), 'trailer')} came back within 90 days with a fault at the place that was fixed, or at one not recorded."
    again = [f"{mine[0].trailer_id} {len(mine)} times" for mine in trailers if len(mine) > 1]
    if again:
        lede += f" More than once: {', '.join(again[:5])}{' and others' if again[5:] else ''}."
    table = Table(
        "came-back-table",
        "Trailers that came back, and the last time of each",
        (
            Column("trailer", "trailer"),
            Column("times", "times", kind="integer"),
            Column("fix", "last fix"),
            Column("returned", "went out", kind="date"),
            Column("back", "refused again", kind="date"),
            Column("days", "days between", kind="integer"),
            Column("found", "found then"),
        ),
        tuple(_came_row(mine) for mine in trailers[:MOST_ROWS]),
    )
    more = len(trailers) - MOST_ROWS
    notes = (f"{seen(more, 'more trailer')} came back once; those are the longest ago.",) if more > 0 else ()
    return Section(id_, title, lede, table=table, notes=notes)


def _came_row(mine: list[CameBack]) -> tuple[object, ...]:
    last = mine[0]
    place = f"at {last.position}" if last.position else "at trailer level"
    found = words(last.cause)
    if not last.sure:
        found += ", place not recorded" if last.cause else ", nor where"
    fix = f"{words(last.action)} {place}"
    return (last.trailer_id, len(mine), fix, last.returned_on, last.back_on, last.days, found)
