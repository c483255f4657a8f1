"""Failures that never stop a load: sensors stuck dry, found by planned function tests only.

Marts in, `Silent` out. May import `statistics`, `warehouse` and its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from repermit.studies.about import About, about
from repermit.studies.selection import Selection, of_own
from repermit.warehouse import Connection, settings_of
from repermit.wording import estimate, interval, number, percent, seen, whole, words

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class SilentRow:
    """Positions of one system and kind of sensor (None: all, or not recorded), between two tests on record.

    `tests` end an interval that a test before it began; `position_years` are these intervals together. The rate of
    sticking dry is per position-year, with limits. `interval_days`: how long between tests, each weighted with itself,
    as faults wait longest in the longest. `on_demand`: the average probability that the sensor is stuck dry when it is
    needed, tested so often, with the limits of the rate. None where no position was tested twice.
    """

    system: str | None
    sensor_kind: str | None
    trailers: int
    tests: int
    stuck_dry: int
    stuck_wet: int
    position_years: float
    per_position_year: float | None
    per_position_year_low: float | None
    per_position_year_high: float | None
    interval_days: float | None
    on_demand: float | None
    on_demand_low: float | None
    on_demand_high: float | None

    def sentence(self) -> str:
        """In words, with counts and limits; none found is no proof of none."""
        who = " ".join(words(name) for name in (self.system, self.sensor_kind) if name) or "All sensors"
        if self.per_position_year is None or self.interval_days is None:
            return f"{who}: no position has two function tests on record, so nothing can be told."
        count = seen(self.stuck_dry, "sensor stuck dry", "sensors stuck dry")
        per = interval if not self.stuck_dry else None
        rate = (
            per(self.per_position_year_low, self.per_position_year_high)
            if per
            else estimate(self.per_position_year, self.per_position_year_low, self.per_position_year_high)
        )
        chance = (
            f"at most {percent(self.on_demand_high)}"
            if not self.stuck_dry
            else f"{percent(self.on_demand)} ({interval(self.on_demand_low, self.on_demand_high, as_percent=True)})"
        )
        return (
            f"{who}: {count} in {whole(self.tests)} tests over {number(self.position_years)} position-years, {rate} a position-year."
            f" Tested about every {whole(self.interval_days)} days, the chance that a sensor is stuck dry when it is needed is {chance}."
        )


@dataclass(frozen=True)
class Silent:
    """All positions, then each system and kind. `first_tests` have no test before them, and tell nothing of a rate;
    `first_stuck_dry` were found stuck dry in them.
    """

    about: About
    total: SilentRow
    rows: tuple[SilentRow, ...]
    first_tests: int
    first_stuck_dry: int

    def sentence(self) -> str:
        """What is known of all sensors, in words."""
        if self.rows:
            return self.total.sentence()
        return f"No planned function test before {self.about.end} is on record: nothing is known of sensors stuck dry."


TESTS = """
with tests as (
    select p.trailer_id, p.result, t.system, t.sensor_kind, t.fleet, t.home_shop, p.tested_at,
        date_diff('second', lag(p.tested_at) over (partition by p.trailer_id, p.position order by p.tested_at), p.tested_at)
            / 86400.0 as days
    from staging.proof_tests p
    left join staging.trailers t on t.trailer_id = p.trailer_id and t.service_from <= p.tested_at
        and (t.service_until is null or p.tested_at < t.service_until)
    where p.tested_at < $end
)
select WHOSE, system, sensor_kind, trailer_id, count(days) as tests, coalesce(sum(days order by days), 0)::double as days,
    coalesce(sum(days * days order by days), 0)::double as squared, count(*) filter (result = 'stuck_dry' and days is not null) as stuck_dry,
    count(*) filter (result = 'stuck_wet' and days is not null) as stuck_wet,
    count(*) filter (days is null) as first_tests,
    count(*) filter (result = 'stuck_dry' and days is null) as first_stuck_dry
from tests
where ($system is null or system = $system) and ($shop is null or home_shop = $shop)
group by all
order by all
"""


def silent(con: Connection, store: str, selection: Selection) -> Silent:
    """What all planned tests before the window's end show; no rows where the store has none of this selection."""
    kind = "shop" if selection.shop and not selection.fleet else "fleet"
    whose = (
        "home_shop as shop" if kind == "shop" else "fleet" if selection.fleet else "null::varchar as fleet"
    )
    tests = of_own(con, TESTS.replace("WHOSE", whose), selection, kind)
    settings = settings_of(con)
    kinds = sorted({(t["system"], t["sensor_kind"]) for t in tests}, key=str)
    rows = [
        _row(
            kind,
            [t for t in tests if (t["system"], t["sensor_kind"]) == kind],
            settings.level,
            settings.min_trailers,
        )
        for kind in kinds
    ]
    return Silent(
        about(con, store, selection),
        _row((None, None), tests, settings.level, settings.min_trailers),
        tuple(rows),
        sum(t["first_tests"] for t in tests),
        sum(t["first_stuck_dry"] for t in tests),
    )


def _row(
    kind: tuple[str | None, str | None], tests: list[dict[str, Any]], level: float, few: int
) -> SilentRow:
    from repermit.statistics.proportions import failure_on_demand
    from repermit.statistics.rates import rate_intervals

    tests = [t for t in tests if t["days"] > 0]
    dry, days = [t["stuck_dry"] for t in tests], sum(t["days"] for t in tests)
    counts = (
        len({t["trailer_id"] for t in tests}),
        sum(t["tests"] for t in tests),
        sum(dry),
        sum(t["stuck_wet"] for t in tests),
    )
    if not days:
        return SilentRow(*kind, *counts, 0.0, None, None, None, None, None, None, None)
    years = [t["days"] / DAYS_PER_YEAR for t in tests]
    found = rate_intervals(dry, years, [0] * len(tests), 1, level=level, min_units=few)
    rate, low, high = (float(values[0]) for values in (found.rate, found.low, found.high))
    every = sum(t["squared"] for t in tests) / days
    chance = (float(failure_on_demand(x, every / DAYS_PER_YEAR)) for x in (rate, low, high))
    return SilentRow(*kind, *counts, sum(years), rate, low, high, every, *chance)
