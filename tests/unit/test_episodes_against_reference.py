"""The SQL of episodes and exposure against a slow reference, on thousands of tiny random trailers.

Every trailer is a case of its own: a few refusals, visits and loads crowded onto the half hours, days and
fortnights at which the rules change their mind, with ties, days without a time, repairs that name a refusal
and repairs that do not. All of them go into one store; the marts must say exactly what the reference says.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import episode_reference as ref
from helpers import query, store_from

SEED, TRAILERS = 20260101, 8000
START = datetime(2025, 2, 1)
ENDS = (datetime(2025, 2, 25), datetime(2025, 5, 1))
"""Ends of windows: one within the events, one long after them."""
HALF_HOUR = timedelta(minutes=30)
# Half hours between events: at, just under and just over the limits of the rules, and a few in between.
STEPS = (0, 0, 1, 1, 2, 2, 3, 6, 12, 22, 24, 25, 30, 47, 48, 49, 96, 240, 671, 672, 673, 700)
TABLES = ("trailers", "refusals", "repairs", "loads")
Row = dict[str, Any]


@dataclass
class Case:
    """One trailer's rows, in contract columns."""

    name: str
    rows: dict[str, list[Row]] = field(default_factory=lambda: {table: [] for table in TABLES})

    def __str__(self) -> str:
        lines = [f"{table}: {row}" for table in TABLES for row in self.rows[table]]
        return "\n".join([f"trailer {self.name}", *lines])


# --- random trailers ------------------------------------------------------------------------------------


class Maker:
    """Makes one random trailer."""

    def __init__(self, name: str, draws: random.Random) -> None:
        self.case, self.draws = Case(name), draws
        self.moments = [START + draws.randrange(0, 48 * 20) * HALF_HOUR]
        self.dated = draws.choice([0.0, 0.0, 0.2, 0.7])  # how often a shop or dispatch writes a day only
        for _ in range(draws.randrange(2, 9)):
            self.moments.append(draws.choice(self.moments) + draws.choice(STEPS) * HALF_HOUR)

    def make(self) -> Case:
        """Spells, refusals, visits, loads, in an order in which visits can name refusals."""
        self.spells()
        for number in range(self.draws.choice([0, 1, 2, 2, 3, 4, 5])):
            self.refusal(f"{self.case.name}-R{number}")
        for number in range(self.draws.choice([0, 1, 1, 2, 2, 3, 4])):
            self.visit(f"{self.case.name}-V{number}")
        seen = set()
        for _ in range(self.draws.choice([0, 0, 1, 2, 3, 5])):
            load = self.load()
            key = tuple(load.get(c) for c in ("terminal", "lane", "loaded_on", "loaded_at"))
            if key not in seen:
                seen.add(key)
                self.case.rows["loads"].append(load)
        return self.case

    def when(self) -> datetime:
        return self.draws.choice(self.moments)

    def told(self, at: datetime) -> str:
        """The moment as the record has it: with its time, or its day only."""
        return f"{at:%Y-%m-%d}" if self.draws.random() < self.dated else f"{at:%Y-%m-%dT%H:%MZ}"

    def pick(self, *choices: str | None) -> str | None:
        return self.draws.choice(choices)

    def spells(self) -> None:
        bought, positions = "2025-01-01", 5
        if self.draws.random() < 0.3:  # sold on
            sold = f"{self.when():%Y-%m-%d}"
            self.spell(bought, sold, "before", positions)
            bought = sold
        self.spell(bought, self.pick(None, None, "2025-09-01"), "after", positions)

    def spell(self, first: str, last: str | None, fleet: str, positions: int) -> None:
        row = {"in_service_on": first, "out_of_service_on": last, "fleet": fleet, "positions": positions}
        self.case.rows["trailers"].append({"trailer_id": self.case.name, **row})

    def refusal(self, name: str) -> None:
        equipment = ("overfill", "overfill", "overfill", "ground", "unknown", None, "rack_controller")
        reasons = (*equipment, *equipment, "paperwork", "vehicle_id", "vapour_interlock")
        row = {
            "refusal_id": name,
            "refused_at": f"{self.when():%Y-%m-%dT%H:%MZ}",
            "reason": self.pick(*reasons),
            "released_by": self.pick(
                None, None, "unknown", "retry", "other_lane", "shop", "left_without_load"
            ),
        }
        self.case.rows["refusals"].append({"trailer_id": self.case.name, **row, **self.lane()})

    def lane(self) -> Row:
        return {"terminal": self.pick("T1", "T1", "T2"), "lane": self.pick("1", "2", None)}

    def visit(self, name: str) -> None:
        received = self.when()
        at = self.told(received)
        returned = self.pick(None, "", "", "")
        if returned is not None:
            returned = self.told(received + self.draws.choice((0, 1, 2, 6, 24, 48, 48, 96, 240)) * HALF_HOUR)
        kind = self.pick(None, "non_permit", "non_permit", "non_permit", "planned", "inspection", "damage")
        latest = ref.moment(at).last + ref.CLOCK
        may_name = [r for r in self.case.rows["refusals"] if ref.moment(r["refused_at"]).first <= latest]
        named = self.draws.choice(may_name)["refusal_id"] if may_name and self.draws.random() < 0.35 else None
        for number in range(1, self.draws.choice([2, 2, 2, 2, 3])):
            row = {"repair_id": name, "finding_no": number, "received_at": at, "returned_at": returned}
            row |= {"refusal_id": named if number == 1 else None, "visit_kind": kind, **self.finding()}
            self.case.rows["repairs"].append({"trailer_id": self.case.name, **row})

    def finding(self) -> Row:
        places = ("sensor", "sensor", "cable", "socket", "ground_circuit", "rack", "none_found", None, None)
        causes = (
            "bad_crimp",
            "bad_crimp",
            "corrosion",
            "liquid_present",
            "rack_equipment",
            "none_found",
            None,
            None,
        )
        return {
            "found_position": self.draws.choice([None, 0, 1, 3, 5]),
            "found_place": self.pick(*places),
            "cause": self.pick(*causes),
            "permit_restored": self.pick("yes", "yes", "no", None),
        }

    def load(self) -> Row:
        at = self.when()
        row: Row = {"trailer_id": self.case.name, "loads": self.draws.choice([1, 1, 1, 2, 0]), **self.lane()}
        dated = self.draws.random() < self.dated
        return row | ({"loaded_on": f"{at:%Y-%m-%d}"} if dated else {"loaded_at": f"{at:%Y-%m-%dT%H:%MZ}"})


# --- both answers ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Worlds:
    """The cases and the store that holds them all."""

    cases: list[Case]
    store: Path

    def found(self, sql: str) -> dict[str, list[tuple[Any, ...]]]:
        """Rows of a query by the trailer in their first column, in order."""
        by_trailer: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
        for trailer, *row in query(self.store, sql):
            by_trailer[trailer].append(tuple(row))
        return by_trailer


@dataclass(frozen=True)
class Truth:
    """What the reference makes of one case."""

    refusals: list[ref.Refusal]
    visits: list[ref.Visit]
    loads: list[ref.Load]
    episodes: list[ref.Episode]


def truth(case: Case) -> Truth:
    refusals, visits = ref.read_refusals(case.rows["refusals"]), ref.read_visits(case.rows["repairs"])
    loads = ref.read_loads(case.rows["loads"])
    episodes = ref.gathered(ref.runs(refusals, visits), visits)
    return Truth(refusals, visits, loads, ref.joined(episodes, visits, loads))


@pytest.fixture(scope="module")
def worlds(tmp_path_factory: pytest.TempPathFactory) -> Worlds:
    draws = random.Random(SEED)
    cases = [Maker(f"{number:04}", draws).make() for number in range(TRAILERS)]
    tables = {table: [row for case in cases for row in case.rows[table]] for table in TABLES}
    return Worlds(cases, store_from(tmp_path_factory.mktemp("random"), tables))


def assert_agree(
    worlds: Worlds, sql: str, expected: Callable[[Case], Iterable[tuple[Any, ...]]], *, at_least: int
) -> None:
    """The query's rows of every trailer are the expected ones; the first trailers that differ are shown."""
    found = worlds.found(sql)
    differ, rows = [], 0
    for case in worlds.cases:
        true, told = sorted(expected(case), key=repr), sorted(found[case.name], key=repr)
        rows += len(true)
        if true != told:
            differ.append(f"{case}\nreference: {_lines(true, told)}\nSQL: {_lines(told, true)}")
    assert not differ, f"{len(differ)} trailers differ\n\n" + "\n\n".join(differ[:3])
    assert rows >= at_least


def _lines(rows: Sequence[Any], others: Sequence[Any]) -> str:
    return "\n  ".join(str(row) for row in rows if row not in others) or "no more"


# --- the comparisons --------------------------------------------------------------------------------------


def test_the_parts_of_every_episode(worlds: Worlds) -> None:
    sql = (
        "select e.trailer_id, e.episode_id, p.part, p.part_id"
        " from marts.episodes e join marts.episode_parts p on p.episode_id = e.episode_id"
    )

    def parts(case: Case) -> Iterable[tuple[Any, ...]]:
        for episode in truth(case).episodes:
            yield from ((episode.id, "refusal", r.id) for r in episode.refusals)
            yield from ((episode.id, "visit", v.id) for v in episode.visits)

    assert_agree(worlds, sql, parts, at_least=2 * TRAILERS)


def test_when_and_where_every_episode_began(worlds: Worlds) -> None:
    def began(case: Case) -> Iterable[tuple[Any, ...]]:
        for e in truth(case).episodes:
            where = e.refusals[0].where if e.refusals else (None, None)
            yield e.id, e.began.first, "refusal" if e.refusals else "repair_only", *where

    sql = "select trailer_id, episode_id, started_at, origin, terminal, lane from marts.episodes"
    assert_agree(worlds, sql, began, at_least=TRAILERS)


@pytest.mark.parametrize("end", ENDS, ids=["early end", "late end"])
def test_what_became_of_every_episode(worlds: Worlds, end: datetime) -> None:
    outcome = f"""case when e.outcome <> 'open' then e.outcome
        when f.open_until >= timestamp '{end}' then 'unresolved' else 'left' end"""
    sql = f"""select e.trailer_id, e.episode_id, {outcome}, e.outcome_detail from marts.episodes e
        left join marts.faults f on f.episode_id = e.episode_id where e.started_at < timestamp '{end}'"""

    def became(case: Case) -> Iterable[tuple[Any, ...]]:
        t = truth(case)
        return [(e.id, *ref.outcome(e, t.loads, end)) for e in t.episodes if e.began.first < end]

    assert_agree(worlds, sql, became, at_least=TRAILERS)


def test_which_visit_gives_the_finding(worlds: Worlds) -> None:
    def given(case: Case) -> Iterable[tuple[Any, ...]]:
        for episode in truth(case).episodes:
            visit = ref.finding(episode)
            if visit:
                back = visit.returned and visit.returned.last
                yield (
                    episode.id,
                    len(episode.visits),
                    visit.id,
                    back,
                    visit.position,
                    visit.place,
                    visit.cause,
                )

    columns = "episode_id, visits, repair_id, last_returned_at, position, place, cause"
    sql = f"select trailer_id, {columns} from marts.episodes where visits > 0"
    assert_agree(worlds, sql, given, at_least=TRAILERS)


def test_what_is_a_fault_and_what_counts_apart(worlds: Worlds) -> None:
    def faults(case: Case) -> Iterable[tuple[Any, ...]]:
        t = truth(case)
        for episode in t.episodes:
            start = episode.began.first
            if ref.outcome(episode, t.loads, start + ref.MATCH)[0] in ("repaired", "unresolved"):
                sold = case.rows["trailers"][0]["out_of_service_on"]
                first = len(case.rows["trailers"]) > 1 and start < ref.moment(sold).first
                yield episode.id, start, ref.counts_as(episode), "before" if first else "after"

    sql = "select trailer_id, episode_id, started_at, counts_as, fleet from marts.faults"
    assert_agree(worlds, sql, faults, at_least=TRAILERS)


def test_days_at_risk(worlds: Worlds) -> None:
    def stretches(case: Case) -> Iterable[tuple[Any, ...]]:
        t = truth(case)
        return ref.at_risk(case.rows["trailers"], t.visits, t.loads, t.refusals)

    # Stretches that touch within a spell are one: a visit without length parts nothing.
    sql = """with ends as (
        select *, coalesce(lag(at_risk_until) over (partition by trailer_id, service_from order by at_risk_from)
            = at_risk_from, false) as goes_on from marts.at_risk
    ), numbered as (
        select *, sum(case when goes_on then 0 else 1 end) over (partition by trailer_id order by at_risk_from) as n from ends
    ) select trailer_id, min(at_risk_from), max(at_risk_until) from numbered group by trailer_id, n"""
    assert_agree(worlds, sql, stretches, at_least=TRAILERS)


def test_the_next_fault_of_every_visit(worlds: Worlds) -> None:
    def followed(case: Case) -> Iterable[tuple[Any, ...]]:
        t = truth(case)
        for visit in t.visits:
            own = next((e.id for e in t.episodes if visit in e.visits), None)
            after = ref.next_fault(visit, t.episodes, t.loads)
            yield visit.id, own, after and after.id, after and after.began.first

    sql = "select trailer_id, repair_id, episode_id, next_episode_id, next_fault_at from marts.repairs"
    assert_agree(worlds, sql, followed, at_least=TRAILERS)


def test_the_random_trailers_meet_every_rule(worlds: Worlds) -> None:
    """Otherwise the tests above would say less than they seem to."""
    rules = dict(query(worlds.store, "select joined_by, count(*) from marts.episode_parts group by 1"))
    assert min(rules.values()) > 100 and len(rules) == 7, rules
    kinds: Counter[Any] = Counter()
    for case in worlds.cases:
        t = truth(case)
        kinds.update(ref.outcome(e, t.loads, end) for e in t.episodes for end in ENDS)
        kinds.update(ref.counts_as(e) for e in t.episodes if e.visits)
        kinds.update(f"{min(3, len(e.visits))} visits" for e in t.episodes)
        kinds.update("followed" for v in t.visits if ref.next_fault(v, t.episodes, t.loads))
        kinds.update("no return" for v in t.visits if v.returned is None)
    assert min(kinds.values()) > 100 and len(kinds) == 16, kinds
