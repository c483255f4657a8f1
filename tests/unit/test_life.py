"""`life`: verdicts, lots and replacement on stores of known lives; the words against the numbers."""

from __future__ import annotations

import itertools
import json
import math
import random
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from
from repermit.errors import CallError
from repermit.studies.ages.life import Lives, lives, parse_by
from repermit.studies.ages.life_row import Life
from repermit.studies.selection import select
from repermit.warehouse import opened

Row = dict[str, Any]
START, DAYS = datetime(2020, 1, 1), 1461


def fleet(
    seed: int,
    shape: float,
    mean: float,
    trailers: int = 60,
    lots: dict[str, float] | None = None,
    **costs: Any,
) -> dict[str, list[Row]]:
    """New trailers of three positions, replaced at once at each failure; a lot's lives are so many times as long.

    Every tenth replacement is a planned one before the end. Prices, where given: planned and failed.
    """
    draws = random.Random(seed)
    scale = mean / math.gamma(1 + 1 / shape)
    tables: dict[str, list[Row]] = {"trailers": [], "repairs": []}
    for number in range(trailers):
        name = f"T{number:03d}"
        tables["trailers"].append(
            {
                "trailer_id": name,
                "fleet": "Red",
                "system": "five_wire",
                "positions": 3,
                "in_service_on": "2020-01-01",
                "records_from": "2020-01-01",
            }
        )
        for position in (1, 2, 3):
            at, factor, swaps = 0.0, 1.0, 0
            while True:
                life = factor * scale * (-math.log(1 - draws.random())) ** (1 / shape)
                planned = draws.random() < 0.1
                at += life * (0.5 if planned else 1.0)
                if at >= DAYS - 1:
                    break
                swaps += 1
                lot = draws.choice(list(lots)) if lots else None
                factor = lots[lot] if lots and lot else 1.0
                moment = START + timedelta(days=at)
                tables["repairs"].append(
                    {
                        "repair_id": f"{name}-{position}-{swaps}",
                        "trailer_id": name,
                        "visit_kind": "planned" if planned else "non_permit",
                        "received_at": moment.isoformat(timespec="seconds") + "Z",
                        "returned_at": (moment + timedelta(minutes=30)).isoformat(timespec="seconds") + "Z",
                        "found_position": position,
                        "cause": None if planned else "sensor_failed",
                        "action": "sensor_replaced",
                        "part_lot": lot,
                        "invoice_total": costs.get("planned" if planned else "failed"),
                    }
                )
    return {name: rows for name, rows in tables.items() if rows}


def ask(store: Path, by: str = "system", **words: Any) -> Lives:
    with opened(store) as con:
        return lives(con, store.name, select(con, first="2020-01-01", end="2024-01-01", **words), by)


def told(folder: Path, tables: dict[str, list[Row]], by: str = "system", **settings: Any) -> Lives:
    return ask(store_from(folder, tables, **settings), by)


def only(found: Lives) -> Life:
    (row,) = found.rows
    return row


def test_wear_out_is_found_and_replacing_pays_where_a_failure_costs_much(tmp_path: Path) -> None:
    tables = fleet(1, 3.0, 700, planned=100, failed=120)
    row = only(told(tmp_path, tables, refusal_cost=880.0))
    _shape, low, high = row.all.shape
    assert row.verdict == "wear_out" and low is not None and high is not None and 1 < low < 3.0 < high
    assert row.all == row.known and row.failures_least == row.failures_most == row.all.failures
    # Cost of a planned one 100, of a failure 1,000: about 0.38 of the scale at shape 3 (`age_replacement.toml`).
    assert row.replace_at_days == pytest.approx(0.3825 * row.all.scale_days[0], rel=0.1)
    assert row.saving[1] is not None and 0 < row.saving[1] < (row.saving[0] or 0)
    for text in ("They wear out", "costs least", "a failure 1,000", f"{row.all.lives:,} sensors"):
        assert text in row.sentence


def test_the_same_without_a_cost_of_refusal_is_not_shown_to_pay(tmp_path: Path) -> None:
    row = only(told(tmp_path, fleet(1, 3.0, 700, planned=120, failed=120)))
    assert row.verdict == "wear_out" and row.replace_at_days is None
    assert "not shown to pay" in row.sentence and "no cost of a refusal being stated" in row.sentence
    unpriced = only(told(tmp_path / "unpriced", fleet(1, 3.0, 700)))
    assert unpriced.replace_at_days is None and "too few replacements are priced" in unpriced.sentence


@pytest.mark.parametrize(("shape", "verdict"), [(1.0, "random"), (0.5, "early")])
def test_other_shapes_have_no_age_to_replace_at(tmp_path: Path, shape: float, verdict: str) -> None:
    row = only(told(tmp_path, fleet(3, shape, 500, planned=100, failed=1000)))
    assert row.verdict == verdict and row.replace_at_days is None
    assert {"random": "They fail at random", "early": "They fail early"}[verdict] in row.sentence


def test_few_failures_give_no_verdict(tmp_path: Path) -> None:
    row = only(told(tmp_path, fleet(4, 1.0, 1800, trailers=1)))
    assert 0 < row.all.failures < 5 and row.verdict == "too_few" and "Too few to tell" in row.sentence


def test_a_bad_lot_stands_out_with_what_to_expect_of_it(tmp_path: Path) -> None:
    tables = fleet(5, 1.8, 900, lots={"good": 1.0, "fine": 1.0, "fair": 1.0, "bad": 0.25})
    store = store_from(tmp_path, tables)
    found = ask(store, "lot")
    assert {row.key for row in found.rows if row.stands_out} == {"bad"}
    assert found.differ_p is not None and found.differ_p < 1e-6
    bad = next(row for row in found.rows if row.key == "bad")
    expected, low, high = bad.expected_91d
    assert bad.in_service and expected is not None and low is not None and high is not None
    assert low < expected < high <= bad.in_service
    scale = 0.25 * 900 / math.gamma(1 + 1 / 1.8)
    assert bad.all.scale_days[1] < scale < bad.all.scale_days[2]
    assert "clearly more often" in bad.sentence and f"{bad.in_service} of them" in bad.sentence
    # Elsewhere its sensors are left out, and said to be.
    row = only(ask(store, "system"))
    assert row.left_out == bad.all.lives and row.verdict == "wear_out" and "Left out" in row.sentence


def test_alike_lots_do_not_stand_out(tmp_path: Path) -> None:
    found = told(tmp_path, fleet(6, 1.0, 700, lots=dict.fromkeys("ABCDEFGH", 1.0)), "lot")
    assert not [row.key for row in found.rows if row.stands_out]


def test_a_missing_cause_counts_as_often_as_failures_are_found(tmp_path: Path) -> None:
    tables = fleet(1, 2.0, 700)
    failures = [r for r in tables["repairs"] if r["cause"] == "sensor_failed"]
    for number, repair in enumerate(failures):
        if number % 4 == 0:
            repair["cause"] = None
        elif number % 4 == 1:
            repair["cause"] = "residual_liquid"
    row = only(told(tmp_path, tables))
    found = len([r for r in failures if r["cause"] == "sensor_failed"])
    missing = len([r for r in failures if r["cause"] is None])
    other = len(failures) - found - missing
    assert row.failures_least == found and row.failures_most == found + missing
    assert row.all.failures == pytest.approx(found + missing * found / (found + other), abs=1e-6)


def test_no_verdict_unless_known_births_agree(tmp_path: Path) -> None:
    tables = fleet(1, 3.0, 700)
    late = [r for r in tables["repairs"] if r["received_at"] >= "2022-01-01"]
    for trailer in tables["trailers"]:
        trailer["records_from"] = "2022-01-01"
    row = only(told(tmp_path, {"trailers": tables["trailers"], "repairs": late}))
    assert row.known.lives < row.all.lives and row.all.verdict == "wear_out"
    assert row.all.shape[1] < 3.0 < row.all.shape[2]
    assert row.verdict == ("wear_out" if row.known.verdict == "wear_out" else "not_shown")


def test_points_are_the_curve_of_known_births(tmp_path: Path) -> None:
    found = told(tmp_path, fleet(2, 1.5, 800))
    points = found.points
    assert points[0].surviving == 1.0 and all(a.age_days < b.age_days for a, b in itertools.pairwise(points))
    assert all(a.surviving >= b.surviving for a, b in itertools.pairwise(points))
    row = only(found)
    shape, scale = row.all.shape[0], row.all.scale_days[0]
    for p in points[1:-1:20]:
        assert p.surviving == pytest.approx(math.exp(-((p.age_days / scale) ** shape)), abs=0.09)


def test_a_world_without_replacements_has_no_answer_and_no_error(tmp_path: Path) -> None:
    tables = fleet(1, 3.0, 1e6, trailers=2)
    found = told(tmp_path, tables)
    assert only(found).verdict == "too_few" and found.differ_p is None
    empty = ask(
        store_from(
            tmp_path / "empty",
            {"trailers": [{"trailer_id": "T", "positions": 2, "in_service_on": "2020-01-01"}]},
        )
    )
    assert not empty.rows and empty.total.all.lives == 0


def test_what_cannot_be_asked(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="cannot be told by 'mechanic'"):
        parse_by("mechanic")


def test_the_command_writes_rows_points_and_sentences(tmp_path: Path, repermit: Any) -> None:
    store = store_from(tmp_path, fleet(5, 1.8, 900, 20, {"good": 1.0, "fine": 1.0, "fair": 1.0, "bad": 0.2}))
    dates = ("--from", "2020-01-01", "--to", "2024-01-01")
    rows = json.loads(repermit("life", "--by", "lot", *dates, "--format", "json", store=store).stdout)["rows"]
    named = {row["lot"]: row for row in rows}
    assert named["bad"]["stands_out"] and named["bad"]["in_service"] >= 0
    for name in (
        "lives",
        "failures",
        "weibull_shape",
        "weibull_scale_days_low",
        "median_days_high",
        "verdict",
    ):
        assert name in rows[0]
    table = repermit("life", "--by", "lot", *dates, store=store)
    assert f"lot bad: {named['bad']['sentence']}" in table.stderr and "differ by lot" in table.stderr
    points = repermit("life", "--by", "lot", "--points", *dates, "--format", "csv", store=store).stdout
    assert points.splitlines()[0] == "lot,age_days,at_risk,surviving,low,high"
