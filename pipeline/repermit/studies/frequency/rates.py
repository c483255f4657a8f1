"""How often, per load and per day: faults, exposure and mean time between faults by any set of keys.

Marts in, `Rates` out. May import `errors`, `statistics`, `warehouse`, `wording` and its neighbours. Findings that are not recorded
are shared out; rows add up to the total whatever the keys.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.frequency.rate_units import FINDING_KEYS, KEYS, make_units
from repermit.studies.frequency.shared_rates import SharedOut, shared_counts, shared_out
from repermit.studies.location.sharing import WHOLE, Sharing, share
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, once, one, records, settings_of
from repermit.wording import BEYOND_MEASURE, estimate, interval, seen, whole

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

US_PER_DAY = 86_400_000_000


@dataclass(frozen=True)
class Rate:
    """One row: its keys, counts, exposure and rates. What is undefined is None.

    `faults` has the findings that are not recorded shared out, so it need not be whole; `faults_found` counts those
    whose keys the finding gives; `faults_least` and `faults_most` bound the row: found, and found with every fault of
    unknown finding that the chain rules allow here. Rates carry limits at the store's level, which allow for the
    sharing out. `these_trailers_only`: too few trailers to speak of others.
    """

    keys: dict[str, Any]
    faults: float
    faults_found: int
    faults_least: int
    faults_most: int
    trailers: int
    loads: int | None
    days: float | None
    per_1000_loads: float | None
    per_1000_loads_low: float | None
    per_1000_loads_high: float | None
    mtbf_days: float | None
    mtbf_days_low: float | None
    mtbf_days_high: float | None
    mtbf_loads: float | None
    mtbf_loads_low: float | None
    mtbf_loads_high: float | None
    these_trailers_only: bool

    def as_dict(self) -> dict[str, Any]:
        """For JSON: the keys first."""
        return self.keys | {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "keys"}

    def sentence(self) -> str:
        """The row in words: count, rate and mean time with their limits; that so few trailers speak of themselves only."""
        told = f"{seen(self.faults, 'fault')} on {seen(self.trailers, 'trailer')}"
        if self.loads:
            told += f" in {whole(self.loads)} loads: {_told(self.per_1000_loads, self.per_1000_loads_low, self.per_1000_loads_high)} per 1,000 loads"
        if self.days:
            told += f"; one in {_told(self.mtbf_days, self.mtbf_days_low, self.mtbf_days_high)} trailer-days"
        if not self.loads and not self.days:
            told += ", and nothing on record to divide by"
        return told + ("; too few trailers to speak of others." if self.these_trailers_only else ".")


@dataclass(frozen=True)
class Rates:
    """The rows by their keys, the total over all of them, what they are about, and what was shared out for them."""

    about: About
    by: tuple[str, ...]
    rows: tuple[Rate, ...]
    total: Rate
    shared: SharedOut | None = None


def _told(value: float | None, low: float | None, high: float | None) -> str:
    return estimate(value, low, high) if value else interval(low or None, high)


def parse_by(text: str) -> tuple[str, ...]:
    """The keys of `--by`, separated by commas. Raises CallError for one that is unknown or stands twice."""
    keys = tuple(key.strip() for key in text.split(",") if key.strip())
    for key in keys:
        if key not in KEYS:
            raise CallError(f"rates cannot be told by {key!r}", hint=f"Choose from {', '.join(KEYS)}.")
    if len(set(keys)) != len(keys):
        raise CallError(f"--by {text} names a key twice", hint="Give each key once.")
    return keys


def rates(
    con: Connection, store: str, selection: Selection, by: tuple[str, ...], sharing: Sharing | None = None
) -> Rates:
    """Rates by the keys `by` within the selection, and their total.

    `sharing`: that of the window, where it was the last one made on the connection.
    """
    if sharing is None:
        return _rates(con, store, selection, by)
    found, shared = rate_rows(con, selection, by, sharing)
    return Rates(about(con, store, selection), by, tuple(found), _total(con, selection), shared)


@once
def _rates(con: Connection, store: str, selection: Selection, by: tuple[str, ...]) -> Rates:
    found, shared = rate_rows(con, selection, by)
    return Rates(about(con, store, selection), by, tuple(found), _total(con, selection), shared)


@once
def _total(con: Connection, selection: Selection) -> Rate:
    return rate_rows(con, selection, ())[0][0]


def rate_rows(
    con: Connection, selection: Selection, by: tuple[str, ...], sharing: Sharing | None = None
) -> tuple[list[Rate], SharedOut | None]:
    """The rows, and what was shared out for them where any key is of the finding."""
    import numpy as np

    from repermit.statistics.rates import rate_intervals

    settings = settings_of(con)
    by_finding = bool(set(by) & set(FINDING_KEYS))
    sharing = (sharing or share(con, selection.window)) if by_finding else None
    make_units(con, selection, by)
    cells = records(con, _cells_sql(by))
    if not cells and not by:
        cells = [{"cell": 0, "n": 0, "n_found": 0, "us": 0, "loads": 0, "most": 0, "trailers": 0}]
    has_days = selection.terminal is None and "terminal" not in by
    has_loads = bool(one(con, "select count(*) from core.load_days"))
    units = con.execute(
        "select cell, number, n, us, loads from rate_units order by cell, number"
    ).fetchnumpy()
    size = max([c["cell"] for c in cells] + [int(units["cell"].max(initial=0))]) + 1
    counts = shared_counts(con, sharing, by, size) if sharing else None
    cell, events = np.asarray(units["cell"], dtype=np.int64), np.asarray(units["n"]) / WHOLE
    per: dict[str, Any] = {}
    for name, exposure in (
        ("days", np.asarray(units["us"]) / US_PER_DAY),
        ("loads", np.asarray(units["loads"])),
    ):
        e = np.asarray(exposure, dtype=float)
        per[name] = rate_intervals(
            events, e, cell, size, level=settings.level, min_units=settings.min_trailers,
            between=counts.between(events, e, cell, np.asarray(units["number"])) if counts else None,
        )  # fmt: skip
    found = [_rate(c, by, per, has_days, has_loads) for c in cells]
    return found, shared_out(con, counts, by, found) if counts else None


def _cells_sql(by: tuple[str, ...]) -> str:
    """Sums by cell, with the cell's keys, in the order of the keys; cells without anything are left out."""
    keys = "".join(f'c."{key}", ' for key in by)
    order = " order by " + ", ".join(f'c."{key}" nulls last' for key in by) if by else ""
    return (
        f"select cell, {keys}sum(n)::bigint as n, sum(n_found)::bigint as n_found, sum(us)::bigint as us,"
        " sum(loads)::bigint as loads, sum(most)::bigint as most,"
        " count(*) filter (us > 0 or loads > 0) as trailers"
        " from rate_units join rate_cells c using (cell) group by all"
        f" having sum(n) > 0 or sum(us) > 0 or sum(loads) > 0{order}"
    )


def _rate(
    cell: dict[str, Any], by: tuple[str, ...], per: dict[str, Any], has_days: bool, has_loads: bool
) -> Rate:
    i = cell["cell"]
    days, loads = per["days"], per["loads"]
    n, found = _faults(cell["n"]), cell["n_found"] // WHOLE
    return Rate(
        keys={key: cell[key] for key in by},
        faults=n,
        faults_found=found,
        faults_least=found,
        faults_most=max(cell["most"], math.ceil(n)),
        trailers=cell["trailers"],
        loads=cell["loads"] if has_loads else None,
        days=cell["us"] / US_PER_DAY if has_days else None,
        per_1000_loads=_number(loads.rate, i, 1000) if has_loads else None,
        per_1000_loads_low=_number(loads.low, i, 1000) if has_loads else None,
        per_1000_loads_high=_number(loads.high, i, 1000) if has_loads else None,
        mtbf_days=_inverse(days.rate, i) if has_days else None,
        mtbf_days_low=_inverse(days.high, i) if has_days else None,
        mtbf_days_high=_inverse(days.low, i) if has_days else None,
        mtbf_loads=_inverse(loads.rate, i) if has_loads else None,
        mtbf_loads_low=_inverse(loads.high, i) if has_loads else None,
        mtbf_loads_high=_inverse(loads.low, i) if has_loads else None,
        these_trailers_only=bool((days if has_days else loads).poisson_only[i]),
    )


def _faults(billionths: int) -> float:
    """A count of faults: whole where it is."""
    whole, part = divmod(billionths, WHOLE)
    return billionths / WHOLE if part else whole


def _number(values: NDArray[np.float64], i: int, times: float = 1.0) -> float | None:
    value = float(values[i]) * times
    return None if value != value else value


def _inverse(values: NDArray[np.float64], i: int) -> float | None:
    """Reciprocal of a rate; None where the rate is zero or unknown."""
    value = float(values[i])
    return 1 / value if value > 1 / BEYOND_MEASURE else None
