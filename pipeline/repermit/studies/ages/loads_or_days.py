"""Do faults follow loads or days: which of the two explains better when trailers fail.

Counts by trailer and month in, `Clock` out. May import `statistics`, `wording` and its neighbours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from repermit.studies.ages.histories import ByMonth
from repermit.wording import number, percent, seen

LEAST_GAIN = 0.05
"""By how much likelier, on the log scale, each fault must be on a clock to speak for it. A stop takes loads away before
and after the visit that days at risk leave out, so that alike clocks differ by 0.02 or so; as measured on the sample."""
LEAST_FAULTS = 10
"""Fewer faults tell nothing of either clock."""


@dataclass(frozen=True)
class Clock:
    """Whether faults follow loads or days: log-likelihood by loads less that by days, of a constant rate and of a power
    law on each clock, and Vuong's test over trailers of the former. `better` is None where it can't be told.
    """

    better: Literal["loads", "days"] | None
    constant_rate: float | None
    power_law: float | None
    z: float | None
    p: float | None
    sentence: str


def loads_or_days(cells: ByMonth, trailers: int, level: float) -> Clock:
    """Loads against days, of all trailers together."""
    from repermit.statistics.clocks import compare_clocks
    from repermit.statistics.trend import MIN_UNITS

    faults = int(cells.faults.sum())
    if cells.attempts.sum() == 0 or faults < LEAST_FAULTS or trailers < MIN_UNITS:
        return Clock(None, None, None, None, None, "Too few to tell whether faults follow loads or days.")
    found = compare_clocks(cells.faults.T, cells.attempts.T, cells.up_days.T)
    side, other = ("loads", "days") if found.constant > 0 else ("days", "loads")
    better: Literal["loads", "days"] | None = None
    if found.p < 1 - level and abs(found.constant) >= LEAST_GAIN * faults:
        better = "loads" if found.constant > 0 else "days"
    head = (
        f"Faults follow {side} rather than {other}"
        if better
        else "Whether faults follow loads or days is not shown"
    )
    tail = (
        "" if found.p != found.p else f", p {'under 0.001' if found.p < 0.001 else '= ' + number(found.p, 2)}"
    )
    sentence = (
        f"{head}: by {side} each of {seen(faults, 'fault')} on {seen(trailers, 'trailer')} is"
        f" {percent(math.expm1(abs(found.constant) / faults))} likelier{tail}."
    )
    return Clock(
        better, _known(found.constant), _known(found.power_law), _known(found.z), _known(found.p), sentence
    )


def _known(value: float) -> float | None:
    return None if value != value else float(value)
