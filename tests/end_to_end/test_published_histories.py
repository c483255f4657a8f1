"""The main job on published histories: CSVs in, faults, exposure and mean time between faults out.

A unit of the source is a trailer, an hour (or day) of the source a day of the record. A failure is a visit without
length, so that it takes no time out of the exposure, at noon of day ceil(t): one at the very end of a watch still
lies within it. There are no refusals and no loads.
"""

from __future__ import annotations

import csv
import json
import math
import tomllib
from collections import defaultdict
from collections.abc import Callable
from datetime import date, timedelta
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from helpers import rates_from, rates_of, store_from
from repermit.statistics.rates import mtbf_limits
from repermit.warehouse import opened

CASES_AT = Path(__file__).parents[1] / "published" / "cases"
CASES: dict[str, Any] = tomllib.loads((CASES_AT / "histories.toml").read_text(encoding="utf-8"))
AIRCRAFT: dict[str, Any] = tomllib.loads((CASES_AT / "rates.toml").read_text(encoding="utf-8"))["aircraft"]
PLANES = [*AIRCRAFT["plane"], CASES["aircraft_7909"]]
START = date(2020, 1, 1)
SAME = 1e-8  # relative; recomputed figures are given to ten digits
History = dict[str, tuple[int, list[float]]]  # by unit: how long it was watched, when it failed


def day(number: int) -> str:
    return (START + timedelta(days=number)).isoformat()


def trailers(history: History) -> list[dict[str, Any]]:
    return [
        {"trailer_id": unit, "system": "five_wire", "positions": 5, "in_service_on": day(0), "out_of_service_on": day(end)}
        for unit, (end, _) in history.items()
    ]  # fmt: skip


def repairs(history: History) -> list[dict[str, Any]]:
    failures = [(unit, t) for unit, (_, times) in history.items() for t in times]
    at = [f"{day(math.ceil(t) - 1)}T12:00Z" for _, t in failures]
    return [
        {"repair_id": f"{unit}-{number}", "trailer_id": unit, "received_at": at, "returned_at": at}
        for number, ((unit, _), at) in enumerate(zip(failures, at, strict=True))
    ]


def record(folder: Path, history: History, level: float = 0.95) -> Path:
    tables = {"trailers": trailers(history), "repairs": repairs(history)}
    return store_from(folder, {name: rows for name, rows in tables.items() if rows}, level=level)


def poisson_tail(count: int, mean: float) -> float:
    """P(N <= count)."""
    return math.fsum(math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(count + 1))


def assert_exact(faults: int, exposure: float, limits: list[float | None], level: float) -> None:
    """The time-ended limits by their definition: so many faults or fewer, or more, have half of 1 - level."""
    low, high = limits
    assert low is not None and high is not None
    assert poisson_tail(faults, exposure / low) == pytest.approx((1 - level) / 2, rel=1e-9)
    assert 1 - poisson_tail(faults - 1, exposure / high) == pytest.approx((1 - level) / 2, rel=1e-9)


@pytest.mark.parametrize("case", CASES["history"], ids=lambda c: c["name"])
def test_few_systems(case: dict[str, Any], tmp_path: Path, repermit: Callable[..., Any]) -> None:
    history: History = {unit["name"]: (unit["watched"], unit["failures"]) for unit in case["units"]}
    record(tmp_path, history, case["level"])
    watched = sum(end for end, _ in history.values())
    window = ("--from", day(0), "--to", day(max(end for end, _ in history.values())))
    answer = repermit("rates", "--by", "system", *window, "--format", "json")
    assert answer.exit_code == 0, answer.output
    (row,) = json.loads(answer.stdout)["rows"]
    assert (row["faults"], row["trailers"], row["these_trailers_only"]) == (
        case["faults"],
        len(history),
        True,
    )
    assert row["days"] == watched and row["loads"] is None and row["per_1000_loads"] is None
    assert row["mtbf_days"] == pytest.approx(case["mean"], rel=1e-12)
    limits = [row["mtbf_days_low"], row["mtbf_days_high"]]
    assert_exact(case["faults"], watched, limits, case["level"])
    if "factors" in case:
        assert limits == pytest.approx([f * case["mean"] for f in case["factors"]], rel=SAME)
    if "limits" in case:
        assert limits == pytest.approx(case["limits"], rel=SAME)
    for limit, printed in zip(limits, case.get("printed", ()), strict="printed" in case):
        assert f"{limit:.{len(printed.partition('.')[2])}f}" == printed


def test_no_failure(tmp_path: Path) -> None:
    case = CASES["no_failure"]
    store = record(tmp_path, {"A": (case["watched"], [])}, case["level"])
    total = rates_of(store, first=day(0), end=day(case["watched"])).total
    assert (total.faults, total.days) == (0, case["watched"])
    assert total.mtbf_days_low == pytest.approx(case["low"], rel=SAME)
    assert total.mtbf_days is None and total.mtbf_days_high is None


# --- aircraft: watched until a failure ------------------------------------------------------------------


def flights() -> History:
    return {plane["name"]: (sum(plane["hours"]), list(accumulate(plane["hours"]))) for plane in PLANES}


def test_aircraft(tmp_path: Path) -> None:
    """The program's window ends by the calendar, so it gives time-ended limits. The published ones are those of a
    watch that ends with a failure: the upper limit is the same, the lower lies higher."""
    history = flights()
    store = record(tmp_path, history, AIRCRAFT["level"])
    answer = rates_of(store, "trailer", first=day(0), end=day(max(end for end, _ in history.values())))
    by_plane = {row.keys["trailer"]: row for row in answer.rows}
    assert len(by_plane) == 5 and answer.total.faults == 122
    assert answer.total.days == sum(end for end, _ in history.values())
    for plane in PLANES:
        row, hours = by_plane[plane["name"]], plane["hours"]
        assert (row.faults, row.days) == (len(hours), sum(hours))
        assert row.mtbf_days == pytest.approx(sum(hours) / len(hours), rel=1e-12)
        limits = [row.mtbf_days_low, row.mtbf_days_high]
        assert_exact(row.faults, sum(hours), limits, AIRCRAFT["level"])
        if "limits_h" in plane:
            low, high = plane["limits_h"]
            assert row.mtbf_days_high == pytest.approx(high, rel=SAME)
            assert limits[0] is not None and limits[0] < low * (1 - 1e-3)
            ended_by_failure = mtbf_limits(
                row.days or math.nan, row.faults, AIRCRAFT["level"], ended_by="failure"
            )
            assert ended_by_failure == pytest.approx([low, high], rel=SAME)


# --- valve seats: many units, two failures on one day -----------------------------------------------------


def engines() -> History:
    ends: dict[str, int] = {}
    replaced: dict[str, list[float]] = defaultdict(list)
    with (CASES_AT / CASES["valve_seats"]["file"]).open(newline="") as file:
        for row in csv.DictReader(file):
            if row["what"] == "end":
                ends[row["engine"]] = int(row["age_days"])
            else:
                replaced[row["engine"]].append(int(row["age_days"]))
    return {engine: (end, replaced[engine]) for engine, end in ends.items()}


@pytest.fixture(scope="module")
def valve_seats(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("valve_seats"), engines())


def test_valve_seats(valve_seats: Path) -> None:
    case, history = CASES["valve_seats"], engines()
    answer = rates_of(valve_seats, "trailer", first=day(0), end=day(800))
    total, by_engine = answer.total, {row.keys["trailer"]: row for row in answer.rows}
    assert (total.trailers, total.faults, total.days) == (
        case["engines"],
        case["replacements"],
        case["engine_days"],
    )
    assert {e: (r.faults, r.days) for e, r in by_engine.items()} == {
        e: (len(t), n) for e, (n, t) in history.items()
    }
    assert (by_engine["E328"].faults, by_engine["E402"].faults) == (3, 2)  # two of them on one day
    assert total.mtbf_days == pytest.approx(case["engine_days"] / case["replacements"], rel=1e-12)


def test_valve_seats_have_the_limits_of_the_rule(valve_seats: Path) -> None:
    """Gamma limits with the variance that the engines' scatter shows, from the formula and scipy's distributions."""
    total = rates_of(valve_seats, first=day(0), end=day(800)).total
    e, y = (
        np.array(column, dtype=float)
        for column in zip(*((n, len(t)) for n, t in engines().values()), strict=True)
    )
    exposure, faults, n = e.sum(), y.sum(), len(y)
    scatter = (((y - faults / exposure * e) / (1 - e / exposure)) ** 2).sum()
    variance = faults + max(scatter - faults, 0) * (stats.t.ppf(0.975, n - 1) / stats.norm.ppf(0.975)) ** 2
    assert variance > 1.1 * faults and not total.these_trailers_only
    low = stats.gamma.ppf(0.025, faults**2 / variance, scale=variance / faults)
    high = stats.gamma.ppf(0.975, (faults + 1) ** 2 / (variance + 1), scale=(variance + 1) / (faults + 1))
    assert [total.mtbf_days_low, total.mtbf_days_high] == pytest.approx(
        [exposure / high, exposure / low], rel=SAME
    )


def test_valve_seats_day_by_day(valve_seats: Path) -> None:
    """Faults over exposure of one-day windows, added up, are the published mean cumulative function."""
    per_engine = 0.0
    with (CASES_AT / CASES["valve_seats"]["mean_cumulative"]).open(newline="") as file:
        published = list(csv.DictReader(file))
    assert sum(int(row["replaced"]) for row in published) == CASES["valve_seats"]["replacements"]
    with opened(valve_seats) as con:
        for row in published:
            age = int(row["age_days"])
            total = rates_from(con, first=day(age - 1), end=day(age)).total
            assert (total.faults, total.days) == (int(row["replaced"]), int(row["at_risk"]))
            per_engine += total.faults / (total.days or math.nan)
            assert per_engine == pytest.approx(float(row["per_engine"]), rel=1e-9)
