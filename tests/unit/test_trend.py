"""`repermit trend`: own windows of service, the verdict and its words, groups compared, published histories end to end."""

from __future__ import annotations

import csv
import json
import math
import tomllib
from collections import defaultdict
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from helpers import store_from
from repermit.errors import CallError
from repermit.studies.ages.histories import by_month, histories, on_all_records
from repermit.studies.ages.trend import Trends, parse_by, trend
from repermit.studies.ages.trend_words import in_words
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit_reports.pages.monthly.by_age import by_age

CASES = Path(__file__).parents[1] / "published" / "cases"
START = date(2021, 1, 1)
Rows = list[dict[str, Any]]


def day(number: float) -> str:
    return (datetime(2021, 1, 1) + timedelta(days=number)).strftime("%Y-%m-%dT%H:%MZ")


def trailer(name: str, since: float = 0, until: float | None = None, **more: Any) -> dict[str, Any]:
    end = None if until is None else day(until)[:10]
    row = {"trailer_id": name, "positions": 5, "in_service_on": day(since)[:10], "out_of_service_on": end}
    return row | {"system": "five_wire", "fleet": "F", "records_from": None} | more


def fault(trailer_id: str, at: float, hours: float = 0) -> dict[str, Any]:
    """A shop visit that starts its own episode."""
    name = f"{trailer_id}-{at:.6f}"
    return {
        "repair_id": name,
        "trailer_id": trailer_id,
        "received_at": day(at),
        "returned_at": day(at + hours / 24),
    }


def asked(store: Path, by: str | None = None, first: float = 0, end: float = 1096, **more: Any) -> Trends:
    with opened(store) as con:
        return trend(con, "store", select(con, first=day(first)[:10], end=day(end)[:10], **more), by)


# --- own windows ------------------------------------------------------------------------------------------------


def test_windows_are_of_service_within_the_records(tmp_path: Path) -> None:
    """A: in service long before the records; B: enters late, leaves early; C: on record only later; D: sold."""
    rows = [
        trailer("A", -1000),
        trailer("B", 100, 200),
        trailer("C", -50, records_from=day(300)[:10]),
        trailer("D", 0, 400),
        trailer("D", 500, fleet="G"),
    ]
    repairs = [
        fault("A", 10, 48),
        fault("B", 150.5),
        fault("C", 250),
        fault("C", 350),
        fault("D", 399),
        fault("D", 600),
    ]
    store = store_from(tmp_path, {"trailers": rows, "repairs": repairs})
    with opened(store) as con:
        h = histories(con, on_all_records(con, select(con, first=day(0)[:10], end=day(700)[:10])), "fleet")
    assert h.names == ("F", "G") and h.key.tolist() == [0, 0, 0, 0, 1]
    zero = int(np.datetime64(START, "m").astype(int)) / 1440
    assert (h.first / 1440 - zero).tolist() == [0, 100, 300, 0, 500]
    assert (h.last / 1440 - zero).tolist() == [700, 200, 700, 400, 700]
    assert h.days.tolist() == [698, 100, 400, 400, 200]
    assert (h.born / 1440 - zero).tolist() == [-1000, 100, -50, 0, 0]
    assert h.left_out == 1 and h.fault_unit.tolist() == [0, 1, 2, 3, 4]
    assert h.fault_days.tolist() == [10, 50.5, 50, 399, 100]
    assert h.trailers(np.ones(5, bool)) == 4


def test_a_fault_that_shows_while_in_the_shop_counts_where_the_stretch_before_ended(tmp_path: Path) -> None:
    """A planned visit, and a refusal during it that is an episode of its own only by its later repair."""
    repairs = [
        fault("A", 10, 240) | {"visit_kind": "inspection"},
        fault("A", 15),
    ]
    store = store_from(tmp_path, {"trailers": [trailer("A")], "repairs": repairs})
    with opened(store) as con:
        h = histories(con, select(con, first=day(0)[:10], end=day(100)[:10]), None)
    assert h.fault_days.tolist() == [10] and h.days.tolist() == [90]


def test_all_records_before_the_end_are_used(tmp_path: Path) -> None:
    store = store_from(
        tmp_path, {"trailers": [trailer("A")], "repairs": [fault("A", t) for t in (5, 40, 90)]}
    )
    later = asked(store, first=60, end=80)
    assert (later.about.first, later.total.faults, later.total.days) == (day(5)[:10], 2, pytest.approx(75))
    earlier = asked(store, first=0, end=100)
    assert (earlier.about.first, earlier.total.faults) == (day(0)[:10], 3)


# --- published histories, told as records -----------------------------------------------------------------------


def published() -> list[dict[str, Any]]:
    return [
        c for c in tomllib.loads((CASES / "histories.toml").read_text())["history"] if len(c["units"]) > 2
    ]


@pytest.mark.parametrize("case", published(), ids=lambda c: c["name"])
def test_three_systems(case: dict[str, Any], tmp_path: Path) -> None:
    """Hours of the source are days here, to the minute; the values stand in trend.toml."""
    rows = [trailer(u["name"], 0, u["watched"]) for u in case["units"]]
    repairs = [fault(u["name"], t) for u in case["units"] for t in u["failures"]]
    total = asked(store_from(tmp_path, {"trailers": rows, "repairs": repairs}), end=200).total
    values = tomllib.loads((CASES / "trend.toml").read_text())
    tests = next(c for c in values["tests"] if c["id"] == "three systems, time-ended")
    law = next(c for c in values["power_law"] if c["id"] == "three systems, time-ended")
    assert (total.trailers, total.faults, total.days) == (3, 36, 600)
    assert total.laplace_z == pytest.approx(tests["laplace_z"], rel=1e-3)
    assert total.chi2_189 == pytest.approx(tests["chi2"], rel=1e-3)
    assert total.power_law_shape == pytest.approx(law["shape"], rel=1e-3)
    assert total.verdict == "season_not_separable" and total.laplace_robust_z is None


def test_valve_seats(tmp_path: Path) -> None:
    """Engines as trailers: the points are the published mean cumulative function, ties and all."""
    ends: dict[str, float] = {}
    events: dict[str, list[float]] = defaultdict(list)
    with (CASES / "valve_seats.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["what"] == "end":
                ends[row["engine"]] = float(row["age_days"])
            else:
                events[row["engine"]].append(float(row["age_days"]))
    rows = [trailer(name, 0, end) for name, end in ends.items()]
    repairs = [
        fault(name, t) | {"repair_id": f"{name}-{k}"} for name, ts in events.items() for k, t in enumerate(ts)
    ]
    points = asked(store_from(tmp_path, {"trailers": rows, "repairs": repairs}), end=800).total.points
    with (CASES / "valve_seats_mcf.csv").open(newline="") as file:
        want = list(csv.DictReader(file))
    assert [p.age_days for p in points] == [float(row["age_days"]) for row in want]
    assert [p.at_risk for p in points] == [int(row["at_risk"]) for row in want]
    assert [p.per_trailer for p in points] == pytest.approx([float(r["per_engine"]) for r in want], rel=1e-8)
    case = next(c for c in tomllib.loads((CASES / "recurrence.toml").read_text())["case"] if "file" in c)
    last = case["ages"][-1]
    assert (points[-1].low, points[-1].high) == pytest.approx((last["low"], last["high"]), rel=1e-8)


# --- planted trends ---------------------------------------------------------------------------------------------


def world(
    seed: int, slopes: dict[str, float], season: float = 0.0, trailers: int = 24, mean: float = 7.0
) -> tuple[Rows, Rows]:
    """Fleets over three years whose rate changes from first to last day by a factor, with late entry and comebacks."""
    rng = np.random.default_rng(seed)
    rows, repairs = [], []
    for fleet, factor in slopes.items():
        for number in range(trailers):
            name = f"{fleet}{number:02d}"
            since = float(rng.integers(0, 500)) if number % 3 == 0 else -float(rng.integers(10, 2000))
            rows.append(trailer(name, since, fleet=fleet))
            count = rng.poisson(mean * rng.gamma(3, 1 / 3) * 2.5 * (1 + season))
            for at in np.unique(np.round(rng.uniform(0, 1095, count), 3)):
                height = factor ** (at / 1095 - 0.5) * (1 + season * math.sin(2 * math.pi * at / 365.25))
                if at > max(since, 0) + 1 and rng.random() * 2.5 * (1 + season) < height:
                    repairs.append(fault(name, at, 5))
                    if rng.random() < 0.2 and at < 1050:
                        repairs.append(fault(name, at + float(rng.uniform(2, 40)), 5))
    return rows, list({r["repair_id"]: r for r in repairs}.values())


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rows, repairs = world(3, {"Rising": 5.0, "Same": 1.0, "Falling": 0.2}, season=0.5)
    return store_from(tmp_path_factory.mktemp("planted"), {"trailers": rows, "repairs": repairs})


def test_planted_trends_are_told_and_no_other(planted: Path) -> None:
    result = asked(planted, "fleet")
    verdicts = {row.key: row.verdict for row in result.rows}
    assert verdicts == {"Rising": "worse", "Falling": "better", "Same": "no_change_shown"}
    by = {row.key: row for row in result.rows}
    assert (by["Rising"].power_law_shape or 0) > 1 > (by["Falling"].power_law_shape or 9)
    assert (by["Rising"].mtbf_now_days or 0) < (by["Falling"].mtbf_now_days or 0)
    assert sum(row.faults for row in result.rows) == result.total.faults
    assert by["Rising"].sentence.startswith("Worse with time") and by["Falling"].sentence.startswith(
        "Better with time"
    )


def test_a_season_alone_is_no_trend(tmp_path: Path) -> None:
    """A strong season whose last high lies late in the record: Laplace alone would speak of a trend."""
    rows, repairs = world(11, {"F": 1.0}, season=0.9, trailers=60, mean=14.0)
    store = store_from(tmp_path, {"trailers": rows, "repairs": repairs})
    short = asked(store, end=290).total  # a high and the low after it
    assert short.verdict == "season_not_separable" and (short.laplace_p or 1) < 0.05
    total = asked(store, end=880).total  # the third high is in, the low after it is not
    assert (total.laplace_p or 1) < 0.05 and (total.laplace_z or 0) > 0
    assert total.verdict == "no_change_shown" and (total.season_robust_p or 0) > 0.05


def test_order_of_rows_changes_nothing(tmp_path: Path) -> None:
    rows, repairs = world(5, {"A": 2.0, "B": 1.0}, trailers=12, mean=3.0)
    rng = np.random.default_rng(1)
    answers = []
    for folder in ("one", "two"):
        order = rng.permutation(len(repairs))
        tables = {
            "trailers": [rows[i] for i in rng.permutation(len(rows))],
            "repairs": [repairs[i] for i in order],
        }
        result = asked(store_from(tmp_path / folder, tables), "fleet")
        answers.append((result.rows, result.total))
    assert answers[0] == answers[1]


def test_a_fleet_is_compared_with_the_rest(planted: Path, tmp_path: Path) -> None:
    rows, repairs = world(8, {"Often": 1.0}, mean=12.0)
    more = world(9, {"Seldom": 1.0}, mean=2.0)
    store = store_from(tmp_path, {"trailers": rows + more[0], "repairs": repairs + more[1]})
    often, seldom = asked(store, "fleet").rows
    assert (often.more_than_rest_low or 0) > 0 and often.compared.startswith("More faults")
    assert seldom.more_than_rest == pytest.approx(-(often.more_than_rest or 0))
    assert seldom.compared.startswith("Fewer faults")
    same = next(row for row in asked(planted, "fleet").rows if row.key == "Same")
    assert same.compared.startswith("No difference")


# --- loads or days ----------------------------------------------------------------------------------------------


def test_a_stopped_trailer_has_neither_days_nor_loads(tmp_path: Path) -> None:
    """Refused on day 10, in the shop from 12 to 14: two days down on the road, and the refused load was attempted."""
    refusal = {
        "refusal_id": "r",
        "trailer_id": "A",
        "refused_at": day(10),
        "terminal": "T",
        "lane": "1",
        "reason": "overfill",
    }
    repair = {
        "repair_id": "v",
        "trailer_id": "A",
        "refusal_id": "r",
        "received_at": day(12),
        "returned_at": day(14),
    }
    loads = [
        {"trailer_id": "A", "terminal": "T", "lane": "1", "loaded_on": day(d)[:10], "loads": n}
        for d, n in ((3, 20), (33, 7))
    ]
    tables = {"trailers": [trailer("A", -50)], "refusals": [refusal], "repairs": [repair], "loads": loads}
    with opened(store_from(tmp_path, tables)) as con:
        selection = select(con, first=day(0)[:10], end=day(59)[:10])
        cells = by_month(con, histories(con, selection, None), selection.window)
    assert cells.month.tolist() == [2021 * 12, 2021 * 12 + 1, 2021 * 12 + 2]
    assert cells.faults[:, 0].tolist() == [1, 0, 0]
    assert cells.days[:, 0].tolist() == [29, 28, 0] and cells.up_days[:, 0].tolist() == [27, 28, 0]
    assert cells.attempts[:, 0].tolist() == [21, 7, 0]


@pytest.mark.parametrize(("uneven", "better"), [(True, "loads"), (False, None)])
def test_what_faults_follow(uneven: bool, better: str | None, tmp_path: Path) -> None:
    """Faults come per load; where trailers load alike, that can't be told from days."""
    rng = np.random.default_rng(2)
    rows, repairs, loads = [], [], []
    for number in range(20):
        name = f"T{number}"
        each = int(rng.integers(5, 120)) if uneven else 60
        rows.append(trailer(name, -300))
        loads += [
            {"trailer_id": name, "terminal": "T", "lane": "1", "loaded_on": day(d)[:10], "loads": each}
            for d in range(0, 1090, 7)
        ]
        repairs += [
            fault(name, at, 5) for at in np.unique(np.round(rng.uniform(1, 1089, rng.poisson(each / 6)), 2))
        ]
    clock = asked(store_from(tmp_path, {"trailers": rows, "repairs": repairs, "loads": loads})).clock
    assert clock.better == better
    assert clock.sentence.startswith(
        "Faults follow loads" if uneven else "Whether faults follow loads or days is not shown"
    )
    assert (clock.power_law or 0) > 5 or not uneven


# --- on the page ------------------------------------------------------------------------------------------------


def test_part_of_the_page(planted: Path, tmp_path: Path) -> None:
    total = asked(planted, "fleet").total
    part = by_age(total, 5)
    assert part.lede == total.sentence and part.figure is not None and part.table is not None
    last = part.table.rows[-1]
    point = next(p for p in total.points if p.age_days / 365.25 == last[0])
    assert last[1:] == (point.at_risk, (point.per_trailer, point.low, point.high)) and point.at_risk >= 5
    few = store_from(tmp_path, {"trailers": [trailer("A")], "repairs": [fault("A", 40), fault("A", 90)]})
    assert by_age(asked(few, end=100).total, 5).figure is None


# --- words ------------------------------------------------------------------------------------------------------

WORDS: list[tuple[tuple[Any, ...], str]] = [
    (("no_change_shown", 0, 60, 1096, None, (None,) * 3), "Too few to tell: no faults seen on 60 trailers in 36 months."),
    (("no_change_shown", 7, 60, 1096, 0.01, (300.0, 120.0, 900.0)),
     "Too few to tell: 7 faults on 60 trailers in 36 months, and 10 of both are needed. Now one fault in 300 (120 to 900) trailer-days."),
    (("no_change_shown", 47, 9, 1096, None, (None,) * 3), "Too few to tell: 47 faults on 9 trailers in 36 months, and 10 of both are needed."),
    (("season_not_separable", 47, 20, 400, 0.001, (None,) * 3),
     "A season can't be told from a trend: 47 faults on 20 trailers in 13 months, and 24 months are needed."),
    (("no_change_shown", 246, 60, 1096, 0.91, (235.2, 186.0, 301.0)),
     "No change shown: 246 faults on 60 trailers in 36 months lie no more to one end than chance and season bring (p = 0.91)."
     " Now one fault in 235 (186 to 301) trailer-days."),
    (("worse", 246, 60, 1096, 0.0004, (None,) * 3),
     "Worse with time: 246 faults on 60 trailers in 36 months lie more to the later end than chance and season bring,"
     " with strong evidence (p under 0.001)."),
    (("better", 246, 60, 1096, 0.03, (None,) * 3),
     "Better with time: 246 faults on 60 trailers in 36 months lie more to the earlier end than chance and season bring,"
     " with some evidence (p = 0.03)."),
]  # fmt: skip


@pytest.mark.parametrize(("numbers", "words"), WORDS, ids=lambda x: x[0] if isinstance(x, tuple) else "")
def test_words_say_what_the_numbers_say(numbers: tuple[Any, ...], words: str) -> None:
    assert in_words(*numbers) == words


def test_faults_before_anything_is_on_record_and_empty_stores(tmp_path: Path) -> None:
    store = store_from(tmp_path, {"trailers": [trailer("A", 0, 50)]})
    result = asked(store, "fleet", first=100, end=200)
    assert result.rows == () and result.total.faults == 0
    assert result.total.sentence.startswith("Too few to tell")
    assert {result.total.laplace_z, result.total.power_law_shape, result.total.mtbf_now_days} == {None}


# --- the command ------------------------------------------------------------------------------------------------


def test_command(planted: Path, repermit: Callable[..., Any]) -> None:
    window = ("--from", day(0)[:10], "--to", day(1096)[:10])
    answer = repermit("trend", "--by", "fleet", *window, "--format", "json", store=planted)
    assert answer.exit_code == 0, answer.output
    found = json.loads(answer.stdout)
    names = {"fleet", "trailers", "faults", "laplace_z", "laplace_p", "laplace_robust_z", "chi2_189", "chi2_189_p",
             "power_law_shape", "mtbf_now_days", "mtbf_now_days_low", "mtbf_now_days_high", "verdict"}  # fmt: skip
    assert names <= found["rows"][0].keys() and len(found["rows"]) == 3
    assert found["about"]["clock"]["better"] is None and found["about"]["before_records"] == 0
    points = json.loads(
        repermit("trend", "--by", "fleet", "--points", *window, "--format", "json", store=planted).stdout
    )["rows"]
    assert list(points[0]) == ["fleet", "age_days", "at_risk", "per_trailer", "low", "high"]
    assert {p["fleet"] for p in points} == {"Rising", "Same", "Falling", "all"}
    table = repermit("trend", "--by", "fleet", *window, store=planted)
    assert "worse" in table.stdout and "Rising: Worse with time" in table.stderr
    one = repermit("trend", "--by", "trailer", *window, "--format", "csv", store=planted)
    rows = list(csv.DictReader(one.stdout.splitlines()))
    assert len(rows) == 72 and all(row["laplace_robust_z"] == "" for row in rows)
    assert any(row["lewis_robinson_z"] for row in rows)


def test_what_can_t_be_asked(planted: Path, repermit: Callable[..., Any]) -> None:
    with pytest.raises(CallError, match="by 'cause'"):
        parse_by("cause")
    answer = repermit("trend", "--terminal", "T", store=planted)
    assert isinstance(answer.exception, CallError)
