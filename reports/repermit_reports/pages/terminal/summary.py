"""The head of the terminal's page: which lane, how sure, what it holds up, who met it, what to do. Plain words only.

Takes `Terminal`, gives text. May import `wording` and the page's tables.
"""

from __future__ import annotations

import math

from repermit.studies.readers.terminal import LaneRow, Terminal
from repermit.wording import amount, interval, number, seen, whole, words
from repermit_reports.pages.terminal.tables import lane_words, month_words, period, refused

LOOK_AT = {"ground": "the ground clip, its cable and its monitor"}
USUALLY = "the plug, its cable and the controller"
"""What to have looked at first, by the reason that most refusals gave (common practice)."""
BARELY = 2.0
"""A lane with no more than so many times the usual, at least, stands out only just."""
MONTH = {
    "more": "more than in the months before, and chance can hardly make that difference (in one month of twenty it does)",
    "fewer": "fewer than in the months before, and chance can hardly make that difference (in one month of twenty it does)",
    "about_the_same": "about the same",
    "too_few": "no change that these few could show",
}


def capital(text: str) -> str:
    """With a capital letter at its start."""
    return text[:1].upper() + text[1:]


def ranked_lanes(t: Terminal) -> list[LaneRow]:
    """Lanes that can be compared, the highest against the usual first."""
    known = [row for row in t.lanes if row.verdict is not None]
    return sorted(known, key=_times, reverse=True)


def _times(row: LaneRow) -> float:
    if row.held is None or row.held.rate_ratio_low is None:
        return 0.0
    return math.inf if row.held.rate_ratio is None else row.held.rate_ratio


def headline(t: Terminal) -> str:
    """The lane that stands out, how often and since when; or why none is told."""
    n, loads, when = refused(t.total), t.total.loads, period(t.year)
    if not n and not loads:
        return f"Neither loads nor refusals are on record at {t.name} for {when}."
    if not n:
        return f"No refusal is on record at {t.name} for {when}, over {whole(loads)} loads: none happened, or none was logged."
    if not loads:
        return f"{seen(n, 'refusal')} at {t.name}, {when}, but no loads are on record, so its lanes can't be compared."
    ranked = ranked_lanes(t)
    if not ranked:
        return f"{seen(n, 'refusal')} in {whole(loads)} loads at {t.name}, {when}; no lane can be held against another."
    out = [row for row in ranked if row.verdict == "stands_out"]
    if out:
        return f"{capital(lane_words(out[0].lane))} stands out; worth a service check: {_counted(out[0])}, where {_usual(out[0])} would be usual{_since_short(out[0])}."
    return _none_stands_out(t, ranked)


def _none_stands_out(t: Terminal, ranked: list[LaneRow]) -> str:
    top = ranked[0]
    if not t.total.counts["cleared"]:
        return f"No lane of {t.name} stands out: no trailer refused here is on record as loading again without a repair, in {whole(t.total.loads)} loads."
    few = any(row.verdict == "too_few" for row in ranked)
    told = "too few refusals to tell more" if few else "none has more than twice the rate of the others"
    one = top.held is not None and top.held.one_trailer
    why = "but one trailer alone makes it" if one else "which chance can bring"
    return f"No lane of {t.name} stands out; {told}. The highest is {lane_words(top.lane)}: {_counted(top)}, where {_usual(top)} would be usual; {why}."


def _counted(row: LaneRow) -> str:
    """How often trailers refused there loaded without a repair, and in how many loads."""
    held = row.held
    assert held
    elsewhere = held.told_by == "cleared_other_lane"
    count = held.cleared_other_lane if elsewhere else held.cleared_without_repair
    times = "once" if count == 1 else f"{whole(count)} times"
    return f"{times} in {whole(held.loads)} loads a trailer refused there loaded {'elsewhere' if elsewhere else 'again'} without a repair"


def _usual(row: LaneRow) -> str:
    assert row.held
    return number(row.held.expected, 2)


def _sure(row: LaneRow) -> str:
    """How many times the usual, and what the usual is."""
    held = row.held
    assert held
    n = len(held.others)
    others = f"the other {n} lanes" if n > 1 else lane_words(held.others[0])
    others = others if held.others_near else "lanes of other terminals"
    times = interval(held.rate_ratio_low, held.rate_ratio_high)
    return f"{times} times the usual, which is what the same trailers met on {others} in the same months"


def _since_short(row: LaneRow) -> str:
    """Since when, to stand in a sentence."""
    since = row.held.since if row.held else None
    if since is None:
        return "; since when can't be told"
    return (
        f", since {month_words(since.month)} or before"
        if since.whole_record
        else f", since about {month_words(since.month)}"
    )


def lede(t: Terminal) -> str:
    """What to do, how sure it is, who met it and what it held up, the last month; then the counts behind it."""
    if not refused(t.total):
        if t.last_refusal_on:
            return f"Refusals on record here run from {t.first_refusal_on} to {t.last_refusal_on}. A terminal that stops logging looks like one where nothing happens."
        return "No refusal at this terminal has ever been logged in this store, so this page can't say which lane refuses."
    ranked = ranked_lanes(t)
    out = [row for row in ranked if row.verdict == "stands_out"]
    told = [_to_do(out)] if ranked else []
    if not out and ranked:
        told.append(f"How sure: {lane_words(ranked[0].lane)} has {_sure(ranked[0])}.")
    for row in out:
        told += _about(t, row, first=row is out[0])
    return "\n\n".join([*told, _made_of(t)])


def _to_do(out: list[LaneRow]) -> str:
    if not out:
        return "What to do: nothing by these records. That no lane stands out does not show that all are in order."
    looks: dict[str, list[str]] = {}
    for row in out:
        looks.setdefault(_first_look(row), []).append(lane_words(row.lane))
    checks = "; ".join(f"{what} of {' and '.join(lanes)}" for what, lanes in looks.items())
    return f"What to do: have looked at, under the site's own rules, {checks}, and look at this page again some months later. It speaks of a lane over months, never of one refusal."


def _first_look(row: LaneRow) -> str:
    return LOOK_AT.get(row.reasons[0][0], USUALLY) if row.reasons else USUALLY


def _about(t: Terminal, row: LaneRow, first: bool) -> list[str]:
    """A lane that stands out: how sure, who met it; of the first also what it held up, its reasons, its last month."""
    name = lane_words(row.lane)
    if not first:
        assert row.held
        barely = (row.held.rate_ratio_low or 0.0) < BARELY
        too = "stands out too, but only just" if barely else "stands out too"
        told = f"{capital(name)} {too}: {_counted(row)}, where {_usual(row)} would be usual{_since_short(row)}. That is {_sure(row)}."
        return [f"{told} {_met(row)}".strip()]
    lines = [f"How sure: {name} has {_sure(row)}.", f"Lane or trailers? {_met(row)}", _cost(row)]
    if row.reasons:
        given = ", ".join(f"{words(reason)} {whole(n)}" for reason, n in row.reasons)
        refusals = sum(n for _, n in row.reasons)
        lines.append(
            f"Reasons that the rack gave for {seen(refusals, 'refusal')} of equipment there: {given}."
        )
    month = t.last_month(row)
    if month:
        lines.append(
            f"Last month ({month_words(month.month)}): {whole(month.cleared)} cleared without a repair in {whole(month.loads)} loads;"
            f" {whole(month.cleared_before)} in {whole(month.loads_before)} from {month_words(month.since)} to the month before: {MONTH[month.verdict]}."
        )
    return lines


def _met(row: LaneRow) -> str:
    """How many trailers and fleets met it: many, where it is the lane."""
    s = row.seen_by
    assert s  # what stands out has cleared ones
    of = f" of {seen(s.fleets, 'fleet')}" if s.fleets else ""
    return f"The {whole(s.times)} that cleared without a repair there were of {seen(s.trailers, 'trailer')}{of}, at most {whole(s.most_of_one)} of one trailer."


def _cost(row: LaneRow) -> str:
    s = row.seen_by
    if s is None or s.hours is None:
        return "What it costs: no delay of them is on record."
    return f"What it costs: the lane stood {amount(s.hours)} hours over the {whole(s.timed)} of them with a delay on record. What an hour of a lane costs is not in the records."


def _made_of(t: Terminal) -> str:
    c = t.total.counts
    other = whole(c["not_equipment"]) if c["not_equipment"] else "none"
    return (
        f"Here in all: {seen(c['refusals'], 'refusal')} for an equipment reason, {other} for another reason, such as paperwork."
        f" The first made {seen(c['episodes'], 'episode')} (one event of a trailer, refused once or several times):"
        f" {whole(c['cleared'])} cleared without a repair, {whole(c['fault'])} were faults of the trailer{_rest(c)}."
    )


def _rest(c: dict[str, int]) -> str:
    """The episodes that are neither, so that the sum is whole."""
    left = [
        ("near_miss", "a correct stop on real liquid"),
        ("rack", "put down to the rack"),
        ("left", "left without a load"),
    ]
    told = [f"{whole(c[name])} {says}" for name, says in left if c[name]]
    return f", {', '.join(told)}" if told else ""
