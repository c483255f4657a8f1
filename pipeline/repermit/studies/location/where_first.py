"""Where to look first: the order of checks that finds a fault in the least expected minutes, by what the tester shows.

Marts in, `Search` out. May import `statistics`, `warehouse` and its neighbours.

One fault, checks without error, fixed minutes, a housing opened once; the probability that a fault is in a cell comes
from past findings (the model of `sharing`), never from how often later checks passed or failed. Safety steps come
first and the full function test last, whatever the order.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.location.chain import Cell
from repermit.studies.location.check_minutes import IN_HOUSING, Minutes, check_minutes, check_of
from repermit.studies.location.masking import RESOLVED_FAULTS, Pattern
from repermit.studies.location.sharing import likely_cells
from repermit.studies.selection import Selection, Window, of_own
from repermit.warehouse import Connection, once, rows
from repermit.wording import number, percent, seen, whole, words

if TYPE_CHECKING:
    from collections.abc import Sequence

Place = tuple[str, int]
"""A check and its position; 0 = trailer level."""
UNNUMBERED = ("all_pass", "several", "none_pass")
GROUND = "ground"
CUSTOMARY = "wipe the tip of the indicated sensor; its housing's connections by eye and by pull test; strain relief; supply at that sensor; swap the sensor; the same one position before; the socket; the ground; then the other housings, the nearest first"
"""The order that shops are used to (*common practice*)."""
WORTH_A_LINE = 0.0005
"""Checks of less probability are not listed; they come last."""


@dataclass(frozen=True)
class Step:
    """One check: what it finds with which probability, its minutes with opening the housing, and minutes so far.

    `expected_minutes`: spent on average by the end of this step, in searches that come to an end in this order. `found`:
    past findings with this indication, on trailers of any length, that this check is credited with.
    """

    rank: int
    check: str
    position: int
    probability: float
    minutes: float
    opens: bool
    expected_minutes: float
    found: int


@dataclass(frozen=True)
class Search:
    """The order for one indication of a system and length; without steps where the record is too thin to say.

    `indicated` is a position, one of all_pass, several, none_pass, or ground. `alike`: past faults of the system with
    that indication and a whole finding, on trailers of any length, of `findings` whole ones of the system;
    `nothing_found` of `visits` with it found nothing.
    """

    system: str
    positions: int
    indicated: int | str
    steps: tuple[Step, ...]
    expected: float | None
    customary: float | None
    alike: int
    nothing_found: int
    visits: int
    findings: int

    def sentence(self) -> str:
        """The answer in words."""
        after = f"the tester {shows(self.indicated)}"
        if not self.steps:
            return f"{after[0].upper()}{after[1:]}: {self.missing()}."
        first = self.steps[0]
        saved = (self.customary or 0) - (self.expected or 0)
        return (
            f"{after[0].upper()}{after[1:]}: first {words(first.check)}{where(first.position)}, which finds it in {percent(first.probability)} of cases."
            f" On average {number(self.expected, 2)} minutes to the fault, {number(saved, 2)} fewer than in the customary order"
            f" (from a model of past findings; {seen(self.alike, 'finding')} with this indication)."
        )

    def missing(self) -> str:
        """What is missing where there are no steps."""
        if self.findings < RESOLVED_FAULTS:
            return (
                f"too few past findings to say where to look first; {whole(self.findings)} of {words(self.system)} trailers say"
                f" position, place and cause, {RESOLVED_FAULTS} are needed"
            )
        return "by the rules of the chain no fault shows so"


@dataclass(frozen=True)
class Searches:
    """One search an indication, of each kind of trailer asked about, and where the minutes come from.

    `shop`: whose kinds these are; None where they are the commonest of each system.
    """

    about: About
    minutes: Minutes
    rows: tuple[Search, ...]
    shop: str | None = None

    def kinds(self) -> list[tuple[str, int, list[Search]]]:
        """System, length, and its searches; of a shop the kinds that it sees most come first."""
        found: dict[tuple[str, int], list[Search]] = {}
        for row in self.rows:
            found.setdefault((row.system, row.positions), []).append(row)
        return [(*kind, searches) for kind, searches in found.items()]

    def as_rows(self) -> list[dict[str, Any]]:
        """For JSON and CSV: a row a step."""
        return [
            {
                "system": s.system,
                "positions": s.positions,
                "indicated_position": s.indicated if isinstance(s.indicated, int) else None,
                "indication": "position" if isinstance(s.indicated, int) else s.indicated,
                "rank": step.rank,
                "check": step.check,
                "position": step.position,
                "probability": step.probability,
                "minutes": step.minutes,
                "expected_minutes": step.expected_minutes,
                "expected_minutes_customary": s.customary,
                "past_findings": s.alike,
                "past_found": step.found,
                "sentence": s.sentence(),
            }
            for s in self.rows
            for step in s.steps
        ]


def shows(indicated: int | str) -> str:
    """What the tester shows, in words."""
    if isinstance(indicated, int):
        return f"names position {indicated}"
    if indicated == GROUND:
        return "shows the ground open"
    return {
        "all_pass": "passes all positions",
        "several": "names several positions",
        "none_pass": "passes none",
    }[indicated]


def where(position: int) -> str:
    """A position, as part of a sentence."""
    return f" at position {position}" if position else ""


def where_first(
    con: Connection,
    store: str,
    selection: Selection,
    *,
    positions: int | None = None,
    indicated: str | None = None,
) -> Searches:
    """The order of checks for each indication, on all records before the window's end.

    `positions`: the trailer's, else the commonest of each system; of a shop the kinds that it sees most. `indicated`:
    only that one. Raises CallError for a position that the trailer does not have.
    """
    end = selection.window.end
    kinds = _kinds(con, selection)
    wanted = [
        (system, n, told)
        for system, n in dict.fromkeys((system, positions or n) for system, n in kinds)
        if selection.system in (None, system)
        for told in _indications(system, n, indicated)
    ]
    found = _searches(con, end, tuple(wanted))
    return Searches(about(con, store, selection), check_minutes(con, end), found, selection.shop)


@once
def _searches(
    con: Connection, end: date, wanted: tuple[tuple[str, int, int | str], ...]
) -> tuple[Search, ...]:
    """The search of each system, length and indication."""
    minutes = check_minutes(con, end)
    patterns = tuple(_pattern(system, n, told) for system, n, told in wanted)
    every = Window(date.min, end)
    past, credited = _past(con, end)
    found = []
    for (system, n, told), cells in zip(wanted, likely_cells(con, every, patterns), strict=True):
        alike, nothing, visits = past.get((system, str(told)), (0, 0, 0))
        before = credited.get((system, str(told)), Counter())
        steps, expected, customary = _search(cells, n, told, minutes, before) if cells else ((), None, None)
        findings = sum(counts[0] for (of, _), counts in past.items() if of == system)
        found.append(Search(system, n, told, steps, expected, customary, alike, nothing, visits, findings))
    return tuple(found)


@once
def _past(
    con: Connection, end: date
) -> tuple[dict[tuple[str, str], list[int]], dict[tuple[str, str], Counter[Place]]]:
    """By system and indication: whole findings, visits in which nothing was found, and all; and findings by check."""
    past = {(s, str(i)): counts for s, i, *counts in rows(con, PAST, {"end": end})}
    credited: dict[tuple[str, str], Counter[Place]] = {}
    for system, told, position, place, cause, n in rows(con, FOUND, {"end": end}):
        if place != "rack":
            at = credited.setdefault((system, str(told)), Counter())
            at[check_of((position, place, cause)), position] += n
    return past, credited


LENGTHS = """
select system, mode(positions order by positions) from staging.trailers
where system is not null and service_from < $end group by system order by system
"""

SEEN = """
with kinds as (
    select v.shop, t.system, t.positions, count(*) as visits
    from core.visits v join staging.trailers t on t.trailer_id = v.trailer_id and v.received_at >= t.service_from
        and (t.service_until is null or v.received_at < t.service_until)
    where v.received_at < $end and t.system is not null group by all
), placed as (
    select *, sum(visits) over (partition by shop) as every,
        row_number() over (partition by shop, system order by visits desc, positions) as place
    from kinds
)
select shop, system, positions from placed where place = 1 or (visits >= 0.1 * every and place <= 3) order by visits desc, system, positions
"""
"""The kinds of trailers that a shop sees: of each system the commonest, and two more with a tenth of its visits."""

SHOWN_BY = """
select t.system, coalesce(e.indicated_position::varchar, case when e.reason = 'ground' then 'ground' else e.indication end),
    {what}
from marts.faults f join marts.episodes e using (episode_id)
join staging.trailers t on t.trailer_id = f.trailer_id and t.service_from = f.service_from
where f.counts_as = 'fault' and f.outcome = 'repaired' and f.started_at < $end {only}
group by all order by all
"""
WHOLE = "f.position is not null and f.place is not null and f.cause is not null and f.cause <> 'none_found'"
PAST = SHOWN_BY.format(
    what=f"count(*) filter ({WHOLE}), count(*) filter (f.cause = 'none_found'), count(*)", only=""
)
FOUND = SHOWN_BY.format(what="f.position, f.place, f.cause, count(*)", only=f"and {WHOLE}")


def _kinds(con: Connection, selection: Selection) -> list[tuple[str, int]]:
    if selection.shop:
        everyone = Selection(selection.window, shop=selection.shop)
        return [(row["system"], row["positions"]) for row in of_own(con, SEEN, everyone, "shop")]
    return [(system, n) for system, n in rows(con, LENGTHS, selection.parameters(LENGTHS))]


def _indications(system: str, n: int, only: str | None) -> list[int | str]:
    every: list[int | str] = [
        *range(1, n + 1),
        *(UNNUMBERED if system == "two_wire" else ("all_pass",)),
        GROUND,
    ]
    if only is None:
        return every
    if only.isdigit():
        if not 1 <= int(only) <= n:
            raise CallError(
                f"a trailer of {n} positions has no position {only}", hint="Give --positions too."
            )
        return [int(only)]
    if only not in (*UNNUMBERED, GROUND):
        raise CallError(
            f"a tester does not show {only!r}",
            hint=f"Give a position, or one of {', '.join((*UNNUMBERED, GROUND))}.",
        )
    return [only]


def _pattern(system: str, n: int, told: int | str) -> Pattern:
    """What is known before anybody has looked."""
    return Pattern(
        system=system,
        supply_entry=None,
        positions=n,
        reason="ground" if told == GROUND else "overfill",
        indication=None if isinstance(told, int) else "all_pass" if told == GROUND else told,
        indicated_position=told if isinstance(told, int) else None,
        action=None,
        shop=None,
        position=None,
        place=None,
        cause=None,
    )


def _search(
    cells: Sequence[tuple[Cell, float]], n: int, told: int | str, minutes: Minutes, before: Counter[Place]
) -> tuple[tuple[Step, ...], float, float]:
    """The best order, its expected minutes, and those of the customary order."""
    from repermit.statistics.search_order import expected_minutes, least_expected_order

    finds: dict[Place, float] = {}
    for cell, chance in cells:
        at = (check_of(cell), cell[0])
        finds[at] = finds.get(at, 0.0) + chance
    customary = [at for at in customary_order(n, told) if at in finds or at[0] != "ground_test"]
    places = [*customary, *sorted(at for at in finds if at not in customary)]
    jobs, p, t, after = _jobs(places, finds, minutes)
    order = least_expected_order(p, t, after)
    spent = expected_minutes(p, t, order)
    steps: list[Step] = []
    opened: set[int] = set()
    for job, so_far in zip(order, spent.tolist(), strict=True):
        at = jobs[job]
        if at[0] == "open" or p[job] / sum(p) < WORTH_A_LINE:
            continue
        opens = after[job] is not None and at[1] not in opened
        opened.add(at[1] if opens else -1)
        own = t[job] + (minutes.opening if opens else 0.0)
        steps.append(Step(len(steps) + 1, at[0], at[1], p[job] / sum(p), own, opens, so_far, before[at]))
    usual = expected_minutes(p, t, _with_openings(jobs, [jobs.index(at) for at in places], after))
    return tuple(steps), float(spent[-1]), float(usual[-1])


def _jobs(
    places: list[Place], finds: dict[Place, float], minutes: Minutes
) -> tuple[list[Place], list[float], list[float], list[int | None]]:
    """Jobs with probability, minutes and what must come before: an opening for each housing with a check inside."""
    housings = sorted({position for check, position in places if check in IN_HOUSING and position})
    jobs: list[Place] = [("open", position) for position in housings] + places
    p = [0.0] * len(housings) + [finds.get(at, 0.0) for at in places]
    t = [minutes.opening] * len(housings) + [minutes.take(check) for check, _ in places]
    after: list[int | None] = [None] * len(housings)
    after += [
        housings.index(position) if check in IN_HOUSING and position else None for check, position in places
    ]
    return jobs, p, t, after


def _with_openings(jobs: list[Place], order: list[int], after: list[int | None]) -> list[int]:
    """The order with each opening right before the first check that needs it."""
    found: list[int] = []
    for job in order:
        before = after[job]
        if before is not None and before not in found:
            found.append(before)
        found.append(job)
    return found


def customary_order(n: int, told: int | str) -> list[Place]:
    """The customary order of checks (*common practice*), as far as it goes, then the other housings.

    Without a named position it begins at the socket, with an open ground at the ground circuit, and goes through the
    housings from the first.
    """
    named = told if isinstance(told, int) and told <= n else None
    nearest = [named] if named else []
    if named and named > 1:
        nearest.append(named - 1)
    others = [j for j in range(1, n + 1) if j not in nearest]
    if named:
        others.sort(key=lambda j: (abs(j - named), j))
    own = (
        "sensor_tip_clean",
        "connection_look",
        "pull_test",
        "strain_relief_look",
        "supply_voltage",
        "sensor_swap",
    )
    trailer: list[Place] = [
        ("socket_look", 0),
        ("supply_voltage", 0),
        ("connection_look", 0),
        ("pull_test", 0),
    ]
    trailer += [("strain_relief_look", 0), ("ground_test", 0)]
    if told == GROUND:
        trailer = [trailer[-1], *trailer[:-1]]
    return (
        [(check, j) for j in nearest for check in own]
        + trailer
        + [(check, j) for j in others for check in own]
    )
