"""What was written down: the tables of the input contract, from what happened to each trailer.

Touches nothing. All columns are text or whole numbers, as a file would carry them; empty text is null.
`Refusal.id` and `Visit.id` are set here, as the happenings are recorded.
"""

from collections import Counter
from typing import Any

import numpy as np
import polars as pl

from .happenings import Refusal, Stop
from .lives import Life
from .pool import day_text
from .repairs import check_rows, clock, repair_rows, return_rows
from .scenario import MINUTES_PER_DAY, Draws, Scenario

Row = dict[str, Any]
TRAILERS = "trailer_id fleet system sensor_kind positions supply_entry numbering home_shop in_service_on"
TRAILERS += " out_of_service_on records_from"
REFUSALS = "refusal_id trailer_id refused_at terminal lane reason stage indicated_position released_at"
REFUSALS += " released_by delay_min"
REPAIRS = "repair_id finding_no trailer_id refusal_id shop visit_kind received_at returned_at"
REPAIRS += " indicated_position indication found_position found_place cause action supply_volts ground_ohms"
REPAIRS += " labour_min labour_cost parts_cost invoice_total permit_restored sensor_out sensor_in part_lot"
REPAIRS += " method mechanic warranty note"
COLUMNS = {
    "trailers": TRAILERS.split(),
    "loads": ["trailer_id", "terminal", "lane", "loaded_on", "loads"],
    "refusals": REFUSALS.split(),
    "repairs": REPAIRS.split(),
    "checks": ["repair_id", "step", "check", "position", "result", "minutes"],
    "proof_tests": ["trailer_id", "position", "tested_at", "result", "shop"],
    "returns": ["serial", "result", "part_lot"],
    "changes": ["trailer_id", "change", "applied_on"],
}
WHOLE = {"positions", "loads", "indicated_position", "delay_min", "finding_no", "found_position"}
WHOLE |= {"labour_min", "step", "position", "minutes"}


def make_tables(scenario: Scenario, lives: list[Life]) -> dict[str, pl.DataFrame]:
    """All tables of the contract."""
    number_refusals(scenario, lives)
    number_visits(lives)
    rows: dict[str, list[Row]] = {name: [] for name in COLUMNS if name != "loads"}
    for life in lives:
        draws = Draws(scenario.seed, life.trailer.number, 1)
        rows["trailers"] += trailer_rows(life)
        for stop in life.stops:
            for number, refusal in enumerate(stop.refusals, 1):
                rows["refusals"].append(refusal_row(life, draws, refusal, stop.refusals[number:]))
        for visit in life.visits:
            rows["repairs"] += repair_rows(life, draws, visit)
            rows["checks"] += check_rows(life, draws, visit)
            rows["returns"] += return_rows(draws, visit)
        rows["proof_tests"] += proof_rows(life)
        rows["changes"] += change_rows(life, draws)
    tables = {name: frame(name, found) for name, found in rows.items()}
    keys = {"refusals": ["refused_at", "refusal_id"], "repairs": ["received_at", "repair_id", "finding_no"]}
    keys |= {"checks": ["repair_id", "step"], "proof_tests": ["tested_at", "trailer_id", "position"]}
    tables |= {name: tables[name].sort(by) for name, by in keys.items()}
    return {name: load_table(scenario, lives) if name == "loads" else tables[name] for name in COLUMNS}


def frame(name: str, rows: list[Row]) -> pl.DataFrame:
    """Rows as a table with the contract's columns; empty text becomes null."""
    schema = {c: pl.Int64 if c in WHOLE else pl.String for c in COLUMNS[name]}
    clean = [{c: None if row.get(c) == "" else row.get(c) for c in schema} for row in rows]
    return pl.DataFrame(clean, schema=schema, orient="row")


def number_refusals(scenario: Scenario, lives: list[Life]) -> None:
    """Each terminal numbers its refusals in order of time."""
    lanes, seen = scenario.lanes(), Counter[str]()
    found = [(r.at, life.trailer.number, r) for life in lives for stop in life.stops for r in stop.refusals]
    for _, _, refusal in sorted(found, key=lambda item: item[:2]):
        code = lanes[refusal.lane][0].code
        seen[code] += 1
        refusal.id = f"{code}-{seen[code]:05d}"


def number_visits(lives: list[Life]) -> None:
    """Each shop numbers its visits in order of receipt."""
    seen = Counter[str]()
    found = [(v.received_at, life.trailer.number, v) for life in lives for v in life.visits]
    for _, _, visit in sorted(found, key=lambda item: item[:2]):
        seen[visit.shop.code] += 1
        visit.id = f"{visit.shop.code}-{seen[visit.shop.code]:04d}"


def trailer_rows(life: Life) -> list[Row]:
    """One row a spell."""
    t, scenario = life.trailer, life.scenario
    return [
        {
            "trailer_id": t.id,
            "fleet": spell.fleet,
            "system": t.system,
            "sensor_kind": "optic" if t.system == "five_wire" else "thermistor",
            "positions": t.positions,
            "supply_entry": "front" if t.front_entry else "rear" if t.number % 3 else "",
            "numbering": t.numbering,
            "home_shop": spell.home_shop,
            "in_service_on": day_text(scenario, spell.since),
            "out_of_service_on": "" if spell.until is None else day_text(scenario, spell.until),
            "records_from": day_text(scenario, max(0, t.spells[0].since)),
        }
        for spell in t.spells
    ]


def load_table(scenario: Scenario, lives: list[Life]) -> pl.DataFrame:
    """One row a trailer, lane and day."""
    lanes = scenario.lanes()
    days = pl.Series([day_text(scenario, d) for d in range(scenario.days)], dtype=pl.String)
    parts = [life.loads() for life in lives]
    day, lane, count = (np.concatenate([p[i] for p in parts]) for i in range(3))
    owner = np.repeat(np.arange(len(lives)), [p[0].size for p in parts])
    order = np.lexsort((lane, owner, day))
    day, lane, count, owner = day[order], lane[order], count[order], owner[order]
    return pl.DataFrame(
        {
            "trailer_id": pl.Series([life.trailer.id for life in lives], dtype=pl.String).gather(owner),
            "terminal": pl.Series([terminal.name for terminal, _ in lanes]).gather(lane),
            "lane": pl.Series([name for _, name in lanes]).gather(lane),
            "loaded_on": days.gather(day),
            "loads": pl.Series(count, dtype=pl.Int64),
        }
    )


def refusal_row(life: Life, draws: Draws, refusal: Refusal, later: list[Refusal]) -> Row:
    """One refusal; the truck waits until the next one or until it is released."""
    terminal, lane = life.lanes[refusal.lane]
    until = later[0].at if later else refusal.released_at
    told = until is not None and draws.yes(0.7)
    return {
        "refusal_id": refusal.id,
        "trailer_id": life.trailer.id,
        "refused_at": clock(life.scenario, refusal.at, terminal.offset_hours),
        "terminal": terminal.name,
        "lane": lane,
        "reason": refusal.reason,
        "stage": "during_flow" if refusal.during_flow else "before_flow" if draws.yes(0.9) else "",
        "indicated_position": refusal.indicated,
        "released_at": clock(life.scenario, refusal.released_at, terminal.offset_hours) if told else "",
        "released_by": refusal.released_by,
        "delay_min": until - refusal.at if told and until is not None else None,
    }


def proof_rows(life: Life) -> list[Row]:
    """Function tests, a row a position."""
    return [
        {
            "trailer_id": life.trailer.id,
            "position": position,
            "tested_at": day_text(life.scenario, day),
            "result": result,
            "shop": life.trailer.spell_on(day).home_shop,
        }
        for day, position, result in life.proofs
    ]


def change_rows(life: Life, draws: Draws) -> list[Row]:
    """The change that works, and one on other trailers that does nothing."""
    trailer, scenario = life.trailer, life.scenario
    if trailer.changed_on is not None:
        on = day_text(scenario, trailer.changed_on)
        return [{"trailer_id": trailer.id, "change": "strain_relief_kit", "applied_on": on}]
    day = draws.between(0.3 * scenario.days, 0.7 * scenario.days)
    if trailer.number % 5 or not trailer.in_service(day, scenario.days):
        return []
    return [{"trailer_id": trailer.id, "change": "dust_caps", "applied_on": day_text(scenario, day)}]


def add_edge_refusals(scenario: Scenario, lives: list[Life]) -> None:
    """A paperwork refusal on the first and the last day, so that refusals cover the whole window."""
    for day in (0, scenario.days - 1):
        options = []
        for life in lives:
            days, lanes, _ = life.loads()
            near = any(abs(s.started_at // MINUTES_PER_DAY - day) < 3 for s in life.stops)
            if (here := lanes[days == day]).size:
                options.append((near, here.size, life.trailer.number, int(here[0]), life))
        if options:
            *_, lane, life = min(options, key=lambda option: option[:3])
            at = day * MINUTES_PER_DAY + 600
            refusal = Refusal(at, lane, "paperwork", released_by="retry", released_at=at + 20)
            life.stops.append(Stop("not_equipment", at, [refusal], "cleared_retry", at + 20))
