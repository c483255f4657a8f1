"""The world simulator's truth is what the input contract's rules find in its records.

The rules of episodes are applied here once more, naively and from the records alone, so that neither the
simulator's bookkeeping nor the tool's SQL has to be believed.
"""

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import pairwise
from typing import Any

import polars as pl
import pytest

from tanker_world import SAMPLE, Scenario, World, simulate, small

EQUIPMENT = ("overfill", "ground", "unknown", "rack_controller")
TIMED = replace(SAMPLE, dirt=False, date_only=0.0)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@cache
def world(scenario: Scenario) -> World:
    return simulate(scenario)


def rows(table: pl.DataFrame) -> list[dict[str, Any]]:
    return table.to_dicts()


def utc(text: str) -> datetime:
    """Moment of a text with offset, as UTC without a zone."""
    return datetime.fromisoformat(text).astimezone(UTC).replace(tzinfo=None)


def earliest(text: str) -> datetime:
    return utc(text) if "T" in text else datetime.fromisoformat(text)


def latest(text: str) -> datetime:
    return utc(text) if "T" in text else datetime.fromisoformat(text) + DAY


# --- the rules of episodes, from the records alone -----------------------------------------------------


@dataclass
class Found:
    """An episode as the rules find it."""

    refusals: list[dict[str, Any]]
    started: datetime
    repairs: list[dict[str, Any]] = field(default_factory=list)


def split(refusals: list[dict[str, Any]], visits: list[dict[str, Any]]) -> list[Found]:
    """A new episode after more than 12 h, or where a visit ended in between."""
    found: list[Found] = []
    for refusal in refusals:
        before = found[-1].refusals[-1]["at"] if found else datetime.min
        returned = any(before < v["until"] <= refusal["at"] for v in visits)
        if not found or refusal["at"] - before > 12 * HOUR or returned:
            found.append(Found([], refusal["at"]))
        found[-1].refusals.append(refusal)
    return found


def match(found: list[Found], repairs: list[dict[str, Any]]) -> list[Found]:
    """Named repairs first, then the others in order, each to the latest open episode of 14 days."""
    own: list[Found] = []
    for repair in [r for r in repairs if r["refusal_id"]]:
        named = (f for f in found if repair["refusal_id"] in [r["refusal_id"] for r in f.refusals])
        next(named).repairs.append(repair)
    for repair in [r for r in repairs if not r["refusal_id"]]:
        low, high = repair["from"] - 14 * DAY, repair["from"] + HOUR
        fitting = [f for f in found if not f.repairs and low <= f.started <= high]
        if not fitting:
            fitting = [Found([], repair["from"])]
            own += fitting
        fitting[-1].repairs.append(repair)
    return sorted(found + own, key=lambda f: f.started)


def merge(found: list[Found], load_days: set[date], visits: list[dict[str, Any]]) -> list[Found]:
    """Episodes at most 14 days apart with no load and no repair in between are one."""
    merged: list[Found] = []
    for episode in found:
        last = merged[-1] if merged else episode
        low, high = (last.refusals or [{"at": last.started}])[-1]["at"], episode.started
        loaded = any(low.date() <= day <= high.date() for day in load_days)
        repaired = any(low < v["until"] and v["from"] < high for v in visits)
        if last is not episode and high - low <= 14 * DAY and not loaded and not repaired:
            last.refusals += episode.refusals
            last.repairs += episode.repairs
        else:
            merged.append(episode)
    return merged


def outcome(episode: Found, lanes_by_day: dict[date, set[tuple[str, str]]], end: datetime) -> str:
    """The first outcome of the contract that applies; one lane only may follow a refusal."""
    if episode.repairs:
        return "repaired"
    last = episode.refusals[-1]
    if last["released_by"] in ("retry", "other_lane"):
        return f"cleared_{last['released_by']}"
    after = [d for d in lanes_by_day if d >= last["at"].date()]
    if after:
        (lane,) = lanes_by_day[min(after)]
        first = episode.refusals[0]
        return "cleared_retry" if lane == (first["terminal"], first["lane"]) else "cleared_other_lane"
    return "unresolved" if episode.started >= end - 14 * DAY else "left"


def by_rules(w: World) -> dict[str, list[tuple[Found, str]]]:
    """All episodes by trailer with their outcomes."""
    end = datetime.fromisoformat(w.truth["window"]["to"][0])
    visits = w.tables["repairs"].filter(pl.col("finding_no") == 1)
    answer = {}
    for trailer in w.tables["trailers"]["trailer_id"].unique():
        own = [r | {"from": earliest(r["received_at"]), "until": latest(r["returned_at"])}
               for r in rows(visits.filter(pl.col("trailer_id") == trailer))]  # fmt: skip
        refusals = w.tables["refusals"].filter(
            (pl.col("trailer_id") == trailer) & pl.col("reason").is_in(EQUIPMENT)
        )
        refused = [r | {"at": utc(r["refused_at"])} for r in rows(refusals)]
        refused.sort(key=lambda r: (r["at"], r["refusal_id"]))
        lanes: dict[date, set[tuple[str, str]]] = {}
        for load in rows(w.tables["loads"].filter(pl.col("trailer_id") == trailer)):
            day = date.fromisoformat(load["loaded_on"])
            lanes.setdefault(day, set()).add((load["terminal"], load["lane"]))
        repairs = sorted(own, key=lambda v: (v["from"], v["repair_id"]))
        repairs = [v for v in repairs if v["visit_kind"] in (None, "non_permit")]
        episodes = merge(match(split(refused, own), repairs), set(lanes), own)
        answer[trailer] = [(e, outcome(e, lanes, end)) for e in episodes]
    return answer


def summary(
    name: str, started: datetime, refusals: list[str], repairs: list[str], end: str
) -> tuple[Any, ...]:
    return name, started, sorted(refusals), sorted(repairs), end


CLEAN = [*map(small, range(12)), TIMED]
NAMES = [scenario.name for scenario in CLEAN]


@pytest.mark.parametrize("scenario", CLEAN, ids=NAMES)
def test_the_rules_find_the_true_episodes(scenario: Scenario) -> None:
    w = world(scenario)
    found = [
        summary(t, e.started, [r["refusal_id"] for r in e.refusals], [r["repair_id"] for r in e.repairs], end)
        for t, episodes in by_rules(w).items() for e, end in episodes
    ]  # fmt: skip
    truth = [
        summary(e["trailer_id"], e["started_at"], e["refusal_ids"], e["repair_ids"], e["outcome"])
        for e in rows(w.truth["episodes"])
    ]
    assert len(truth) > 20 and sorted(found) == sorted(truth)


@pytest.mark.parametrize("scenario", CLEAN, ids=NAMES)
def test_the_true_faults_are_those_recorded(scenario: Scenario) -> None:
    w = world(scenario)
    repairs = {r["repair_id"]: r for r in rows(w.tables["repairs"].filter(pl.col("finding_no") == 1))}
    episodes = {tuple(e["refusal_ids"]) or e["repair_ids"][0]: e for e in rows(w.truth["episodes"])}
    closed = [e for e in episodes.values() if e["outcome"] in ("repaired", "unresolved")]
    assert w.truth["faults"].height == len(closed)
    for fault in rows(w.truth["faults"]):
        episode = episodes[tuple(fault["refusal_ids"]) or fault["repair_id"]]
        assert episode["started_at"] == fault["started_at"]
        if fault["repair_id"] is None:
            assert episode["outcome"] == "unresolved" and fault["counted"]
            continue
        repair = repairs[fault["repair_id"]]
        assert repair["permit_restored"] == "true" and fault["repair_id"] in episode["repair_ids"]
        for column, own in (("found_position", "position"), ("found_place", "place"), ("cause", "cause")):
            assert repair[column] == fault[f"recorded_{own}"]
            assert repair[column] in (None, fault[own])
        theirs = repair["found_place"] == "rack" or repair["cause"] in ("rack_equipment", "liquid_present")
        assert fault["counted"] != theirs
        assert fault["action"] in (repair["action"], "none") or repair["action"] is None


# --- the rules of records --------------------------------------------------------------------------------


@pytest.mark.parametrize("scenario", [small(5), replace(SAMPLE, dirt=False)], ids=["small", "sample"])
def test_clean_records_obey_the_contract(scenario: Scenario) -> None:
    t = world(scenario).tables
    positions = dict(t["trailers"].select("trailer_id", "positions").iter_rows())
    served = t["trailers"].select("trailer_id", "in_service_on", pl.col("out_of_service_on").fill_null("9"))
    refusals = {r["refusal_id"]: r for r in rows(t["refusals"])}
    keys = {"refusals": ["refusal_id"], "repairs": ["repair_id", "finding_no"]}
    keys |= {
        "checks": ["repair_id", "step"],
        "loads": ["trailer_id", "terminal", "lane", "loaded_on"],
        "returns": ["serial"],
    }
    assert all(not t[name].select(key).is_duplicated().any() for name, key in keys.items())
    for r in rows(t["repairs"]):
        assert earliest(r["received_at"]) <= latest(r["returned_at"])
        assert max(r["found_position"] or 0, r["indicated_position"] or 0) <= positions[r["trailer_id"]]
        assert 0 <= float(r["supply_volts"] or 0) <= 60
        if named := refusals.get(r["refusal_id"] or ""):
            assert named["trailer_id"] == r["trailer_id"]
            assert latest(r["received_at"]) >= utc(named["refused_at"]) - HOUR
        else:
            assert r["refusal_id"] is None
    assert all((r["indicated_position"] or 0) <= positions[r["trailer_id"]] for r in refusals.values())
    dated = [(r["trailer_id"], utc(r["refused_at"]).date().isoformat()) for r in refusals.values()]
    dated += [(r["trailer_id"], r["received_at"][:10]) for r in rows(t["repairs"])]
    dated += list(t["loads"].select("trailer_id", "loaded_on").unique().iter_rows())
    dated += list(t["proof_tests"].select("trailer_id", "tested_at").unique().iter_rows())
    service = {name: [(a, b) for n, a, b in served.iter_rows() if n == name] for name in positions}
    assert all(any(a <= day < b for a, b in service[name]) for name, day in dated)


@pytest.mark.parametrize("scenario", [small(5), TIMED], ids=["small", "sample"])
def test_exposure_is_what_the_records_say(scenario: Scenario) -> None:
    w = world(scenario)
    ends = [datetime.fromisoformat(w.truth["window"][c][0]) for c in ("from", "to")]
    days = dict.fromkeys(w.truth["exposure_days"]["trailer_id"], 0.0)
    for spell in rows(w.tables["trailers"]):
        since = max(ends[0], datetime.fromisoformat(spell["in_service_on"]))
        until = min(ends[1], datetime.fromisoformat(spell["out_of_service_on"] or "9999-01-01"))
        days[spell["trailer_id"]] += (until - since) / DAY
    stays: dict[str, list[tuple[datetime, datetime]]] = {}
    for visit in rows(w.tables["repairs"].filter(pl.col("finding_no") == 1)):
        stay = utc(visit["received_at"]), utc(visit["returned_at"])
        stays.setdefault(visit["trailer_id"], []).append(stay)
        days[visit["trailer_id"]] -= (stay[1] - stay[0]) / DAY
    for own in stays.values():
        own.sort()
        assert all(a[1] <= b[0] for a, b in pairwise(own)), "visits overlap"
    for name, true, loads in w.truth["exposure_days"].select("trailer_id", "days", "loads").iter_rows():
        assert math.isclose(days[name], true, abs_tol=1e-9)
        assert loads == w.tables["loads"].filter(pl.col("trailer_id") == name)["loads"].sum()
    assert math.isclose(w.truth["exposure_spells"]["days"].sum(), sum(days.values()), rel_tol=1e-12)
    assert w.truth["loads"]["loads"].sum() == w.tables["loads"]["loads"].sum()
    for table, column in (("loads", "loaded_on"), ("refusals", "refused_at")):
        covered = w.tables[table][column].str.slice(0, 10)
        assert [covered.min(), covered.max()] == [str(ends[0].date()), str((ends[1] - DAY).date())]


@pytest.mark.parametrize("scenario", [small(6), TIMED], ids=["small", "sample"])
def test_a_stopped_trailer_does_not_load(scenario: Scenario) -> None:
    """From the day of the first refusal to the day of return, and on the days before a late clearing."""
    w = world(scenario)
    days = {name: set(own["loaded_on"]) for (name,), own in w.tables["loads"].group_by("trailer_id")}
    last = w.truth["window"]["to"][0]
    for e in rows(w.truth["episodes"]):
        end = e["ended_at"].date().isoformat() if e["ended_at"] else last
        first = e["started_at"].date().isoformat()
        cleared = e["outcome"].startswith("cleared")
        standing = {d for d in days[e["trailer_id"]] if first <= d and (d < end if cleared else d <= end)}
        assert not standing, e
        assert not cleared or end in days[e["trailer_id"]]
