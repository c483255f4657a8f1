"""The chain rules agree with the physics: a small electrical model of the chain, one thing wrong at a time.

The model knows nodes, links, volts and what the two kinds of tester see; it shares nothing with the rules. Every cell
that the rules allow is made by some fault of the model, and every fault of the model is allowed by the rules. Volts
and resistances are invented; only their order matters.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

import pytest

from repermit.contract import CAUSES, PLACES
from repermit.studies.location.chain import Cell, Indication, Reading, cells, rules, ways, wirings

READINGS: tuple[Reading, ...] = ("near", "far")
OPENS = {"bad_crimp", "corrosion", "water_ingress", "nicked_conductor", "pinched_cable"}
SHORTS = {"water_ingress", "nicked_conductor", "pinched_cable"}
POOR = OPENS | {"low_supply"}
CONTACT = {"contact_wear", "corrosion", "water_ingress", "bad_crimp", "nicked_conductor"}

SUPPLY_MV, PER_SEGMENT_MV, SPARE_MV = 12_000, 100, 50


@dataclass
class Series:
    """A five_wire chain. Segment s of the trunk brings supply into housing s from the side where supply enters."""

    n: int
    front: bool
    dead: set[int] = field(default_factory=set)
    cut: set[str] = field(default_factory=set)
    drop_mv: dict[str, int] = field(default_factory=dict)
    need_mv: dict[int, int] = field(default_factory=dict)
    shorted: bool = False

    def volts(self, j: int) -> int:
        """At sensor j: less what the trunk takes on its way, and its own branch."""
        if self.shorted:
            return 0
        way = range(1, j + 1) if self.front else range(j, self.n + 1)
        parts = ["socket supply", *(f"trunk {s}" for s in way), f"branch {j}"]
        if self.cut & set(parts):
            return 0
        return SUPPLY_MV - len(way) * PER_SEGMENT_MV - sum(self.drop_mv.get(p, 0) for p in parts)

    def works(self, j: int) -> bool:
        need = SUPPLY_MV - self.n * PER_SEGMENT_MV - SPARE_MV + self.need_mv.get(j, 0)
        return j not in self.dead and self.volts(j) >= need

    def reached(self) -> set[str]:
        """The nodes that the pulse reaches: in and out of each sensor, and back at the socket."""
        steps = [("pulse out", "in 1")]
        for j in range(1, self.n + 1):
            steps.append((f"sensor {j}", f"out {j}"))
            steps.append((f"link {j}", f"in {j + 1}") if j < self.n else ("return", "back"))
        nodes: set[str] = set()
        for step, node in steps:
            kind, _, j = step.partition(" ")
            if step in self.cut or (kind == "sensor" and not self.works(int(j))):
                break
            nodes.add(node)
        return nodes

    def seen(self, reading: Reading) -> Indication:
        """A near tester looks where a position hands the pulse on, a far one where it comes out."""
        nodes = self.reached()
        for j in range(1, self.n + 1):
            handed_on = f"in {j + 1}" if j < self.n else "back"
            if (handed_on if reading == "near" else f"out {j}") not in nodes:
                return j
        return "all_pass"


Happening = tuple[Indication, Cell]


def at(positions: set[int], places: set[str], causes: set[str]) -> set[Cell]:
    """Where such a fault is found; before the chain there is cable, but no housing."""
    return {(p, q, c) for p in positions for q in places for c in causes if p or q != "housing_wiring"}


WIRES = {"housing_wiring", "cable"}


def five_wire(n: int, front: bool) -> Iterator[tuple[Series, set[Cell]]]:
    """Every single fault of the chain, with the cells where a shop may find it."""

    def chain(**wrong: object) -> Series:
        return Series(n, front, **wrong)  # type: ignore[arg-type]

    for j in range(1, n + 1):
        yield (
            chain(dead={j}),
            at({j}, {"sensor"}, {"residual_liquid", "sensor_failed", "water_ingress", "corrosion"}),
        )
        yield chain(need_mv={j: SUPPLY_MV}), at({j}, {"sensor"}, {"low_supply"})
        yield chain(cut={f"branch {j}"}), at({j}, {"housing_wiring"}, OPENS)
        yield chain(drop_mv={f"branch {j}": 5000}), at({j}, {"housing_wiring"}, POOR)
        before = j - 1 if front else (j + 1 if j < n else 0)
        trunk = {j, before}
        yield chain(cut={f"trunk {j}"}), at(trunk, WIRES, OPENS)
        yield chain(shorted=True), at(trunk, WIRES, SHORTS)
        for drop in range(PER_SEGMENT_MV, (n + 2) * PER_SEGMENT_MV, PER_SEGMENT_MV):
            yield chain(drop_mv={f"trunk {j}": drop}), at(trunk, WIRES, POOR)
    for j in range(1, n):
        yield chain(cut={f"link {j}"}), at({j, j + 1}, WIRES, OPENS)
    yield chain(cut={"socket supply"}), at({0}, {"socket"}, CONTACT)
    for drop in range(PER_SEGMENT_MV, (n + 2) * PER_SEGMENT_MV, PER_SEGMENT_MV):
        yield chain(drop_mv={"socket supply": drop}), at({0}, {"socket"}, CONTACT | {"low_supply"})
    yield chain(cut={"pulse out"}), at({0}, {"socket"}, CONTACT) | at({0, 1}, WIRES, OPENS)
    yield chain(cut={"return"}), at({0}, {"socket"}, CONTACT) | at(set(range(n + 1)), WIRES, OPENS)


CHANNELS = 8


def two_wire(n: int) -> Iterator[tuple[Indication, set[Cell]]]:
    """Each channel is read alone; eight are read, those that the trailer lacks through a dummy. Of a poor shared
    conductor the weaker half of the channels fails first."""

    def seen(failing: set[int]) -> Indication:
        if len(failing) == CHANNELS:
            return "none_pass"
        return next(iter(failing)) if len(failing) == 1 else "several"

    everywhere = set(range(n + 1))
    for k in range(1, n + 1):
        yield (
            seen({k}),
            at(
                {k},
                {"sensor"},
                {"residual_liquid", "sensor_failed", "water_ingress", "corrosion", "low_supply"},
            ),
        )
        yield seen({k}), at({k}, WIRES, POOR) | at({0}, {"socket"}, CONTACT | {"low_supply"})
    for k in range(n + 1, CHANNELS + 1):
        yield seen({k}), at({0}, {"socket"}, CONTACT | {"low_supply"})
    for failing in ({2, 4, 6, 8}, set(range(1, CHANNELS + 1))):
        yield seen(failing), at(everywhere, WIRES, POOR) | at({0}, {"socket"}, CONTACT | {"low_supply"})


@cache
def physics(wiring: str, n: int, reading: Reading) -> set[Happening]:
    """Every indication and cell that some single fault makes, of a rack that refuses for overfill."""
    if wiring == "two_wire":
        return {(seen, cell) for seen, found in two_wire(n) for cell in found}
    return {
        (chain.seen(reading), cell)
        for chain, found in five_wire(n, wiring == "five_wire_front")
        if "back" not in chain.reached()
        for cell in found
    }


CHAINS = [(w, n) for w in ("five_wire_rear", "five_wire_front") for n in range(1, 13)]
CHAINS += [("two_wire", n) for n in range(1, 9)]


@pytest.mark.parametrize("reading", READINGS)
@pytest.mark.parametrize(("wiring", "n"), CHAINS)
def test_rules_and_physics_agree(wiring: str, n: int, reading: Reading) -> None:
    made = physics(wiring, n, reading)
    indications = {seen for seen, _ in made}
    top = 12 if wiring != "two_wire" else CHANNELS
    assert {k for k in indications if isinstance(k, int)} == set(
        range(1, (n if wiring != "two_wire" else top) + 1)
    )
    allowed = {(k, cell) for k in indications for cell in cells(wiring, n, k, "overfill", reading)}
    assert not made - allowed, "the model makes what the rules forbid"
    assert not allowed - made, "the rules allow what no fault makes"


@pytest.mark.parametrize(("wiring", "n"), CHAINS)
def test_without_a_reading_both_are_admitted(wiring: str, n: int) -> None:
    kinds = ["all_pass"] if wiring != "two_wire" else ["several", "none_pass"]
    for k in [*range(1, n + 1), *kinds]:
        near, far = (
            {cell for seen, cell in physics(wiring, n, reading) if seen == k} for reading in READINGS
        )
        assert cells(wiring, n, k, "overfill") == near | far


@pytest.mark.parametrize(("wiring", "n"), CHAINS)
def test_a_ground_refusal_is_of_the_ground_circuit(wiring: str, n: int) -> None:
    found = cells(wiring, n, "all_pass", "ground")
    assert {(p, q) for p, q, _ in found} == {(0, "ground_circuit"), (0, "socket")}
    assert cells(wiring, n, None, "ground") == found
    assert not any(q == "ground_circuit" for _, q, _ in cells(wiring, n, None, "overfill"))
    assert cells(wiring, n, None) == cells(wiring, n, None, "overfill") | found


def test_what_says_nothing_leaves_every_cell() -> None:
    every = cells("five_wire_rear", 5, None, "overfill")
    assert {p for p, _, _ in every} == set(range(6))
    for silent in ("several", "intermittent", "not_recorded"):
        assert cells("five_wire_rear", 5, silent, "overfill") == every
    assert cells("five_wire_rear", 5, 9, "overfill") == every, "a name that no rule explains says nothing"
    assert cells("five_wire_rear", 5, "none_pass", "overfill") == cells("five_wire_rear", 5, 1, "overfill")


def test_a_diagnostic_conductor_makes_any_name_possible_anywhere() -> None:
    trusted = cells("five_wire_rear", 6, 3, "overfill")
    assert {p for p, _, _ in trusted} == {2, 3, 4}
    assert {p for p, _, _ in cells("five_wire_rear", 6, 3, "overfill", untrusted=True)} == set(range(7))


def test_the_wiring_follows_from_system_and_entry() -> None:
    assert wirings("five_wire", None) == ("five_wire_rear",)
    assert wirings("five_wire", "front") == ("five_wire_front",)
    assert wirings("two_wire", "front") == ("two_wire",)
    assert wirings(None, "front") == ("five_wire_front", "two_wire")


def test_the_file_speaks_the_words_of_the_contract() -> None:
    for rule in rules():
        assert set(rule.places) <= set(PLACES) and set(rule.causes) <= set(CAUSES), rule.name
        assert not {"none_found", "liquid_present", "rack_equipment"} & set(rule.causes)
        assert rule.silent == (not rule.names)
    assert len({rule.name for rule in rules()}) == len(rules())
    assert {w.names for w in ways("five_wire_rear", 5, None)} == {""}
