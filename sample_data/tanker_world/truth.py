"""What really happened, as tables: the answers that the records should lead to.

Touches nothing. Times are UTC without a zone, days are fractional, 0 is the trailer level, null is nothing
found. Every table covers the whole window, first day to last, whole days.
"""

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from .happenings import BAD_LOT, Stop, Visit
from .lives import Life
from .pool import bad_lane, bad_shop, day_text
from .scenario import MINUTES_PER_DAY, Scenario

Row = dict[str, Any]
NOT_COUNTED = ("rack_equipment", "liquid_present")
TIME = pl.Datetime("us")
TEXT, WHOLE, NUMBER, FLAG = pl.String, pl.Int64, pl.Float64, pl.Boolean
SCHEMAS: dict[str, dict[str, Any]] = {
    "faults": {
        "episode": TEXT, "trailer_id": TEXT, "fleet": TEXT, "system": TEXT, "positions": WHOLE,
        "started_at": TIME, "position": WHOLE, "place": TEXT, "cause": TEXT, "circuit": TEXT,
        "refusal_ids": pl.List(TEXT), "repair_id": TEXT, "shop": TEXT, "action": TEXT, "counted": FLAG,
        "recorded_position": WHOLE, "recorded_place": TEXT, "recorded_cause": TEXT,
        "indicated_position": WHOLE, "indication": TEXT, "returned_at": TIME, "comeback_of": TEXT,
    },
    "episodes": {
        "episode": TEXT, "trailer_id": TEXT, "started_at": TIME, "terminal": TEXT, "lane": TEXT,
        "outcome": TEXT, "kind": TEXT, "ended_at": TIME, "refusal_ids": pl.List(TEXT),
        "repair_ids": pl.List(TEXT), "origin": TEXT,
    },
    "visits": {
        "repair_id": TEXT, "trailer_id": TEXT, "visit_kind": TEXT, "received_at": TIME,
        "returned_at": TIME, "episode": TEXT,
    },
    "exposure_days": {
        "trailer_id": TEXT, "service_days": NUMBER, "visit_days": NUMBER, "days": NUMBER, "loads": WHOLE,
    },
    "exposure_spells": {"trailer_id": TEXT, "fleet": TEXT, "days": NUMBER},
    "sensors": {
        "serial": TEXT, "trailer_id": TEXT, "position": WHOLE, "part_lot": TEXT, "born_at": TIME,
        "ended_at": TIME, "end": TEXT,
    },
    "planted": {
        "name": TEXT, "what": TEXT, "where": TEXT, "since": TEXT, "until": TEXT, "size": NUMBER,
        "elsewhere": NUMBER,
    },
    "window": {"from": TEXT, "to": TEXT, "days": WHOLE},
}  # fmt: skip


def make_truth(scenario: Scenario, lives: list[Life], loads: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """All truth tables; see `SCHEMAS` and the card for their columns."""
    rows: dict[str, list[Row]] = {name: [] for name in SCHEMAS}
    for life in lives:
        episode_of_visit: dict[Visit, str] = {}
        episodes = sorted((s for s in life.stops if s.is_episode), key=lambda s: s.started_at)
        for number, stop in enumerate(episodes, 1):
            name = f"{life.trailer.id}/{number}"
            episode_of_visit |= dict.fromkeys(stop.visits, name)
            rows["episodes"].append(episode_row(life, stop, name))
            if stop.outcome in ("repaired", "unresolved"):
                rows["faults"].append(fault_row(life, stop, name))
        rows["visits"] += [
            {"repair_id": v.id, "trailer_id": life.trailer.id, "visit_kind": v.kind,
             "received_at": when(scenario, v.received_at), "returned_at": when(scenario, v.returned_at),
             "episode": episode_of_visit.get(v)}
            for v in life.visits
        ]  # fmt: skip
        rows["exposure_spells"] += spell_rows(life)
        rows["sensors"] += sensor_rows(life)
    rows["planted"] = planted_rows(scenario, lives)
    ends = day_text(scenario, 0), day_text(scenario, scenario.days)
    rows["window"] = [{"from": ends[0], "to": ends[1], "days": scenario.days}]
    truth = {name: pl.DataFrame(rows[name], schema=schema, orient="row") for name, schema in SCHEMAS.items()}
    monthly = pl.col("loaded_on").str.slice(0, 7).alias("month")
    truth["loads"] = (loads.group_by(monthly, "trailer_id", "terminal", "lane").agg(pl.sum("loads"))).sort(
        "month", "trailer_id", "terminal", "lane"
    )
    truth["exposure_days"] = exposure(lives, truth["loads"])
    return truth


def when(scenario: Scenario, at: int | None) -> datetime | None:
    """A time in minutes as UTC."""
    if at is None:
        return None
    return datetime.combine(scenario.starts_on, datetime.min.time()) + timedelta(minutes=at)


def episode_row(life: Life, stop: Stop, name: str) -> Row:
    """An episode of the equipment, the trailer's or the lane's."""
    terminal, lane = life.lanes[stop.refusals[0].lane] if stop.refusals else (None, None)
    return {
        "episode": name,
        "trailer_id": life.trailer.id,
        "started_at": when(life.scenario, stop.started_at),
        "terminal": terminal.name if terminal else None,
        "lane": lane,
        "outcome": stop.outcome,
        "kind": stop.kind,
        "ended_at": when(life.scenario, stop.ended_at),
        "refusal_ids": [r.id for r in stop.refusals],
        "repair_ids": [v.id for v in stop.visits],
        "origin": "refusal" if stop.refusals else "repair_only",
    }


def fault_row(life: Life, stop: Stop, name: str) -> Row:
    """A repaired or unresolved episode; `counted` by the contract's rules, `recorded_*` as written down."""
    fault, trailer = stop.fault, life.trailer
    assert fault is not None
    row = {
        "episode": name,
        "trailer_id": trailer.id,
        "fleet": trailer.spell_on(stop.started_at // MINUTES_PER_DAY).fleet,
        "system": trailer.system,
        "positions": trailer.positions,
        "started_at": when(life.scenario, stop.started_at),
        "position": fault.position,
        "place": fault.place,
        "cause": fault.cause,
        "circuit": fault.circuit,
        "refusal_ids": [r.id for r in stop.refusals],
        "counted": stop.outcome == "unresolved" or fault.cause not in NOT_COUNTED,
        "comeback_of": stop.comeback_of.id if stop.comeback_of else None,
    }
    if not stop.visits:
        return row
    visit = stop.visits[-1]
    finding = visit.findings[0]
    return row | {
        "repair_id": visit.id,
        "shop": visit.shop.name,
        "action": finding.action,
        "recorded_position": fault.position if "position" in finding.recorded else None,
        "recorded_place": fault.place if "place" in finding.recorded else None,
        "recorded_cause": fault.cause if "cause" in finding.recorded else None,
        "indicated_position": visit.indicated,
        "indication": visit.indication or None,
        "returned_at": when(life.scenario, visit.returned_at),
    }


def visit_days(life: Life, first_day: int, until_day: int) -> float:
    """Days in shops between two midnights; visits of one trailer never overlap."""
    low, high = first_day * MINUTES_PER_DAY, until_day * MINUTES_PER_DAY
    spent = sum(max(0, min(v.returned_at, high) - max(v.received_at, low)) for v in life.visits)
    return spent / MINUTES_PER_DAY


def spell_rows(life: Life) -> list[Row]:
    """Days at risk in the window by spell."""
    rows = []
    for spell in life.trailer.spells:
        first, until = max(0, spell.since), life.scenario.days if spell.until is None else spell.until
        days = until - first - visit_days(life, first, until)
        rows.append({"trailer_id": life.trailer.id, "fleet": spell.fleet, "days": days})
    return rows


def exposure(lives: list[Life], loads: pl.DataFrame) -> pl.DataFrame:
    """Days and loads at risk in the window by trailer."""
    sums = dict(loads.group_by("trailer_id").agg(pl.sum("loads")).iter_rows())
    rows = []
    for life in lives:
        service = 0.0
        for spell in life.trailer.spells:
            service += (life.scenario.days if spell.until is None else spell.until) - max(0, spell.since)
        shop = visit_days(life, 0, life.scenario.days)
        rows.append((life.trailer.id, service, shop, service - shop, sums.get(life.trailer.id, 0)))
    return pl.DataFrame(rows, schema=SCHEMAS["exposure_days"], orient="row")


def sensor_rows(life: Life) -> list[Row]:
    """Every sensor that was in place during the window, with its real birth and end."""
    return [
        {
            "serial": s.serial,
            "trailer_id": life.trailer.id,
            "position": s.position,
            "part_lot": s.lot or None,
            "born_at": when(life.scenario, s.born_at),
            "ended_at": when(life.scenario, s.ended_at),
            "end": s.end,
        }
        for s in life.sensors.all()
    ]


def planted_rows(scenario: Scenario, lives: list[Life]) -> list[Row]:
    """What was planted, with its true size and the size elsewhere."""
    terminal, lane = scenario.lanes()[bad_lane(scenario)]
    changed = " ".join(life.trailer.id for life in lives if life.trailer.changed_on is not None)
    holds = dict(scenario.comebacks)["recrimped"]
    base = dict(scenario.stops)["rack"]
    rows = {
        "shop": ("share of recrimps that fail again at the position within 60 days", bad_shop(scenario),
                 scenario.shop_comeback, holds),
        "lane": ("rack's own refusals per 1,000 load attempts", f"{terminal.name} {lane}",
                 scenario.lane_per_1000 + base, base),
        "season": ("corrosion at the last position, February to April, against another position or month",
                   "last position", scenario.season_ratio, 1.0),
        "lot": ("Weibull scale of a sensor's life, days", BAD_LOT, scenario.lot_scale_days,
                scenario.sensor_scale_days),
        "change": ("rate of faults other than sensor_failed, after against before", changed,
                   scenario.change_ratio, 1.0),
        "month": ("rate of faults other than sensor_failed and comebacks, against other months", "all",
                  scenario.month_ratio, 1.0),
    }  # fmt: skip
    starts = scenario.month_starts()
    found = []
    for name, first in scenario.planted_days().items():
        what, where, size, elsewhere = rows[name]
        until = next(s for s in starts if s > first) if name == "month" else scenario.days
        found.append(
            {"name": name, "what": what, "where": where, "since": day_text(scenario, first),
             "until": day_text(scenario, until), "size": size, "elsewhere": elsewhere}
        )  # fmt: skip
    return found
