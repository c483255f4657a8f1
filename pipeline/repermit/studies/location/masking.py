"""What may be behind a fault whose finding is not recorded whole: patterns of faults, and the ways of each.

May import `statistics` and `chain`. A pattern is what is known of a fault but not of its trailer; a way is a cell
(position, place, cause) with the name by which the chain rules let it explain the tester's indication. A way's
probability is proportional to

    rate(place, cause; trailer level, first, middle, last position) * q(name | cause, place, wiring, shop)
    * alpha(action | cause) * the chance of this position where the name admits several.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

from repermit.studies.location.chain import MOST_CHANNELS, Cell, Indication, Way, ways, wirings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from repermit.statistics.masked import Block, Ways

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

PSEUDO_FAULTS = 3.0  # by which a cause's names are shrunk to those of its wiring
SHOP_FAULTS = 100  # resolved faults from which a shop's tester and habits get a term of their own
RESOLVED_FAULTS = 30  # below it a share of a half is known to no better than 18 points: nothing is shared out
NEVER = ("none_found", "liquid_present", "rack_equipment")  # causes that nothing is shared out to


@dataclass(frozen=True)
class Pattern:
    """What is known of a fault; None = not recorded. `indication` and `indicated_position` are the tester's."""

    system: str | None
    supply_entry: str | None
    positions: int | None
    reason: str | None
    indication: str | None
    indicated_position: int | None
    action: str | None
    shop: str | None
    position: int | None
    place: str | None
    cause: str | None

    @property
    def nothing_found(self) -> bool:
        """Looked, and found nothing: a finding of its own."""
        return self.cause == "none_found"

    @property
    def resolved(self) -> bool:
        """Whether the finding is recorded whole."""
        return None not in (self.position, self.place, self.cause)

    @property
    def told(self) -> Indication:
        """What the tester told: the position, else the kind of indication."""
        return self.indicated_position if self.indicated_position is not None else self.indication

    def candidates(self) -> list[tuple[str, Way]]:
        """The ways that explain it, with their wiring. Of a resolved fault the one cell, even against the rules."""
        if self.positions is None or self.nothing_found:
            return []
        kinds = wirings(self.system, self.supply_entry)
        known = (self.position, self.place, self.cause)
        for told, reason in ((self.told, self.reason), (None, None)):
            found = [(w, way) for w in kinds for way in fitting(w, self.positions, told, reason, known)]
            if found:
                return found
        if self.position is None or self.place is None or self.cause is None:
            return []
        return [(kinds[0], Way(self.position, self.place, self.cause, ""))]


@cache
def fitting(
    wiring: str,
    positions: int,
    told: Indication,
    reason: str | None,
    known: tuple[int | None, str | None, str | None],
) -> tuple[Way, ...]:
    """The ways of `chain.ways` that agree with what is known of position, place and cause."""
    position, place, cause = known
    return tuple(
        way
        for way in ways(wiring, positions, told, reason)
        if (position is None or way.position == position)
        and (place is None or way.place == place)
        and (cause is None or way.cause == cause)
    )


def part_of_chain(position: int, n: int) -> int:
    """0 trailer level, 1 first, 2 middle, 3 last; a single position is the last."""
    return 0 if position == 0 else 3 if position >= n else 1 if position == 1 else 2


def places_of_part(n: int) -> tuple[int, int, int, int]:
    """How many positions of a trailer belong to each part of the chain."""
    return 1, int(n > 1), max(n - 2, 0), 1


def chance(names: str, position: int, n: int) -> float:
    """The chance of one position where a name of the rules admits several alike."""
    admitted = {"j..N": n - position + 1, "1..N": n, "above N": MOST_CHANNELS - n}
    return 1.0 / admitted.get(names, 1)


class Codes:
    """Numbers for keys, in the order in which they are first asked for."""

    def __init__(self) -> None:
        self.of: dict[Any, int] = {}

    def __getitem__(self, key: Any) -> int:
        return self.of.setdefault(key, len(self.of))

    def __len__(self) -> int:
        return len(self.of)


@dataclass(frozen=True)
class Masking:
    """The patterns of a store and all their ways. `cell` (ways) indexes `cells`; `resolved`, `too_few` (patterns)."""

    patterns: tuple[Pattern, ...]
    cells: tuple[Cell, ...]
    ways: Ways
    cell: NDArray[np.int64]
    resolved: NDArray[np.bool_]
    too_few: NDArray[np.bool_]

    @cached_property
    def missing(self) -> NDArray[np.bool_]:
        """Patterns of faults whose finding is not recorded whole."""
        import numpy as np

        found_nothing = np.array([p.nothing_found for p in self.patterns], dtype=bool)
        return np.asarray(~self.resolved & ~found_nothing, dtype=np.bool_)


def masking(patterns: Sequence[Pattern], counts: NDArray[np.float64]) -> Masking:
    """All ways of the patterns, and the parameters that they share. `counts` tell which shops have enough faults."""
    import numpy as np

    from repermit.statistics.masked import Ways

    templates: dict[tuple[object, ...], int] = {}
    columns: list[list[tuple[float, ...]]] = []
    rates, cells, names, causes, groups = Codes(), Codes(), Codes(), Codes(), Codes()
    of = np.zeros(len(patterns), dtype=np.int64)
    group = np.zeros(len(patterns), dtype=np.int64)
    for i, p in enumerate(patterns):
        key = (p.system, p.supply_entry, p.positions, p.reason, p.told, p.position, p.place, p.cause)
        group[i] = groups[p.system, p.supply_entry, p.positions or 0]
        if key not in templates:
            templates[key] = len(columns)
            columns.append([])
            for wiring, way in p.candidates():
                n, (position, place, cause) = p.positions or 0, way.cell
                name = names[wiring, place, cause, way.names] if way.names else -1
                rate = rates[place, cause, part_of_chain(position, n)]
                columns[-1].append(
                    (rate, name, causes[cause], cells[way.cell], chance(way.names, position, n))
                )
        of[i] = templates[key]
    length = np.array([len(c) for c in columns], dtype=np.int64)
    flat = np.array([row for c in columns for row in c], dtype=np.float64).reshape(-1, 5)
    starts = np.cumsum(length) - length
    pattern = np.repeat(np.arange(len(patterns)), length[of])
    within = np.arange(len(pattern)) - np.repeat(np.cumsum(length[of]) - length[of], length[of])
    way = flat[starts[of][pattern] + within]
    rate, name, cause, cell = (way[:, i].astype(np.int64) for i in range(4))
    resolved = np.array([p.resolved and not p.nothing_found for p in patterns], dtype=bool)
    blocks = (
        _names_block(patterns, counts * resolved, names, name, pattern),
        _actions_block(patterns, counts * resolved, len(causes), cause, pattern),
    )
    opportunity = np.zeros((len(groups), len(rates)))
    for (_, _, n), g in groups.of.items():
        opportunity[g] = [places_of_part(n)[part] for _, _, part in rates.of]
    too_few = _too_few(patterns, counts * resolved)
    too_few &= np.bincount(pattern, minlength=len(patterns)) != 1
    all_ways = Ways(pattern, rate, way[:, 4], group, opportunity, blocks)
    return Masking(tuple(patterns), tuple(cells.of), all_ways, cell, resolved, too_few)


def _too_few(patterns: Sequence[Pattern], resolved: Floats) -> NDArray[np.bool_]:
    """Patterns (P) of a system with too few resolved faults."""
    import numpy as np

    enough: dict[str | None, float] = {}
    for p, n in zip(patterns, resolved.tolist(), strict=True):
        enough[p.system] = enough.get(p.system, 0.0) + n
    return np.array([enough[p.system] < RESOLVED_FAULTS for p in patterns], dtype=bool)


def _names_block(
    patterns: Sequence[Pattern], resolved: Floats, names: Codes, name: Ints, pattern: Ints
) -> Block:
    """q(name | cause, place, wiring), of large shops shrunk to all shops', and these to the wiring's."""
    import numpy as np

    from repermit.statistics.masked import Block

    none = np.zeros(0, dtype=np.int64)
    kinds, pools, wires = Codes(), Codes(), Codes()
    keys = list(names.of)
    kind = np.array([kinds[k[:3]] for k in keys], dtype=np.int64)
    pool = np.array([pools[k[0], k[3]] for k in keys], dtype=np.int64)
    of_pool = np.array([wires[w] for w, _ in pools.of], dtype=np.int64)
    wiring = Block(none, of_pool, pseudo=1.0)
    of_all = Block(none, kind, wiring, pool, PSEUDO_FAULTS)
    by_shop: dict[str, float] = {}
    for p, n in zip(patterns, resolved, strict=True):
        by_shop[p.shop or ""] = by_shop.get(p.shop or "", 0.0) + float(n)
    large = sorted(s for s, n in by_shop.items() if s and n >= SHOP_FAULTS)
    if not large:
        return Block(name, kind, wiring, pool, PSEUDO_FAULTS)
    number = {s: i + 1 for i, s in enumerate(large)}
    shop = np.array([number.get(p.shop or "", 0) for p in patterns], dtype=np.int64)
    index = np.where(name >= 0, name + shop[pattern] * len(keys), -1)
    groups = np.concatenate([kind + i * len(kinds) for i in range(len(large) + 1)])
    return Block(index, groups, of_all, np.tile(np.arange(len(keys)), len(large) + 1), PSEUDO_FAULTS)


def _actions_block(
    patterns: Sequence[Pattern], resolved: Floats, n_causes: int, cause: Ints, pattern: Ints
) -> Block:
    """alpha(action | cause), shrunk to all causes'. An action none, empty or never seen with a finding says nothing."""
    import numpy as np

    from repermit.statistics.masked import Block

    seen = sorted({p.action for p, n in zip(patterns, resolved, strict=True) if n and p.action} - {"none"})
    number = {a: i for i, a in enumerate(seen)}
    action = np.array([number.get(p.action or "none", -1) for p in patterns], dtype=np.int64)[pattern]
    index = np.where(action >= 0, cause * len(seen) + action, -1)
    every = np.arange(n_causes * len(seen))
    of_all = Block(np.zeros(0, dtype=np.int64), np.zeros(len(seen), dtype=np.int64), pseudo=1.0)
    return Block(index, every // max(len(seen), 1), of_all, every % max(len(seen), 1), 1.0)
