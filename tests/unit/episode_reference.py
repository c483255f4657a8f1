"""Episodes, faults, days at risk and next faults of one trailer, found slowly from the rules in words.

Plain loops over one trailer's refusals, visits and loads, to hold the SQL against. Written from the rules,
not from the SQL; touches nothing. A day without a time covers the whole day, both its midnights included,
and a rule about order holds if any moment of that day meets it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Any, NamedTuple

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
GAP, MATCH, CLOCK = 12 * HOUR, 14 * DAY, HOUR
EQUIPMENT = ("overfill", "ground", "unknown", "rack_controller")
FOREVER = datetime(9999, 12, 31)
Row = Mapping[str, Any]
Lane = tuple[str | None, str | None]
"""Terminal and lane; None = not recorded."""


class Span(NamedTuple):
    """The first and the last moment that a time may mean; they differ where only a day is given."""

    first: datetime
    last: datetime


def moment(text: str) -> Span:
    """A time with its offset, or a day."""
    if len(text) == 10:
        day = datetime.fromisoformat(text)
        return Span(day, day + DAY)
    at = datetime.fromisoformat(text).astimezone(UTC).replace(tzinfo=None)
    return Span(at, at)


@dataclass(frozen=True)
class Refusal:
    """One refusal; `key` is its place in the order of time."""

    id: str
    at: datetime
    reason: str
    where: Lane
    released_by: str | None

    @property
    def key(self) -> tuple[datetime, str]:
        return self.at, self.id


@dataclass(frozen=True)
class Visit:
    """One shop visit with the finding that stands for it."""

    id: str
    kind: str
    names: str | None
    received: Span
    returned: Span | None
    restored: bool | None
    position: int | None
    place: str | None
    cause: str | None

    def holds(self, at: datetime) -> bool:
        """Whether the trailer was in the shop: [received, returned). Without a return that is not known."""
        return self.returned is not None and self.received.first <= at < self.returned.last


@dataclass(frozen=True)
class Load:
    """Completed loads at one lane."""

    at: Span
    where: Lane


@dataclass
class Episode:
    """Refusals and visits that belong together. Identity counts: two are never equal."""

    refusals: list[Refusal] = field(default_factory=list)
    visits: list[Visit] = field(default_factory=list)

    @property
    def began(self) -> Span:
        """Its first refusal; without one, the visit that started it."""
        return Span(self.refusals[0].at, self.refusals[0].at) if self.refusals else self.visits[0].received

    @property
    def last_at(self) -> datetime:
        return self.refusals[-1].at if self.refusals else self.visits[0].received.first

    @property
    def id(self) -> str:
        return f"E-{self.refusals[0].id}" if self.refusals else f"V-{self.visits[0].id}"


# --- the records --------------------------------------------------------------------------------------


def read_refusals(rows: Iterable[Row]) -> list[Refusal]:
    """All refusals in order of time."""
    found = [
        Refusal(
            r["refusal_id"],
            moment(r["refused_at"]).first,
            r.get("reason") or "unknown",
            (r.get("terminal"), r.get("lane")),
            r.get("released_by"),
        )
        for r in rows
    ]
    return sorted(found, key=lambda r: r.key)


def read_loads(rows: Iterable[Row]) -> list[Load]:
    """Loads that were completed: a line that counts none is no load."""
    return [
        Load(moment(r.get("loaded_at") or r["loaded_on"]), (r.get("terminal"), r.get("lane")))
        for r in rows
        if r.get("loads") not in (0, "0")
    ]


def read_visits(rows: Iterable[Row]) -> list[Visit]:
    """Visits from their findings, in order of the time of receipt."""
    by_visit = sorted(rows, key=lambda r: (r["repair_id"], int(r.get("finding_no") or 1)))
    found = [_visit(name, list(own)) for name, own in groupby(by_visit, key=lambda r: r["repair_id"])]
    return sorted(found, key=lambda v: (v.received.first, v.id))


def _visit(name: str, findings: list[Row]) -> Visit:
    def weight(row: Row) -> int:
        """A cause comes first, then what was not written down, then *looked and found nothing*."""
        cause = _cause(row)
        return 1 if cause is None else 2 if cause == "none_found" else 0

    def whole(column: str, by: Any) -> Span | None:
        given = [moment(f[column]) for f in findings if f.get(column)]
        return Span(min(g.first for g in given), by(g.last for g in given)) if given else None

    best = min(findings, key=weight)
    others = [best, *findings]
    received = whole("received_at", max)
    assert received is not None
    return Visit(
        name,
        best.get("visit_kind") or "non_permit",
        next((f["refusal_id"] for f in others if f.get("refusal_id")), None),
        received,
        whole("returned_at", max),
        next((f["permit_restored"] == "yes" for f in others if f.get("permit_restored")), None),
        _position(best),
        best.get("found_place") or ("none_found" if best.get("cause") == "none_found" else None),
        _cause(best),
    )


def _cause(finding: Row) -> str | None:
    """None = not recorded. A finding whose place says *none found* is not one that was not recorded."""
    return finding.get("cause") or ("none_found" if finding.get("found_place") == "none_found" else None)


def _position(finding: Row) -> int | None:
    if "none_found" in (finding.get("cause"), finding.get("found_place")):
        return None
    if finding.get("found_place") in ("socket", "ground_circuit"):
        return 0
    return int(finding["found_position"]) if finding.get("found_position") not in (None, "") else None


# --- episodes -----------------------------------------------------------------------------------------


def runs(refusals: list[Refusal], visits: list[Visit]) -> list[list[Refusal]]:
    """A new one where more than 12 h passed since the refusal before, or a repair returned in between."""
    found: list[list[Refusal]] = []
    for refusal in (r for r in refusals if r.reason in EQUIPMENT):
        before = found[-1][-1].at if found else datetime.min
        back = any(
            v.returned and before < refusal.at and v.returned.first <= refusal.at and v.returned.last > before
            for v in visits
        )
        if not found or refusal.at - before > GAP or back:
            found.append([])
        found[-1].append(refusal)
    return found


def answers(all_runs: list[list[Refusal]], visits: list[Visit]) -> dict[str, Refusal | None]:
    """What each visit of an episode answers; None = no refusal on record. Other visits are not in it."""
    first_of = {r.id: run[0] for run in all_runs for r in run}
    refusal = {r.id: r for run in all_runs for r in run}
    found: dict[str, Refusal | None] = {v.id: refusal[v.names] for v in visits if v.names in refusal}
    taken = {first_of[r.id].id for r in found.values() if r}
    too_old = datetime.min
    others = [v for v in visits if v.id not in found and v.kind == "non_permit"]
    for visit in sorted(others, key=lambda v: (v.received.last, v.received.first, v.id)):
        too_old = max(too_old, visit.received.first - MATCH)
        open_runs = [run[0] for run in all_runs if run[0].id not in taken]
        fitting = [r for r in open_runs if too_old <= r.at <= visit.received.last + CLOCK]
        found[visit.id] = fitting[-1] if fitting else None
        taken |= {fitting[-1].id} if fitting else set()
    return found


def gathered(all_runs: list[list[Refusal]], visits: list[Visit]) -> list[Episode]:
    """Runs with their visits; refusals within a visit are in its episode, if that began before them."""
    answered = answers(all_runs, visits)
    own = {name: Episode() for name, refusal in answered.items() if refusal is None}
    home: dict[str, Episode] = {}
    found = list(own.values())
    for run in all_runs:
        found.append(Episode())
        for refusal in run:
            home[refusal.id] = found[-1]
            holding = [v for v in visits if v.id in answered and v.holds(refusal.at)]
            for visit in holding:  # the one received last decides
                answer = answered[visit.id]
                if answer is None:
                    home[refusal.id] = own[visit.id]
                elif answer.key < refusal.key:
                    home[refusal.id] = home[answer.id]
            home[refusal.id].refusals.append(refusal)
    for visit in visits:
        if visit.id in answered:
            answer = answered[visit.id]
            (home[answer.id] if answer else own[visit.id]).visits.append(visit)
    return [e for e in found if e.refusals or e.visits]


def joined(episodes: list[Episode], visits: list[Visit], loads: list[Load]) -> list[Episode]:
    """Episodes at most 14 days apart with no load and no repair in between, or that overlap, are one."""
    found: list[Episode] = []
    reach = datetime.min
    for episode in sorted(episodes, key=lambda e: (e.began.first, not e.refusals, e.id)):
        if found and episode.began.first - reach <= MATCH and not _between(reach, episode, visits, loads):
            found[-1].refusals = sorted(found[-1].refusals + episode.refusals, key=lambda r: r.key)
            found[-1].visits += episode.visits
        else:
            found.append(Episode(list(episode.refusals), list(episode.visits)))
        reach = max(reach, episode.last_at)
    return found


def _between(reach: datetime, later: Episode, visits: list[Visit], loads: list[Load]) -> bool:
    """Whether a repair of another episode, or a load, lies between `reach` and the later one's start."""
    start = later.began.last
    if start < reach:
        return False
    for v in (v for v in visits if v not in later.visits):
        still = v.received.last >= reach or (v.returned is not None and v.returned.last > reach)
        if v.received.first <= start and still:
            return True
    return start > reach and any(load.at.last > reach and load.at.first < start for load in loads)


# --- what became of them --------------------------------------------------------------------------------


def next_loads(refusal: Refusal, loads: list[Load]) -> list[Load]:
    """The next load after the refusal; several where the order is not known."""
    after = [load for load in loads if load.at.last > refusal.at]
    return [load for load in after if load.at.first == min(a.at.first for a in after)]


def differs(here: Lane, there: Lane) -> bool:
    """Whether two lanes are known to be different."""
    return any(a is not None and b is not None and a != b for a, b in zip(here, there, strict=True))


def outcome(episode: Episode, loads: list[Load], end: datetime) -> tuple[str, str]:
    """Outcome and detail in a window that ends at `end`: the first that applies."""
    if episode.visits:
        return "repaired", "repaired"
    last = episode.refusals[-1]
    following = next_loads(last, loads)
    if last.released_by in ("other_lane", "retry"):
        return f"cleared_{last.released_by}", "cleared_recorded"
    if following and last.released_by not in ("shop", "left_without_load"):
        elsewhere = all(differs(load.where, last.where) for load in following)
        return ("cleared_other_lane" if elsewhere else "cleared_retry"), "cleared_unrecorded"
    recent = not following and episode.began.first >= end - MATCH
    return ("unresolved" if recent else "left"), "not_cleared"


def finding(episode: Episode) -> Visit | None:
    """The last visit with permit restored; without one, the last of which that is not known; else the last."""

    def weight(visit: Visit) -> tuple[int, datetime, str]:
        restored = {True: 2, None: 1, False: 0}[visit.restored]
        return restored, visit.received.first, visit.id

    return max(episode.visits, key=weight, default=None)


def counts_as(episode: Episode) -> str:
    """What an episode that was repaired or is unresolved counts as."""
    visit = finding(episode)
    if visit and visit.cause == "liquid_present":
        return "near_miss"
    rack = visit is not None and (visit.place == "rack" or visit.cause == "rack_equipment")
    controller = bool(episode.refusals) and all(r.reason == "rack_controller" for r in episode.refusals)
    return "rack" if rack or controller else "fault"


def may_be_fault(episode: Episode, loads: list[Load]) -> bool:
    """Whether it is a fault in some window: repaired, or unresolved in one that ends soon."""
    soon = episode.began.first + MATCH
    return outcome(episode, loads, soon)[0] in ("repaired", "unresolved") and counts_as(episode) == "fault"


def next_fault(visit: Visit, episodes: list[Episode], loads: list[Load]) -> Episode | None:
    """The first fault that began at or after the return, and after the visit's own episode began."""
    if visit.returned is None:
        return None
    own = next((e.began.first for e in episodes if visit in e.visits), datetime.min)
    later = [e for e in episodes if e.began.first >= visit.returned.first and e.began.first > own]
    faults = [e for e in later if may_be_fault(e, loads)]
    return min(faults, key=lambda e: (e.began.first, e.id), default=None)


# --- exposure -----------------------------------------------------------------------------------------


def at_risk(
    spells: Iterable[Row], visits: list[Visit], loads: list[Load], refusals: list[Refusal]
) -> list[tuple[datetime, datetime]]:
    """Service without the shop visits; one without a return lasts until the next load or refusal."""
    stays = []
    for visit in visits:
        seen = [load.at for load in loads] + [Span(r.at, r.at) for r in refusals]
        next_seen = min((s.first for s in seen if s.last > visit.received.last), default=FOREVER)
        until = visit.returned.last if visit.returned else max(visit.received.first, next_seen)
        stays.append((visit.received.first, until))
    found: list[tuple[datetime, datetime]] = []
    for spell in spells:
        ends = spell.get("out_of_service_on")
        pieces = [(moment(spell["in_service_on"]).first, moment(ends).first if ends else FOREVER)]
        for began, ended in stays:
            cut = [half for a, b in pieces for half in ((a, min(b, began)), (max(a, ended), b))]
            pieces = [(a, b) for a, b in cut if a < b] if began < ended else pieces
        found += pieces
    return sorted(found)
