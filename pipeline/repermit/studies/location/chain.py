"""Reads the chain rules (`chain.toml`): which cells (position, place, cause) can explain what a tester named.

May import nothing of the project. The rules say what a fault makes a tester name; here they are read backwards.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

Cell = tuple[int, str, str]
"""Position (0 = trailer level), place, cause."""
Indication = int | str | None
"""The position named, or one of all_pass, none_pass, several, intermittent; None where nobody wrote it down."""
Reading = Literal["near", "far"]
WIRINGS = ("five_wire_rear", "five_wire_front", "two_wire")
MOST_CHANNELS = 8  # of a two_wire socket: EN 13922:2020, 6.1.1


@dataclass(frozen=True)
class Fault:
    """One rule, as `chain.toml` explains it."""

    name: str
    says: str
    wiring: tuple[str, ...]
    reason: str
    positions: str
    places: tuple[str, ...]
    causes: tuple[str, ...]
    names: tuple[str, ...]
    names_far: tuple[str, ...]
    untrusted: bool
    silent: bool

    def tokens(self, reading: Reading | None) -> tuple[str, ...]:
        """What testers of this reading name, or of any."""
        if reading == "near":
            return self.names
        if reading == "far":
            return self.names_far or self.names
        return tuple(dict.fromkeys(self.names + self.names_far))


@dataclass(frozen=True)
class Way:
    """How a cell explains an indication: by which of the names that the rules give; "ground" as a ground refusal,
    empty where nothing was indicated."""

    position: int
    place: str
    cause: str
    names: str

    @property
    def cell(self) -> Cell:
        """The cell alone."""
        return self.position, self.place, self.cause


@cache
def rules() -> tuple[Fault, ...]:
    """Every rule of the file, in its order."""
    found = _file()

    def listed(value: str | list[str]) -> tuple[str, ...]:
        return tuple(found["lists"][value] if isinstance(value, str) else value)

    return tuple(
        Fault(
            f["name"],
            f["says"],
            tuple(f["wiring"]),
            f.get("reason", "overfill"),
            f["positions"],
            listed(f["places"]),
            listed(f["causes"]),
            tuple(f["names"]),
            tuple(f.get("names_far", ())),
            f.get("untrusted", False),
            f.get("silent", False),
        )
        for f in found["fault"]
    )


def wirings(system: str | None, supply_entry: str | None) -> tuple[str, ...]:
    """The wirings that a trailer may have: one, or all that fit where its system is not known."""
    entry = supply_entry or "rear"
    of = {"five_wire": (f"five_wire_{entry}",), "two_wire": ("two_wire",)}
    return of.get(system or "", (f"five_wire_{entry}", "two_wire"))


@cache
def ways(
    wiring: str,
    positions: int,
    indication: Indication,
    reason: str | None = None,
    reading: Reading | None = None,
    untrusted: bool = False,
) -> tuple[Way, ...]:
    """Every way in which a cell explains the indication of a trailer of that wiring and number of positions.

    `reason` is what the rack said: overfill, ground, else either. `reading`: the tester names the near or the far
    end of an open link; None admits both. Rules whose name says nothing about the place are left out unless
    `untrusted`, since they would let every name mean every position. An indication that says nothing, or that
    no rule explains, leaves every cell of the refusal's reason.
    """
    read = _file()
    system = wiring.removesuffix("_rear").removesuffix("_front")
    if indication in read["says_nothing"][system]:
        indication = None
    synonym = read["synonyms"].get(system, {}).get(indication)
    indication = int(synonym) if synonym else indication
    reasons = (reason,) if reason in ("overfill", "ground") else ("overfill", "ground")
    may = [f for f in rules() if wiring in f.wiring and not f.silent and (untrusted or not f.untrusted)]
    for admitted in (reasons, ("overfill", "ground")):
        found = tuple(
            dict.fromkeys(
                Way(j, place, cause, _how(f, token, reason, indication))
                for f in may
                if f.reason in admitted
                for j in found_at(f.positions, positions)
                for token in f.tokens(reading)
                if indication is None or indication in named(token, j, positions)
                for place in places_at(f, j)
                for cause in f.causes
            )
        )
        if found:
            return found
    return ways(wiring, positions, None, reason, reading, untrusted)


def cells(
    wiring: str,
    positions: int,
    indication: Indication,
    reason: str | None = None,
    reading: Reading | None = None,
    untrusted: bool = False,
) -> frozenset[Cell]:
    """The cells that can explain the indication; see `ways`."""
    return frozenset(way.cell for way in ways(wiring, positions, indication, reason, reading, untrusted))


def places_at(fault: Fault, position: int) -> Iterator[str]:
    """The places of a rule that exist there: before the chain there is cable, but no housing."""
    return (place for place in fault.places if position or place not in ("housing_wiring", "sensor"))


def found_at(text: str, n: int) -> range:
    """The positions that a rule's `positions` means on a trailer with `n`."""
    low, _, high = text.partition("..")
    ends = {"0": 0, "1": 1, "2": 2, "N": n, "N-1": n - 1}
    return range(ends[low], ends[high or low] + 1)


def named(token: str, j: int, n: int) -> frozenset[Indication]:
    """What a token of `names` means for a fault at position `j` of `n`."""
    match token:
        case "j" | "j-1" | "j+1":
            k = j + int(token[1:] or 0)
            return frozenset([k] if 1 <= k <= n else [])
        case "1" | "N":
            return frozenset([1 if token == "1" else n])
        case "j..N" | "1..N":
            return frozenset(range(j if token == "j..N" else 1, n + 1))
        case "above N":
            return frozenset(range(n + 1, MOST_CHANNELS + 1))
        case _:
            return frozenset([token])


def _how(fault: Fault, token: str, reason: str | None, indication: Indication) -> str:
    if fault.reason == "ground" and (reason == "ground" or indication is not None):
        return "ground"
    return "" if indication is None else token


@cache
def _file() -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_name("chain.toml").read_text(encoding="utf-8"))
