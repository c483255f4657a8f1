"""Whether to replace a sensor before it fails: what a replacement costs either way, and the age that costs least.

Marts and a fitted life in, frozen results out. May import `statistics` and `warehouse`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from repermit.warehouse import Connection, records, settings_of

if TYPE_CHECKING:
    from repermit.statistics.weibull import WeibullFit

LEAST_PRICED = 3
"""Fewer priced visits give no cost."""
LEAST_SAVING = 0.05
"""A saving below this share is none: the optimum is flatter than the costs are known."""


@dataclass(frozen=True)
class Costs:
    """Mean price of a planned replacement of one sensor, and of one that failed; None where too few are priced.

    `planned_visits` and `failed_visits` are the priced ones behind them. Where no planned one is priced the planned
    price is that of the repair of a failed one. `refusal` is the settings' cost of a refused trailer beyond the
    bill, 0 where it is not stated; `failed` holds it.
    """

    planned: float | None
    failed: float | None
    refusal: float
    planned_visits: int
    failed_visits: int


@dataclass(frozen=True)
class Replacement:
    """The age with the least cost, the share of cost saved against replacing at failure with limits, and the ages
    whose cost is within 5 % of the least; `at_days` is None where no saving is shown."""

    at_days: float | None
    saving: tuple[float | None, float | None, float | None]
    flat_days: tuple[float | None, float | None]


COSTS = """
with bills as (
    select v.repair_id, v.visit_kind, v.cause, v.cost::double as cost, count(*) as findings,
        count(*) filter (r.action = 'sensor_replaced') as sensors
    from core.visits v join staging.repairs r on r.repair_id = v.repair_id
    where v.received_at < $end and v.cost is not null
    group by all
)
select avg(cost / sensors order by cost / sensors) filter (planned) as planned, count(*) filter (planned) as planned_visits,
    avg(cost order by cost) filter (failed) as failed, count(*) filter (failed) as failed_visits
from (
    select *, visit_kind in ('planned', 'inspection') and findings = sensors as planned,
        visit_kind = 'non_permit' and cause = 'sensor_failed' and sensors = 1 as failed
    from bills where sensors > 0
)
"""


def costs_of(con: Connection, end: date) -> Costs:
    """What replacements before `end` cost on record."""
    row = records(con, COSTS, {"end": end})[0]
    refusal = settings_of(con).refusal_cost
    planned = row["planned"] if row["planned_visits"] >= LEAST_PRICED else None
    repair = row["failed"] if row["failed_visits"] >= LEAST_PRICED else None
    return Costs(
        planned if planned is not None else repair,
        repair + refusal if repair is not None else None,
        refusal,
        row["planned_visits"],
        row["failed_visits"],
    )


def replacement(fit: WeibullFit, costs: Costs) -> Replacement | None:
    """The advice for lives whose shape is above 1 beyond doubt; None where the costs are not known."""
    from repermit.statistics.age_replacement import best_age, cost_rate

    planned, failed = costs.planned, costs.failed
    if not planned or not failed:
        return None
    best = best_age(fit.shape[0], fit.scale[0], planned, failed)
    if not math.isfinite(best.age):
        return Replacement(None, (0.0, None, None), (None, None))

    def saving(shape: float, scale: float) -> float:
        never = cost_rate(math.inf, shape, scale, planned, failed)
        return 1 - cost_rate(best.age, shape, scale, planned, failed) / never

    found = fit.function(saving)
    shown = found[0] >= LEAST_SAVING and found[1] > 0
    to = best.flat_to if math.isfinite(best.flat_to) else None
    return Replacement(best.age if shown else None, found, (best.flat_from, to) if shown else (None, None))
