"""Of the shop's page: this shop against the other shops, and against itself a year ago. No statistics words.

Takes `ShopRecord`, gives sections.
"""

from __future__ import annotations

from repermit.studies.readers.shop import ShopRecord
from repermit.studies.repairs.against import Against
from repermit.studies.repairs.fixes import Fix
from repermit.wording import number, percent, seen, whole
from repermit_reports.charts import shops as versus
from repermit_reports.page import Column, Figure, Section, Table
from repermit_reports.pages.shop.fixes import FEW, apart, count_words, least_to_most, of_100, of_them


def against_others(s: ShopRecord) -> Section:
    """This shop against what the others' record leads to expect."""
    title, a = "This shop against the others", s.total.against
    if a is None or a.ratio is None or a.low is None:
        lede = "The other shops have no fixes of the same kind on record, or none that came back, so there is nothing to hold this shop against."
        return Section("against", title, lede)
    if not a.ranked:
        lede = f"Only {seen(a.compared, 'fix', 'fixes')} of this shop can be followed and have the like elsewhere: too few to hold it against the others."
        return Section("against", title, lede)
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
    held = _held(s.total)
    return Section(
        "against",
        title,
        f"{held_words(a)} {verdict(a)}",
        figure=_times_as_often(held),
        drawn=_held_table(held) if held else None,
        notes=tuple(notes),
    )


def by_year(s: ShopRecord) -> Section:
    """Whether fixes come back less than a year ago."""
    id_, title = "years", "Better or worse than a year ago"
    if len(s.years) < 2:
        return Section(id_, title, "There is no earlier year on record to hold this one against.")
    last, before = s.years[0].here, s.years[1].here
    lede = f"Of the last 12 months' fixes {of_them(last)} came back within 90 days, of those of the year before {of_them(before)}."
    if apart(last, before):
        lede += " That is more than a year ago."
    elif apart(before, last):
        lede += " That is fewer than a year ago."
    else:
        lede += " Whether that is better or worse can't be told: the ranges overlap, or there are too few."
    columns = (
        Column("year", "went out"),
        Column("back", "came back within 90 days, least to most"),
        Column("chance", "by chance", kind="number"),
        Column("here", "of 100", kind="interval"),
    )
    rows = tuple(
        (c.name, least_to_most(c.here), c.here.expected_background_90d, of_100(c.here)) for c in s.years
    )
    note = (
        "Those that went out less than 90 days ago have had less time to come back; of 100 allows for that."
    )
    return Section(
        id_, title, lede, table=Table("years-table", "By the year of the fix", columns, rows), notes=(note,)
    )


def held_words(a: Against) -> str:
    """What came back, and what the others' record leads to expect."""
    back = count_words(a.back)
    return f"Of the {whole(a.compared)} fixes that the other shops have the like of, {back} came back within 90 days. Expected from the other shops' record on the same mix of work: {number(a.expected, 2)}."


def _held(total: Fix) -> versus.Rows:
    """One row for the same work, one for the same work done the same way."""
    held = (("same mix of work", total.against), ("same mix of work, same action", total.against_same_action))
    return [
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


def _held_table(rows: versus.Rows) -> Table:
    """The picture in numbers."""
    return Table(
        "times-table",
        "How many times as often this shop's fixes come back as the others' record leads to expect",
        (
            Column("what", "held on"),
            Column("label", "what came back"),
            Column("times", "times", kind="interval"),
        ),
        tuple((row["what"], row["label"], (row["times"], row["low"], row["high"])) for row in rows),
    )


def _times_as_often(rows: versus.Rows) -> Figure | None:
    """A line a row; the rule at once is the others."""
    if not rows:
        return None
    return Figure(
        "against-figure",
        versus.times_as_often(rows),
        "How many times as often the fixes of this shop come back as the other shops' record leads to expect; the rule at 1 is"
        " the other shops, the line how far the true number may lie from the point.",
    )


def _between(a: Against) -> str:
    low = number(a.low, 2)
    return f"between {low} and {number(a.high, 2)}" if a.high is not None else f"{low} or more"


def verdict(a: Against) -> str:
    """How the shop stands against the others' record."""
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
