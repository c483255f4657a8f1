"""Invented worlds of faults with known cells, of which shops write down only a part: for the sharing out alone.

Faults, circuits and what testers name come from `tanker_world.chain`, which shares nothing with the chain rules. No
dates, loads or episodes: a world is trailers and the patterns of their faults, with what really happened.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from repermit.studies.chain import Cell
from repermit.studies.masking import Pattern
from tanker_world.chain import ACTIONS, draw_fault, indicate
from tanker_world.scenario import Draws

CAUSES = (
    ("bad_crimp", 0.23), ("corrosion", 0.145), ("none_found", 0.12), ("residual_liquid", 0.155),
    ("contact_wear", 0.1), ("nicked_conductor", 0.11), ("low_supply", 0.06), ("open_ground", 0.05),
    ("sensor_failed", 0.08),
)  # fmt: skip
LAST_WEIGHT = {"corrosion": 5.0, "bad_crimp": 2.0}
SHOPS = (
    ("A", 0.15, 0.1),
    ("B", 0.35, 0.9),
    ("C", 0.6, 0.5),
)  # share forgotten, and of testers that name the far end
LENGTHS = (3, 4, 5, 5, 6, 7)


@dataclass(frozen=True)
class Fault:
    """One fault: the trailer, the pattern as recorded, and the cell that it really was (None = nothing found)."""

    trailer: int
    pattern: Pattern
    truth: Cell | None


@dataclass(frozen=True)
class FaultWorld:
    """Trailers with as many positions each, all watched for the same time, and their faults."""

    positions: np.ndarray
    faults: tuple[Fault, ...]

    def patterns(self) -> tuple[list[Pattern], np.ndarray]:
        """The distinct patterns in a fixed order, and each fault's number among them."""
        distinct = sorted({f.pattern for f in self.faults}, key=repr)
        number = {p: i for i, p in enumerate(distinct)}
        return distinct, np.array([number[f.pattern] for f in self.faults], dtype=np.int64)

    def true_positions(self) -> Counter[int]:
        return Counter(f.truth[0] for f in self.faults if f.truth)

    def found_positions(self) -> Counter[int]:
        """Of the findings alone: where one is recorded."""
        return Counter(f.pattern.position for f in self.faults if f.pattern.position is not None)


def forgotten(draws: Draws, share: float, indicated: int | None) -> list[str]:
    """What the shop does not write down: more where the tester named 1, less where it named no position."""
    times = 1.5 if indicated == 1 else 0.6 if indicated is None else 1.0
    if not draws.yes(min(share * times, 0.95)):
        return []
    return draws.pick((["cause"], ["position"], ["cause", "place", "position"]), (2, 3, 5))


def fault_world(seed: int, faults: int, trailers: int = 300) -> FaultWorld:
    """A world with about so many faults. Trailers differ: frailty is gamma of shape 4."""
    draws = Draws(seed, 5)
    lengths = [draws.pick(LENGTHS) for _ in range(trailers)]
    systems = [draws.pick(("five_wire", "two_wire"), (4, 1)) for _ in range(trailers)]
    entries = ["front" if draws.yes(0.15) else "rear" for _ in range(trailers)]
    homes = [draws.pick(SHOPS) for _ in range(trailers)]
    counts = np.random.default_rng([seed, 6]).poisson([draws.gamma(4) * faults / trailers for _ in lengths])
    made = []
    for t, count in enumerate(counts):
        for _ in range(count):
            cause = draws.word(CAUSES)
            fault = draw_fault(draws, cause, lengths[t], LAST_WEIGHT.get(cause, 1.0))
            shop, share, far = homes[t]
            named, kind = indicate(draws, fault, systems[t], lengths[t], entries[t] == "front", far)
            pattern = Pattern(
                systems[t], entries[t], lengths[t], "ground" if cause == "open_ground" else "overfill",
                kind or None, named, draws.word(ACTIONS[cause]), shop, fault.position, fault.place, fault.cause,
            )  # fmt: skip
            if cause == "none_found":
                made.append(Fault(t, pattern, None))
                continue
            lost = forgotten(draws, share, named)
            pattern = replace(pattern, **dict.fromkeys(lost))
            if lost and draws.yes(0.15):
                pattern = replace(pattern, action=None)
            made.append(Fault(t, pattern, (fault.position or 0, fault.place, fault.cause)))
    return FaultWorld(np.array(lengths), tuple(made))
