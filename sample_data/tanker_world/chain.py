"""Where a fault sits in the chain of sensors, what a shop does about it and what its tester names.

Touches nothing. Positions count 1..positions along the chain; 0 is the trailer itself (socket, ground);
None where nothing was found on the trailer. The naming rules are those of the input contract's chain
table, written here a second time on purpose: the simulator must not share them with what it tests.
"""

from dataclasses import dataclass

from .scenario import Draws, Weights


@dataclass(frozen=True)
class Fault:
    """What is really wrong: cause, place, position and the circuit it interrupts."""

    cause: str
    place: str
    position: int | None
    circuit: str


NOTHING = Fault("none_found", "none_found", None, "nothing")
WIRING: Weights = (("branch", 0.35), ("link", 0.45), ("supply", 0.12), ("return", 0.08))
CIRCUITS: dict[str, Weights] = {
    "bad_crimp": WIRING,
    "corrosion": WIRING,
    "nicked_conductor": (("branch", 0.3), ("link", 0.6), ("return", 0.1)),
    "low_supply": (("poor_supply", 1.0),),
    "contact_wear": (("pulse_out", 0.4), ("return", 0.3), ("supply", 0.3)),
    "open_ground": (("ground", 1.0),),
    "none_found": (("nothing", 1.0),),
    "rack_equipment": (("nothing", 1.0),),
}
PLACES: dict[str, Weights] = {
    "bad_crimp": (("housing_wiring", 1.0),),
    "corrosion": (("housing_wiring", 0.9), ("cable", 0.1)),
    "nicked_conductor": (("housing_wiring", 0.4), ("cable", 0.6)),
    "low_supply": (("housing_wiring", 0.4), ("cable", 0.2), ("socket", 0.4)),
    "contact_wear": (("socket", 1.0),),
    "open_ground": (("ground_circuit", 1.0),),
    "none_found": (("none_found", 1.0),),
    "rack_equipment": (("rack", 1.0),),
}
ACTIONS: dict[str, Weights] = {
    "bad_crimp": (("recrimped", 0.9), ("cable_replaced", 0.1)),
    "corrosion": (("connection_cleaned", 0.65), ("recrimped", 0.15), ("cable_replaced", 0.2)),
    "nicked_conductor": (("cable_replaced", 0.7), ("recrimped", 0.3)),
    "low_supply": (("connection_cleaned", 0.7), ("cable_replaced", 0.3)),
    "contact_wear": (("socket_replaced", 1.0),),
    "open_ground": (("ground_restored", 1.0),),
    "sensor_failed": (("sensor_replaced", 1.0),),
    "residual_liquid": (("sensor_cleaned", 1.0),),
    "liquid_present": (("none", 1.0),),
    "none_found": (("none", 1.0),),
    "rack_equipment": (("none", 1.0),),
}
CHECK_OF_CAUSE = {
    "residual_liquid": "sensor_tip_clean",
    "liquid_present": "sensor_tip_clean",
    "corrosion": "connection_look",
    "bad_crimp": "pull_test",
    "nicked_conductor": "strain_relief_look",
    "low_supply": "supply_voltage",
    "sensor_failed": "sensor_swap",
    "contact_wear": "socket_look",
    "open_ground": "ground_test",
}


def draw_fault(draws: Draws, cause: str, positions: int, last_weight: float = 1.0) -> Fault:
    """A fault of this cause somewhere on the trailer; `last_weight` favours the last position."""
    weights = [1.0] * (positions - 1) + [last_weight]
    position: int | None = draws.pick(range(1, positions + 1), weights)
    if cause in ("sensor_failed", "residual_liquid", "liquid_present"):
        return Fault(cause, "sensor", position, "sensor")
    place = draws.word(PLACES[cause])
    if place in ("socket", "ground_circuit"):
        position = 0
    elif place in ("none_found", "rack"):
        position = None
    return Fault(cause, place, position, draws.word(CIRCUITS[cause]))


def five_wire_name(draws: Draws, fault: Fault, positions: int, front: bool, names_next: float) -> int | None:
    """First position the pulse does not get past; None where all positions pass."""
    j = fault.position or 0
    match fault.circuit:
        case "sensor" | "branch":
            return j
        case "link":
            near = draws.pick([i for i in (j - 1, j) if 1 <= i < positions])
            return near + draws.yes(names_next)
        case "supply" | "poor_supply" if not front:
            return 1
        case "supply":
            return min(j + 1, positions)
        case "poor_supply":
            return draws.between(max(j, 1), positions)
        case "pulse_out":
            return 1
        case "return":
            return positions if draws.yes(0.3) else None
        case _:
            return None


def indicate(
    draws: Draws, fault: Fault, system: str, positions: int, front: bool, names_next: float
) -> tuple[int | None, str]:
    """What a tester names: `indicated_position` and `indication`. Sometimes nobody wrote it down."""
    if draws.yes(0.08):
        return None, draws.pick(["not_recorded", ""])
    if fault.circuit in ("ground", "nothing"):
        return None, "intermittent" if fault.circuit == "nothing" and draws.yes(0.2) else "all_pass"
    if fault.cause == "corrosion" and draws.yes(0.1):
        return None, "intermittent"
    if system == "five_wire":
        named = five_wire_name(draws, fault, positions, front, names_next)
        return named, "position" if named else "all_pass"
    if fault.circuit in ("return", "supply", "poor_supply"):
        return None, "none_pass" if fault.circuit != "return" and draws.yes(0.5) else "several"
    return fault.position or draws.between(1, positions), "position"
