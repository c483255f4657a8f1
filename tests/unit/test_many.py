"""Pictures and pages of many: trailers, shops, lanes, rows. What is left out is counted, or told where to find."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from repermit.studies.ages.changes import AfterChange, ChangeRow, Verdict
from repermit.studies.readers.what_pays import Action, Spared
from repermit.validate.run import Outcome, Validation
from repermit_reports.charts import fleet, plot, shops
from repermit_reports.flat import flat
from repermit_reports.page import Column, Table
from repermit_reports.pages.monthly.before_after import _told
from repermit_reports.pages.monthly.lanes import MOST_LANES, lanes_section
from repermit_reports.pages.validation import validation_page
from repermit_reports.render import MOST_ROWS, cut, rows


def texts(chart: Any, field: str) -> list[list[Any]]:
    """Of each layer that writes this field, what it writes."""
    spec = chart.to_dict()
    data = spec.get("datasets", {})

    def values(layer: dict[str, Any]) -> list[dict[str, Any]]:
        own = layer.get("data", spec.get("data", {}))
        found: list[dict[str, Any]] = data[own["name"]] if "name" in own else own["values"]
        return found

    return [
        [row[field] for row in values(layer)]
        for layer in spec["layer"]
        if layer["encoding"].get("text", {}).get("field") == field
    ]


@pytest.mark.parametrize(("many", "named"), [(6, 6), (7, 1)])
def test_of_many_shops_those_apart_are_named(many: int, named: int) -> None:
    made = [
        {"shop": f"S{n}", "expected": 300.0 + n, "ratio": 1.0, "back": 300, "fixes": 3000, "low": 0.9, "high": 1.1,
         "apart": n == 0}
        for n in range(many)
    ]  # fmt: skip
    limits = [{"expected": 1.0, "low_95": 0.5, "high_95": 2.0, "low_998": 0.2, "high_998": 3.0}]
    assert texts(shops.funnel(made, limits), "shop") == [[f"S{n}" for n in range(named)]]
    none = shops.funnel([row | {"apart": False} for row in [*made, *made]], limits)
    assert texts(none, "shop") == []  # a layer without rows would be an axis without end


def test_bars_far_out_are_one() -> None:
    few, worse = fleet.STANDS
    made = [(0, 54, few), (2, 134, few), (10, 1, few), (12, 2, worse), (50, 1, worse)]
    drawn = [{"faults": n, "trailers": k, "stands": stands} for n, k, stands in made]
    spec = fleet.trailers_by_faults(drawn).to_dict()
    (bars,) = spec["datasets"].values() if "datasets" in spec else [spec["layer"][0]["data"]["values"]]
    assert [(row["faults"], row["trailers"], row["stands"]) for row in bars] == [
        ("0", 54, few), ("2", 134, few), ("10+", 1, few), ("10+", 3, worse),
    ]  # fmt: skip
    domain = spec["layer"][0]["encoding"]["x"]["scale"]["domain"]
    assert domain == [*map(str, range(10)), "10+"]
    few_bars = fleet.trailers_by_faults(drawn[:2]).to_dict()["layer"][0]["encoding"]["x"]["scale"]["domain"]
    assert few_bars == ["0", "1", "2"]


def test_an_axis_has_room_for_counts() -> None:
    made = [{"rate": 0.1, "high": 0.2}, {"rate": 0.15, "high": None}]
    scale = plot.with_room(made, "rate", "high").to_dict()
    assert scale["domain"][0] == 0 and scale["domain"][1] == pytest.approx(0.27)
    assert plot.with_room([{"rate": 0.0}], "rate").to_dict() == {"zero": True}


@pytest.mark.parametrize("more", [0, 3])
def test_a_page_shows_the_first_rows_and_its_csv_all(more: int) -> None:
    many = MOST_ROWS + more
    table = Table("t-table", "Faults", (Column("n", "n", kind="integer"),), tuple((n,) for n in range(many)))
    assert rows(table, wide=False).count("<tr>") == MOST_ROWS
    assert cut(table) == ("; the first 500 of 503, all with --csv" if more else "")
    assert len(flat(table)[1]) == many


@pytest.mark.parametrize("more", [0, 5])
def test_of_many_lanes_the_first_are_drawn(more: int) -> None:
    made = [
        SimpleNamespace(
            terminal="T", lane=f"{n:03}", rate_ratio=1.0, rate_ratio_low=0.9, rate_ratio_high=1.1, loads=1000,
            told_by="cleared_without_repair", cleared_without_repair=9, cleared_other_lane=3, excess=None,
            excess_least=None, excess_most=9, q_value=1.0, since=None, verdict="alike", flagged=False,
        )
        for n in range(MOST_LANES + more)
    ]  # fmt: skip
    found = SimpleNamespace(rows=tuple(made), window="2025", not_placed=0, sentences=lambda: ["told"])
    section = lanes_section(SimpleNamespace(lanes=found))  # type: ignore[arg-type]
    assert section.figure and section.table
    (counted,) = texts(section.figure.chart, "n")
    assert len(counted) == MOST_LANES and len(section.table.rows) == len(made)
    assert ("Of 45 lanes the first 40" in section.figure.says) == bool(more)


def test_of_many_trailers_to_pull_in_the_first_are_named() -> None:
    spared = Spared(30.0, 12.0, 53.0)
    told = Action("trailers", tuple(f"T{n}" for n in range(26)), spared, None, "", "").sentence()
    assert told.startswith("Pull in T0, T1, T2, T3, T4, and 21 more: spares about 30")


def test_of_many_changes_those_with_news_are_told() -> None:
    def change(n: int, verdict: Verdict) -> ChangeRow:
        told = AfterChange(10.0, 0.5, 0.4, 0.6, verdict)
        return ChangeRow(
            f"c{n:02}", 10, 90, "all", "2025-01-01", "2025-01-01", 10, 300.0, 5, 300.0, 0.5, None, told
        )

    def pairs(*rows: ChangeRow) -> list[tuple[ChangeRow, AfterChange]]:
        return [(row, row.by_loads) for row in rows if row.by_loads]

    few = [change(n, "fewer") for n in range(2)]
    same = [change(n, "about_the_same") for n in range(2, 12)]
    assert len(_told(pairs(*few, *same[:3]))) == 5
    told = _told(pairs(*same, *few))
    assert [text[:3] for text in told[:-1]] == ["c00", "c01"] and told[
        -1
    ] == "Of 10 more changes the table tells."


def test_what_holds_is_folded_and_what_does_not_stands_open() -> None:
    def outcome(n: int, holds: bool) -> Outcome:
        return Outcome(
            "loads", "accepted", f"rule_{n}", f"rule {n}", False, holds, 9, 0 if holds else 1, None
        )

    outcomes = tuple(outcome(n, n > 0) for n in range(40))
    page = validation_page(Validation(1, datetime(2026, 1, 1, tzinfo=UTC), "s", "f", outcomes))
    broken, loads = page.sections
    assert broken.table and not broken.table.folded and len(broken.table.rows) == 1
    assert loads.table and loads.table.folded and len(loads.table.rows) == 40
    assert "40 expectations: 1 of them does not hold." in loads.lede
    assert page.headline.endswith("1 advisory one deserves a look.")
