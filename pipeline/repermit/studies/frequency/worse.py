"""Who is truly worse: trailers, fleets and shops by rates drawn towards what such units are like.

Rates in, `Worse` out. May import `statistics`, `warehouse`, `wording` and its neighbours. Of many units someone always
has the highest rate; so beside each rate stands the probability that the unit truly is among the worst tenth, and
nobody is named where the units show no difference beyond chance.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from repermit.studies.frequency.rates import Rate, Rates, rates
from repermit.studies.selection import Selection
from repermit.warehouse import Connection
from repermit.wording import chance, named, number, percent, seen, tally, whole

KEYS = ("trailer", "fleet", "shop")
LEAST_UNITS = 10
"""Of fewer units nobody can say what the worst tenth is like."""
SHOWN = 0.05
"""Differences are shown where alike units would differ as much at most so often."""
PROBABLY = 0.8
"""A unit is named where it is among the worst tenth with this probability or more."""
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Unit:
    """One unit: faults, exposure, the rate to expect of it with limits, and its probability of the worst tenth.

    Rates are per 1,000 loads, or per year in service where no loads are on record. `worst_tenth` is None where no
    differences are shown.
    """

    key: Any
    faults: float
    rate: float
    low: float
    high: float
    worst_tenth: float | None

    @property
    def truly_worse(self) -> bool:
        """Whether it is named."""
        return self.worst_tenth is not None and self.worst_tenth >= PROBABLY


@dataclass(frozen=True)
class Worse:
    """The units of one key, the likeliest to be worst first; `p`: how often alike units would differ as much.

    `per`: 1000_loads or year. `typical`: the rate of all together. Empty where there are too few units.
    """

    by: str
    per: str
    units: int
    p: float | None
    typical: float | None
    rows: tuple[Unit, ...]

    @property
    def named(self) -> tuple[Unit, ...]:
        """The units that are truly worse with a probability of 0.8 or more."""
        return tuple(row for row in self.rows if row.truly_worse)

    @property
    def sentence(self) -> str:
        """Who is truly worse, in plain words."""
        if self.p is None:
            return f"Which {self.by} is truly worse: too few to tell from {seen(self.units, self.by)}."
        if self.p >= SHOWN:
            return (
                f"Too few to tell: chance alone makes {whole(self.units)} alike {self.by}s differ as much"
                f" (p = {chance(self.p)}), so none is truly worse by these."
            )
        if not self.named:
            return (
                f"The {self.by}s differ more than chance brings, but of none is it probable ({percent(PROBABLY)}) that"
                " it is among the worst tenth."
            )
        per = "1,000 loads" if self.per == "1000_loads" else "year in service"
        told = [
            f"{row.key}, {percent(row.worst_tenth)}, {number(row.rate)} faults per {per}"
            f" ({number(row.low)} to {number(row.high)}) from {tally(row.faults)}"
            for row in self.named
        ]
        return f"Probably among the worst tenth of {whole(self.units)}: {named(told, '; ')}; all together {number(self.typical)}."

    @cached_property
    def _by_key(self) -> dict[Any, Unit]:
        return {unit.key: unit for unit in self.rows}

    def columns(self, row: Rate) -> dict[str, float | None]:
        """What stands beside a row of `rates`."""
        unit = self._by_key.get(row.keys[self.by])
        loads = unit is not None and self.per == "1000_loads"
        return {
            "shrunken_per_1000_loads": unit.rate if unit and loads else None,
            "shrunken_per_1000_loads_low": unit.low if unit and loads else None,
            "shrunken_per_1000_loads_high": unit.high if unit and loads else None,
            "worst_tenth": unit.worst_tenth if unit else None,
        }


def worse(con: Connection, store: str, selection: Selection, found: Rates) -> Worse | None:
    """Who of the rows of `rates` by trailer, fleet or shop is truly worse; None for other keys.

    The trailers of a fleet or shop differ too. So that this is not taken for a difference of fleets, their counts
    and exposures are divided by how much more than chance trailers of one fleet scatter.
    """
    from repermit.statistics.shrinkage import shrink

    if len(found.by) != 1 or found.by[0] not in KEYS:
        return None
    by = found.by[0]
    use_loads = bool(found.total.loads)
    scale = 1000.0 if use_loads else DAYS_PER_YEAR
    rows = [row for row in found.rows if row.keys[by] is not None and _exposure(row, use_loads) > 0]
    per = "1000_loads" if use_loads else "year"
    if len(rows) < LEAST_UNITS or not sum(row.faults for row in rows):
        return Worse(by, per, len(rows), None, None, ())
    scatter = 1.0
    if by != "trailer":
        scatter = _scatter(rates(con, store, selection, (by, "trailer")), by, use_loads)
    faults = [row.faults / scatter for row in rows]
    exposure = [_exposure(row, use_loads) / scale / scatter for row in rows]
    told = shrink(faults, exposure, level=found.about.level)
    shown = told.p < SHOWN
    units = [
        Unit(
            row.keys[by],
            row.faults,
            float(told.mean[i]),
            float(told.low[i]),
            float(told.high[i]),
            float(told.worst[i]) if shown and math.isfinite(told.worst[i]) else None,
        )
        for i, row in enumerate(rows)
    ]
    units.sort(key=lambda u: (-(u.worst_tenth or 0.0), str(u.key)))
    return Worse(by, per, len(rows), told.p, sum(faults) / sum(exposure), tuple(units))


def worst_tenth(faults: Mapping[str, float], exposure: Mapping[str, float]) -> dict[str, float]:
    """The probability of each unit to be among the worst tenth of them; empty where no differences are shown."""
    from repermit.statistics.shrinkage import shrink

    names = sorted(name for name, e in exposure.items() if e > 0)
    if len(names) < LEAST_UNITS or not any(faults.get(name) for name in names):
        return {}
    whole = sum(exposure[name] for name in names)
    told = shrink([faults.get(n, 0) for n in names], [exposure[n] / whole for n in names])
    return dict(zip(names, told.worst.tolist(), strict=True)) if told.p < SHOWN else {}


def _exposure(row: Rate, use_loads: bool) -> float:
    return float((row.loads if use_loads else row.days) or 0.0)


def _scatter(by_trailer: Rates, by: str, use_loads: bool) -> float:
    """How many times more than chance the trailers of one group scatter about the rate of its others; 1 or more."""
    groups: dict[Any, list[Rate]] = defaultdict(list)
    for row in by_trailer.rows:
        groups[row.keys[by]].append(row)
    seen_, chance = 0.0, 0.0
    for rows in groups.values():
        faults, exposure = sum(r.faults for r in rows), sum(_exposure(r, use_loads) for r in rows)
        for row in rows:
            rest = exposure - _exposure(row, use_loads)
            if rest > 0:
                seen_ += (row.faults - _exposure(row, use_loads) * (faults - row.faults) / rest) ** 2
                chance += row.faults
    return max(1.0, seen_ / chance) if chance else 1.0
