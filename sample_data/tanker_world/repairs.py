"""What shops wrote down: repairs, the checks they made, and the bench verdicts on removed sensors.

Touches nothing. Rows are dictionaries by column of the input contract; `Finding.recorded` is set here.
"""

from datetime import datetime, timedelta
from typing import Any

from .chain import CHECK_OF_CAUSE
from .happenings import Finding, Visit
from .lives import Life
from .pool import bad_shop
from .scenario import Draws, Scenario

Row = dict[str, Any]
LABOUR_MIN = {
    "none": 25,
    "sensor_cleaned": 30,
    "connection_cleaned": 45,
    "ground_restored": 50,
    "recrimped": 55,
    "sensor_replaced": 60,
    "socket_replaced": 75,
    "cable_replaced": 120,
}
PARTS_COST = {
    "none": 0,
    "sensor_cleaned": 4,
    "connection_cleaned": 6,
    "ground_restored": 18,
    "recrimped": 12,
    "sensor_replaced": 240,
    "socket_replaced": 310,
    "cable_replaced": 95,
}
CHECK_MIN = {
    "sensor_tip_clean": 12,
    "connection_look": 10,
    "pull_test": 8,
    "strain_relief_look": 6,
    "supply_voltage": 5,
    "sensor_swap": 20,
    "neighbour_swap": 20,
    "socket_look": 6,
    "ground_test": 4,
    "function_test": 10,
}
NEVER_MISSING = {"none_found", "rack_equipment", "liquid_present"}
NOTES = ("wet connector, dried", 'driver: "third time this week"', "gaiter split; replaced")


def clock(scenario: Scenario, at: int | None, offset_hours: int) -> str:
    """A time in minutes as ISO 8601 on the clock of a place."""
    if at is None:
        return ""
    start = datetime.combine(scenario.starts_on, datetime.min.time())
    local = start + timedelta(minutes=at + 60 * offset_hours)
    return f"{local.isoformat()}{offset_hours:+03d}:00"


def forget(draws: Draws, scenario: Scenario, visit: Visit) -> None:
    """Decide what of the finding is not recorded; a look that found nothing is always recorded as such."""
    finding = visit.findings[0]
    if visit.kind != "non_permit" or finding.fault.cause in NEVER_MISSING or not draws.yes(scenario.missing):
        return
    lost = draws.pick((["cause"], ["position"], ["cause", "place", "position"]), (3, 5, 2))
    if lost == ["position"] and not finding.fault.position:
        lost = ["cause", "place", "position"]
    finding.recorded = finding.recorded - frozenset(lost)


def repair_rows(life: Life, draws: Draws, visit: Visit) -> list[Row]:
    """One row a finding; money and labour on the first."""
    scenario = life.scenario
    forget(draws, scenario, visit)
    date_only = draws.yes(scenario.date_only)
    cut = 10 if date_only else None
    offset = visit.shop.offset_hours
    shared = {
        "repair_id": visit.id,
        "trailer_id": life.trailer.id,
        "refusal_id": visit.refusal.id if visit.refusal else "",
        "shop": visit.shop.name,
        "visit_kind": visit.kind if visit.kind != "non_permit" or draws.yes(0.8) else "",
        "received_at": clock(scenario, visit.received_at, offset)[:cut],
        "returned_at": clock(scenario, visit.returned_at, offset)[:cut],
        "indicated_position": visit.indicated,
        "indication": visit.indication,
        "permit_restored": "true" if visit.restored else "false",
    }
    details = measured(draws, scenario, visit)
    rows = []
    for number, finding in enumerate(visit.findings, 1):
        found = shared | {"finding_no": number} | finding_columns(draws, scenario, visit, finding)
        rows.append(found | details if number == 1 else found)
    return rows


def finding_columns(draws: Draws, scenario: Scenario, visit: Visit, finding: Finding) -> Row:
    """What was found where, what was done, and with which parts and tool."""
    fault, known = finding.fault, finding.recorded
    lot = finding.sensor_in.lot if finding.sensor_in else ""
    tool = ""
    if finding.action == "recrimped":
        slack = visit.shop.name == bad_shop(scenario)
        tool = draws.pick(("hand_tool", "ratchet_tool", ""), (7, 2, 1) if slack else (1, 7, 2))
    return {
        "found_position": fault.position if "position" in known else None,
        "found_place": fault.place if "place" in known else "",
        "cause": fault.cause if "cause" in known else "",
        "action": "" if len(known) < 3 and draws.yes(0.15) else finding.action,
        "sensor_out": finding.sensor_out.serial if finding.sensor_out else "",
        "sensor_in": finding.sensor_in.serial if finding.sensor_in else "",
        "part_lot": lot,
        "method": tool,
    }


def measured(draws: Draws, scenario: Scenario, visit: Visit) -> Row:
    """Readings, minutes, money and who: once a visit."""
    cause, action = visit.findings[0].fault.cause, visit.findings[0].action
    minutes = whole(draws.lognormal(LABOUR_MIN[action], 0.35)) * max(1, len(visit.findings) // 2)
    labour = minutes / 60 * visit.shop.price_of_hour
    parts = PARTS_COST[action] * (0.9 + 0.2 * draws.unit()) * len(visit.findings)
    priced = not draws.yes(scenario.unpriced)
    volts = 5.5 + 2.4 * draws.unit() if cause == "low_supply" else 9.5 + 3.5 * draws.unit()
    ohms = 400 + 4000 * draws.unit() if cause == "open_ground" else 0.2 + 3 * draws.unit()
    return {
        "supply_volts": f"{volts:.1f}" if draws.yes(0.6 if visit.kind == "non_permit" else 0.2) else "",
        "ground_ohms": f"{ohms:.1f}" if draws.yes(0.5 if visit.kind == "non_permit" else 0.2) else "",
        "labour_min": minutes,
        "labour_cost": f"{labour:.2f}" if priced else "",
        "parts_cost": f"{parts:.2f}" if priced else "",
        "invoice_total": f"{round(labour, 2) + round(parts, 2) + 15:.2f}" if priced else "",
        "mechanic": f"{visit.shop.code.lower()}-{draws.between(1, 4)}",
        "warranty": draws.pick(("", "false", "true"), (5, 4, 1)),
        "note": draws.pick(NOTES) if draws.yes(0.35) else "",
    }


def whole(value: float) -> int:
    """The nearest whole number, halves up."""
    return int(value + 0.5)


def check_rows(life: Life, draws: Draws, visit: Visit) -> list[Row]:
    """The checks of a visit in the order they were made, where the shop wrote them down."""
    if visit.kind != "non_permit" or not draws.yes(0.4):
        return []
    fault, shop_end = visit.findings[0].fault, "function_test"
    target = CHECK_OF_CAUSE.get(fault.cause)
    others = [c for c in CHECK_MIN if c not in (target, shop_end)]
    steps = draws.shuffled(others)[: draws.between(0, 3) if target else draws.between(3, 6)]
    steps += [target] if target else []
    rows = []
    for step, check in enumerate([*steps, shop_end], 1):
        position = fault.position if check == target else draws.between(1, life.trailer.positions)
        anywhere = check in ("supply_voltage", "socket_look", "ground_test", "function_test")
        failed = check == target or (check == shop_end and not visit.restored)
        rows.append(
            {
                "repair_id": visit.id,
                "step": step,
                "check": check,
                "position": None if anywhere or not position else position,
                "result": "fail" if failed else "pass",
                "minutes": max(1, whole(draws.lognormal(CHECK_MIN[check], 0.3))),
            }
        )
    return rows


def return_rows(draws: Draws, visit: Visit) -> list[Row]:
    """Bench verdicts: about half of the removed sensors are sent in."""
    rows = []
    for finding in visit.findings:
        if finding.sensor_out and draws.yes(0.5):
            dead = finding.fault.cause == "sensor_failed"
            confirmed = draws.yes(0.92 if dead else 0.06)
            lot = finding.sensor_out.lot
            result = "confirmed" if confirmed else "no_fault_found"
            rows.append({"serial": finding.sensor_out.serial, "result": result, "part_lot": lot})
    return rows
