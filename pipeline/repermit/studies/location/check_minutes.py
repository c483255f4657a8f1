"""Which check finds which fault, what is behind a housing's lid, and how long checks take by the records.

May import `chain` and `warehouse`. Which check finds what is *common practice*.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from repermit.studies.location.chain import Cell
from repermit.warehouse import Connection, once, rows

IN_HOUSING = ("connection_look", "pull_test", "strain_relief_look", "supply_voltage", "sensor_swap")
"""Checks for which the housing of a position has to be opened."""
OF_CAUSE = {
    "residual_liquid": "sensor_tip_clean",
    "sensor_failed": "sensor_swap",
    "bad_crimp": "pull_test",
    "corrosion": "connection_look",
    "water_ingress": "connection_look",
    "nicked_conductor": "strain_relief_look",
    "pinched_cable": "strain_relief_look",
    "low_supply": "supply_voltage",
    "contact_wear": "socket_look",
    "open_ground": "ground_test",
}
LEAST_RECORDS = 3
"""Below so many records of a check its minutes are those of all checks together."""


def check_of(cell: Cell) -> str:
    """The one check that is credited with finding a cell (position, place, cause)."""
    _, place, cause = cell
    if place == "ground_circuit":
        return "ground_test"
    if place == "socket" and cause != "low_supply":
        return "socket_look"
    if place == "sensor" and cause not in ("residual_liquid", "low_supply"):
        return "sensor_swap"
    return OF_CAUSE[cause]


@dataclass(frozen=True)
class Minutes:
    """Minutes of each check, of opening a housing, how many records they are from, and what these are.

    `source`: "checks" (each step timed), "labour" (whole visits by what was found: search and repair together, so only
    their ratios speak), or None without either: every check then takes the same.
    """

    of: dict[str, float]
    opening: float
    records: int
    source: str | None

    def take(self, check: str) -> float:
        """Minutes of a check, without opening anything."""
        if check in self.of:
            return self.of[check]
        return sum(self.of.values()) / len(self.of) if self.of else 1.0


STEPS = """
with steps as (
    select s.repair_id, s.step, s.check, s.position, s.minutes::double as minutes,
        coalesce(s.check in ({housing}) and s.position >= 1, false) as inside
    from staging.checks s join core.visits v on v.repair_id = s.repair_id
    where s.check is not null and s.minutes is not null and v.received_at < $end
)
select "check", opens, count(*), sum(minutes) from (
    select *, inside and row_number() over (partition by repair_id, inside, position order by step) = 1 as opens from steps
) group by all order by all
"""

LABOUR = """
select cause, place, count(*), sum(labour_min)::double
from core.visits where labour_min is not null and cause is not null and place is not null and received_at < $end
group by all
"""


@once
def check_minutes(con: Connection, end: date) -> Minutes:
    """Minutes by check on all records before a day.

    From timed steps by least squares: minutes = the check's own + opening where it is the first in its housing.
    """
    housing = ", ".join(f"'{name}'" for name in IN_HOUSING)
    timed = rows(con, STEPS.format(housing=housing), {"end": end})
    if timed:
        return _from_steps(timed)
    by_check: dict[str, list[float]] = {}
    for cause, place, n, total in rows(con, LABOUR, {"end": end}):
        if cause not in OF_CAUSE:
            continue
        sums = by_check.setdefault(check_of((0, place, cause)), [0.0, 0.0])
        sums[0] += n
        sums[1] += total
    known = {name: total / n for name, (n, total) in by_check.items() if n >= LEAST_RECORDS}
    records = int(sum(n for n, _ in by_check.values()))
    return Minutes(known, 0.0, records, "labour" if known else None)


def _from_steps(timed: list[tuple[str, bool, int, float]]) -> Minutes:
    import numpy as np

    names = sorted({name for name, *_ in timed})
    n = np.array([count for _, _, count, _ in timed], dtype=float)
    mean = np.array([total for *_, total in timed], dtype=float) / n
    design = np.array([[float(name == own) for name in names] + [float(opens)] for own, opens, *_ in timed])
    root = np.sqrt(n)[:, np.newaxis]
    found = np.linalg.lstsq(design * root, mean * root[:, 0], rcond=None)[0]
    if found[-1] <= 0:  # nothing to be seen of an opening
        design[:, -1] = 0.0
        found = np.linalg.lstsq(design * root, mean * root[:, 0], rcond=None)[0]
    counts = {name: int(n[[own == name for own, *_ in timed]].sum()) for name in names}
    known = {
        name: float(m)
        for name, m in zip(names, found, strict=False)
        if counts[name] >= LEAST_RECORDS and m > 0
    }
    return Minutes(known, max(float(found[-1]), 0.0), int(n.sum()), "checks")
