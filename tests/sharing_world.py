"""Invented worlds of faults with known cells, of which shops write down only a part: for the sharing out alone.

Faults, circuits and what testers name come from `tanker_world.chain`, which shares nothing with the chain rules. No
dates, loads or episodes: a world is trailers and the patterns of their faults, with what really happened.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from repermit.statistics.rates import rate_intervals
from repermit.studies.frequency.shared_rates import SharedCounts
from repermit.studies.location.chain import Cell
from repermit.studies.location.masking import Pattern
from repermit.studies.location.sharing import Sharing, share_out
from tanker_world.chain import ACTIONS, PLACES, draw_fault, indicate
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
    per_trailer: float

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


def fault_world(seed: int, faults: int, trailers: int = 300, misnamed: float = 0.0) -> FaultWorld:
    """A world with about so many faults. Trailers differ: frailty is gamma of shape 4.

    `misnamed`: share of faults at which a tester that names a position names any, against all rules.
    """
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
            if named and draws.yes(misnamed):
                named = draws.between(1, lengths[t])
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
    return FaultWorld(np.array(lengths), tuple(made), faults / trailers)


# --- what the sharing out makes of a world ----------------------------------------------------------------------------


def sharing_of(world: FaultWorld) -> tuple[Sharing, np.ndarray]:
    """The faults of the world shared out, and the pattern of each."""
    patterns, number = world.patterns()
    trailer = np.array([f.trailer for f in world.faults], dtype=np.int64)
    counts = np.bincount(number, minlength=len(patterns)).astype(float)
    return share_out(patterns, counts, trailer, number, np.ones(len(number)), len(world.positions)), number


@dataclass(frozen=True)
class Row:
    """One cell of a table, by position or by position and cause: what the method says, and what is true."""

    key: Any
    found: int
    shared: float
    most: int
    low: float
    high: float
    truth: int
    long_run: float


def table(world: FaultWorld, width: int, *, intervals: bool = True) -> list[Row]:
    """The rows by position (`width` 1) or by position and cause (2), worked out beside `studies.rates`: plain loops."""
    s, number = sharing_of(world)

    def key(cell: Cell) -> Any:
        return cell[0] if width == 1 else (cell[0], cell[2])

    chosen: dict[Any, int] = {}
    entries: list[tuple[int, int, float]] = []
    found: Counter[Any] = Counter()
    most: Counter[Any] = Counter()
    by_pattern: dict[int, dict[Any, float]] = {}
    for pattern, cell, share in zip(
        s.pair_pattern.tolist(), s.pair_cell.tolist(), s.share.tolist(), strict=True
    ):
        cells = by_pattern.setdefault(pattern, {})
        k = key(s.masking.cells[cell])
        cells[k] = cells.get(k, 0.0) + share
    for fault, pattern in zip(world.faults, number.tolist(), strict=True):
        p = fault.pattern
        if p.nothing_found:
            continue
        if p.position is not None and (width == 1 or p.cause is not None):
            k = p.position if width == 1 else (p.position, p.cause)
            found[k] += 1
            most[k] += 1
            entries.append((chosen.setdefault(k, len(chosen)), fault.trailer, 1.0))
            continue
        for k, share in by_pattern.get(pattern, {}).items():
            most[k] += 1
            if share:
                entries.append((chosen.setdefault(k, len(chosen)), fault.trailer, share))
    truth = Counter(key(f.truth) for f in world.faults if f.truth)
    low, high, sums = _limits(world, s, chosen, entries, key) if intervals else _sums_only(chosen, entries)
    return [
        Row(k, found[k], sums[i], most[k], low[i], high[i], truth[k], long_run(k, width, world))
        for k, i in chosen.items()
    ]


def _sums_only(chosen: dict[Any, int], entries: list[tuple[int, int, float]]) -> tuple[np.ndarray, ...]:
    sums = np.bincount([e[0] for e in entries], weights=[e[2] for e in entries], minlength=len(chosen))
    return np.full(len(chosen), np.nan), np.full(len(chosen), np.nan), sums


def _limits(
    world: FaultWorld, s: Sharing, chosen: dict[Any, int], entries: list[tuple[int, int, float]], key: Any
) -> tuple[np.ndarray, ...]:
    """Every trailer that has the position is exposed for one unit of time."""
    rows, units = len(chosen), len(world.positions)
    events = np.zeros((rows, units))
    for cell, trailer, n in entries:
        events[cell, trailer] += n
    has = np.array([[(k if isinstance(k, int) else k[0]) <= n for n in world.positions] for k in chosen])
    cell, trailer = np.nonzero(has | (events > 0))
    of_pair = [chosen.get(key(s.masking.cells[c]), -1) for c in s.pair_cell.tolist()]
    used = np.array(
        [s.shared[p] and c >= 0 for p, c in zip(s.pair_pattern, of_pair, strict=True)], dtype=bool
    )
    # a pattern whose keys are recorded is counted as found, which is the same, as all of its pairs share the key
    counts = SharedCounts(
        s, np.array(of_pair)[used], np.flatnonzero(used), s.counts[s.pair_pattern[used]], rows,
        {i: i for i in range(units)},
    )  # fmt: skip
    y, e = events[cell, trailer], has[cell, trailer].astype(float)
    r = rate_intervals(y, e, cell, rows, between=counts.between(y, e, cell, trailer))
    return r.low, r.high, r.events


def long_run(k: Any, width: int, world: FaultWorld) -> float:
    """The rate of such trailers in the cell, a trailer and unit of time: over all lengths that have the position."""
    position, wanted = (k, None) if width == 1 else k
    lengths = [n for n in LENGTHS if n >= position]
    total = sum(w for _, w in CAUSES)
    rate = 0.0
    for cause, weight in CAUSES:
        if cause == "none_found" or wanted not in (None, cause):
            continue
        places = PLACES.get(cause, (("sensor", 1.0),))
        level = sum(w for place, w in places if place in ("socket", "ground_circuit")) / sum(
            w for _, w in places
        )
        last = LAST_WEIGHT.get(cause, 1.0)
        share = level if position == 0 else 0.0
        if position:
            share = (1 - level) * np.mean(
                [(last if position == n else 1.0) / (n - 1 + last) for n in lengths]
            )
        rate += weight / total * share
    return float(rate * world.per_trailer)


def errors(world: FaultWorld, rows: list[Row]) -> tuple[float, float]:
    """Sum of absolute differences from the true shares of positions: of findings alone, and shared out."""

    def shares(values: list[float]) -> np.ndarray:
        return np.array(values) / sum(values)

    keys = sorted(world.true_positions() | world.found_positions() | Counter(r.key for r in rows))
    shared = {r.key: r.shared for r in rows}
    true = shares([world.true_positions()[k] for k in keys])
    alone = shares([world.found_positions()[k] for k in keys])
    return float(np.abs(alone - true).sum()), float(
        np.abs(shares([shared.get(k, 0.0) for k in keys]) - true).sum()
    )


def measured(world: FaultWorld, *, intervals: bool = True) -> dict[str, Any]:
    """Sums to be added over worlds: errors (alone, shared, whether no greater), and pairs (hits, of) by table width."""
    result: dict[str, Any] = {}
    for width in (1, 2):
        rows = table(world, width, intervals=intervals)
        if width == 1:
            alone, shared = errors(world, rows)
            result["errors"] = (alone, shared, float(shared <= alone))
        enough = [r for r in rows if r.shared >= 5]
        result[f"cover {width}"] = (sum(r.low <= r.long_run <= r.high for r in enough), len(enough))
        result[f"bounds {width}"] = (sum(r.found <= r.truth <= r.most for r in rows), len(rows))
    return result
