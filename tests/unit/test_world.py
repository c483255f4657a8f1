"""The world simulator: it repeats itself, and has the sizes, planted effects and dirt that it states."""

import gzip
import math
import re
import runpy
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from tanker_world import PLANTED, SAMPLE, Scenario, World, simulate, small, write
from tanker_world.chain import Fault, five_wire_name
from tanker_world.scenario import Draws

SHIPPED = Path(__file__).resolve().parents[2] / "sample_data"
CSV = SHIPPED / "csv"
EQUIPMENT = ("overfill", "ground", "unknown", "rack_controller")
TIMED = replace(SAMPLE, dirt=False, date_only=0.0)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@cache
def world(scenario: Scenario) -> World:
    return simulate(scenario)


def rows(table: pl.DataFrame) -> list[dict[str, Any]]:
    return table.to_dicts()


# --- the same again ----------------------------------------------------------------------------------


def test_the_same_scenario_gives_the_same_world() -> None:
    once, again, other = simulate(small(3)), simulate(small(3)), simulate(small(4))
    assert all(once.tables[n].equals(again.tables[n]) for n in once.tables)
    assert all(once.truth[n].equals(again.truth[n]) for n in once.truth)
    assert not once.tables["refusals"].equals(other.tables["refusals"])


def files(folder: Path) -> list[Path]:
    return sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())


def test_the_shipped_files_are_reproduced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the program that the card names; run as a folder, as a reader would."""
    monkeypatch.setattr("sys.argv", ["tanker_world", str(tmp_path)])
    runpy.run_path(str(SHIPPED / "tanker_world"), run_name="__main__")
    shipped = files(CSV)
    assert shipped == files(tmp_path)
    for name in shipped:
        old, new = (CSV / name).read_bytes(), (tmp_path / name).read_bytes()
        if name.suffix == ".gz":  # another zlib may compress the same text differently
            assert old[4:8] == new[4:8] == bytes(4), "a time in the header would change the bytes"
            old, new = gzip.decompress(old), gzip.decompress(new)
        assert old == new, name
    assert sum(p.stat().st_size for p in CSV.rglob("*") if p.is_file()) < 3_000_000


def test_files_of_a_clean_world_hold_the_tables(tmp_path: Path) -> None:
    clean = world(small(1))
    whole = write(clean, tmp_path / "whole", gzip=())
    monthly = write(clean, tmp_path / "monthly", gzip=(), monthly=True)
    assert len(whole) == 8 and len([p for p in monthly if p.name.startswith("loads-")]) == 12
    for name, table in clean.tables.items():
        kinds = dict(table.schema)
        assert pl.read_csv(tmp_path / "whole" / f"{name}.csv", schema=kinds).equals(table)
        parts = [pl.read_csv(p, schema=kinds) for p in monthly if p.name.startswith((f"{name}-", f"{name}."))]
        assert pl.concat(parts).height == table.height


# --- sizes and planted effects ---------------------------------------------------------------------------


def test_rates_are_near_those_stated() -> None:
    """On 240 trailers; tolerances are about three standard errors of the counts, doubled for frailty."""
    w = world(Scenario(seed=2, trailers=240, lot_size=88))
    loads = int(w.tables["loads"]["loads"].sum())
    service_months = float(w.truth["exposure_days"]["service_days"].sum()) / (365.25 / 12)
    assert loads / service_months == pytest.approx(70, rel=0.03)
    assert 1000 * w.tables["refusals"].height / loads == pytest.approx(12, abs=0.9)
    other = w.tables["refusals"].filter(~pl.col("reason").is_in(EQUIPMENT)).height / 1.17
    assert 1000 * (w.truth["episodes"].height + other) / loads == pytest.approx(6, abs=0.35)
    faults = w.truth["faults"]
    assert 1000 * faults.height / loads == pytest.approx(1.7, abs=0.25)
    stated = {
        "bad_crimp": 0.19, "sensor_failed": 0.18, "none_found": 0.15, "corrosion": 0.14,
        "residual_liquid": 0.10, "contact_wear": 0.10, "nicked_conductor": 0.07, "low_supply": 0.04,
        "open_ground": 0.03, "liquid_present": 0.02, "rack_equipment": 0.015,
    }  # fmt: skip
    for cause, share in stated.items():
        seen = (faults["cause"] == cause).mean()
        assert seen == pytest.approx(share, abs=max(0.03 if share > 0.12 else 0.02, 0.2 * share)), cause
    kinds = dict(w.truth["episodes"].group_by("kind").len().iter_rows())
    assert kinds["residual"] / w.truth["episodes"].height == pytest.approx(1 / 3, abs=0.04)
    assert kinds["rack"] / w.truth["episodes"].height == pytest.approx(0.1, abs=0.02)
    repairs = w.tables["repairs"].filter(pl.col("visit_kind").fill_null("non_permit") == "non_permit")
    lost = repairs.filter(pl.col("finding_no") == 1).select(
        (pl.col("cause").is_null() | (pl.col("found_position").is_null() & ~pl.col("cause").is_in(
            ["none_found", "rack_equipment"]))).mean()
    ).item()  # fmt: skip
    assert lost == pytest.approx(0.20, abs=0.04)
    assert repairs["refusal_id"].is_null().mean() == pytest.approx(0.5, abs=0.06)
    stays = w.truth["visits"].select((pl.col("returned_at") - pl.col("received_at")).alias("stay"))["stay"]
    assert stays.is_between(4 * HOUR, 72 * HOUR).all()


def test_the_sample_is_as_its_card_says() -> None:
    w = world(SAMPLE)
    loads = int(w.tables["loads"]["loads"].sum())
    assert 1000 * w.tables["refusals"].height / loads == pytest.approx(12, abs=1)
    assert 1000 * w.truth["faults"].height / loads == pytest.approx(1.7, abs=0.2)
    rack = (w.truth["episodes"]["kind"] == "rack").mean()
    assert rack == pytest.approx(0.1, abs=0.03)
    assert set(w.tables["trailers"]["positions"]) == set(range(3, 9))
    assert set(w.tables["trailers"]["system"]) == {"five_wire", "two_wire"}
    spells = w.tables["trailers"].group_by("trailer_id").len()
    assert (spells["len"] == 2).sum() == 5
    assert {"left", "unresolved", "repaired"} <= set(w.truth["episodes"]["outcome"])
    assert set(w.truth["planted"]["name"]) == set(PLANTED)
    card = (SHIPPED / "README.md").read_text(encoding="utf-8")
    stated = dict(re.findall(r"^\| `([^`]+\.csv(?:\.gz)?)` \| ([0-9,]+) \|", card, re.MULTILINE))
    written = {
        f"{delivery}/{name}.csv{'.gz' if name == 'loads' else ''}": f"{table.height:,}"
        for delivery, tables in w.deliveries.items()
        for name, table in tables.items()
    }
    assert stated == written


def came_back(faults: pl.DataFrame, shop: pl.Expr) -> tuple[int, int]:
    """Recrimps, and those followed by a fault at the same position within 60 days."""
    crimps = faults.filter((pl.col("action") == "recrimped") & shop)
    back = 0
    for r in rows(crimps):
        gap = pl.col("started_at") - r["returned_at"]
        here = (pl.col("trailer_id") == r["trailer_id"]) & (pl.col("position") == r["position"])
        back += faults.filter(here & (gap > timedelta(0)) & (gap <= 61 * DAY)).height > 0
    return back, crimps.height


def test_planted_effects_are_in_the_truth_of_the_sample() -> None:
    w = world(SAMPLE)
    faults = w.truth["faults"]
    planted = {r["name"]: r for r in rows(w.truth["planted"])}
    back, crimps = came_back(faults, pl.col("shop") == planted["shop"]["where"])
    back_elsewhere, crimps_elsewhere = came_back(faults, pl.col("shop") != planted["shop"]["where"])
    assert crimps >= 15 and back / crimps > 0.35 and back_elsewhere / crimps_elsewhere < 0.2

    here = pl.concat_str("terminal", "lane", separator=" ") == planted["lane"]["where"]
    since = planted["lane"]["since"]
    rack = w.truth["episodes"].filter(
        (pl.col("kind") == "rack") & (pl.col("started_at") >= datetime.fromisoformat(since))
    )
    loads = w.tables["loads"].filter(pl.col("loaded_on") >= since)
    rate = rack.filter(here).height / loads.filter(here)["loads"].sum()
    elsewhere = rack.filter(~here).height / loads.filter(~here)["loads"].sum()
    assert rate > 15 * elsewhere and rate * 1000 == pytest.approx(planted["lane"]["size"], rel=0.25)

    last = faults.filter((pl.col("cause") == "corrosion") & (pl.col("position") == pl.col("positions")))
    spring = last.filter(pl.col("started_at").dt.month().is_in([2, 3, 4])).height
    assert spring / 3 > 3 * (last.height - spring) / 9

    lot = w.truth["sensors"].filter(pl.col("part_lot") == planted["lot"]["where"])
    assert lot.height >= 20 and lot.filter(pl.col("end") == "failed").height > 0.8 * lot.height
    life = (lot["ended_at"] - lot["born_at"]).dt.total_days().median()
    assert life == pytest.approx(300 * math.log(2) ** (1 / 1.3), rel=0.35)

    wiring = faults.filter(pl.col("cause") != "sensor_failed")
    before = after = 0.0
    changes = w.tables["changes"].filter(pl.col("change") == "strain_relief_kit")
    assert " ".join(changes["trailer_id"]) == planted["change"]["where"]
    for name, _, on in changes.iter_rows():
        own, day = wiring.filter(pl.col("trailer_id") == name), datetime.fromisoformat(on)
        before += own.filter(pl.col("started_at") < day).height / (day - datetime(2023, 1, 1)).days
        after += own.filter(pl.col("started_at") >= day).height / (datetime(2026, 1, 1) - day).days
    assert after < 0.6 * before

    months = faults.group_by(pl.col("started_at").dt.strftime("%Y-%m-01").alias("month")).len()
    assert months.sort("len", descending=True)["month"][0] == planted["month"]["since"]


def test_nothing_is_planted_where_nothing_is_asked_for() -> None:
    w = world(replace(TIMED, planted=()))
    assert w.truth["planted"].is_empty() and (w.tables["changes"]["change"] == "dust_caps").all()
    back, crimps = came_back(w.truth["faults"], pl.lit(True))
    assert crimps > 30 and back / crimps < 0.25
    assert (w.truth["sensors"]["part_lot"] == "L-K7").sum() == 0


# --- dirt, chain, draws ----------------------------------------------------------------------------------


def test_dirt_is_all_that_parts_the_deliveries_from_the_clean_records() -> None:
    w = world(SAMPLE)
    dirt = w.truth["dirt"]
    assert set(dirt["fate"]) == {
        "duplicate", "quarantined", "quarantined_unless_mapped", "accepted", "corrected", "withdrawn"
    }  # fmt: skip
    added = dirt.filter(pl.col("fate").is_in(["duplicate", "corrected"]))
    extra = dict(added.group_by("table").len().iter_rows())
    for name, table in w.tables.items():
        sent = sum(tables[name].height for tables in w.deliveries.values() if name in tables)
        assert sent == table.height + extra.get(name, 0) + 2 * (name == "refusals"), name
    for name in ("refusals", "repairs", "loads"):
        clean, parts = w.tables[name], [d[name] for d in w.deliveries.values()]
        every = pl.concat([part.select(clean.columns) for part in parts]).unique()
        unknown = every.join(clean, on=clean.columns, how="anti", nulls_equal=True)
        ours = (pl.col("table") == name) & ~pl.col("fate").is_in(["duplicate", "withdrawn"])
        assert unknown.height == dirt.filter(ours)["key"].n_unique() + (name == "refusals"), name


def test_each_spoiled_cell_reads_as_the_list_says() -> None:
    w = world(SAMPLE)
    keys = {"refusals": ["refusal_id"], "repairs": ["repair_id", "finding_no"]}
    keys |= {"loads": ["trailer_id", "terminal", "lane", "loaded_on"]}
    dirt = w.truth["dirt"].filter(
        pl.col("fate").is_in(["quarantined", "quarantined_unless_mapped", "accepted"])
    )
    for d in rows(dirt):
        table = w.deliveries[d["delivery"]][d["table"]]
        own = [c for c in keys[d["table"]] if c != d["column"]]
        key = [v for c, v in zip(keys[d["table"]], d["key"].split("|"), strict=True) if c != d["column"]]
        here = [pl.col(c).cast(pl.String) == v for c, v in zip(own, key, strict=True)]
        cells = table.filter(here)[d["column"]].cast(pl.String)
        assert d["now"] in cells.to_list() and d["now"] != d["was"], d


def test_a_visit_far_too_early_is_in_the_dirt() -> None:
    dirt = world(SAMPLE).truth["dirt"]
    far = dirt.filter(pl.col("what").str.contains("95 minutes"))
    assert far.height == 2 and far["column"].to_list() == ["received_at"] * 2


@pytest.mark.parametrize(
    ("circuit", "position", "front", "names"),
    [
        ("sensor", 3, False, {3}),
        ("branch", 5, False, {5}),
        ("link", 3, False, {2, 3, 4}),
        ("link", 1, False, {1, 2}),
        ("link", 5, False, {4, 5}),
        ("supply", 4, False, {1}),
        ("supply", 4, True, {5}),
        ("poor_supply", 3, True, {3, 4, 5}),
        ("pulse_out", 0, False, {1}),
        ("return", 2, False, {None, 5}),
        ("ground", 0, False, {None}),
    ],
)
def test_what_a_tester_names(circuit: str, position: int, front: bool, names: set[int | None]) -> None:
    """On five positions, over many draws: all of the names that the chain allows and no other."""
    draws, fault = Draws(1), Fault("bad_crimp", "housing_wiring", position, circuit)
    assert {five_wire_name(draws, fault, 5, front, 0.5) for _ in range(200)} == names


def test_draws_follow_their_distributions() -> None:
    """Shares below a known quantile, of 20,000 draws: within four standard errors (0.014)."""
    draws, n = Draws(5), 20_000
    below: dict[str, tuple[Callable[[], bool], float]] = {
        "weibull": (lambda: draws.weibull(1.8, 100.0) < 100.0, 1 - math.exp(-1)),
        "exponential": (lambda: draws.exponential(3.0) < 3.0, 1 - math.exp(-1)),
        "lognormal": (lambda: draws.lognormal(50.0, 0.4) < 50.0 * math.exp(0.4), 0.8413447),
        "gamma": (lambda: draws.gamma(1) < 1.0, 1 - math.exp(-1)),
        "pick": (lambda: draws.pick("ab", (1, 3)) == "b", 0.75),
    }
    for name, (happens, share) in below.items():
        assert sum(happens() for _ in range(n)) / n == pytest.approx(share, abs=0.014), name


def test_sensors_live_as_long_as_the_scenario_says() -> None:
    """Failures against the cumulative hazard run through at the sensors' real ages: a ratio near one."""
    scenario = Scenario(seed=3, trailers=200, months=24, planted=(), stuck_dry=0.0, stuck_wet=0.0)
    w = world(scenario)
    start = datetime.fromisoformat(w.truth["window"]["from"][0])
    trailers = w.tables["trailers"].group_by("trailer_id").agg(pl.col("out_of_service_on").last())
    left = dict(trailers.iter_rows())
    expected, failed = 0.0, 0
    for s in rows(w.truth["sensors"]):
        end = s["ended_at"] or datetime.fromisoformat(left[s["trailer_id"]] or w.truth["window"]["to"][0])
        ages = [max(0.0, (t - s["born_at"]) / DAY) for t in (max(start, s["born_at"]), end)]
        hazard = [(a / scenario.sensor_scale_days) ** scenario.sensor_shape for a in ages]
        expected += hazard[1] - hazard[0]
        failed += s["end"] == "failed"
    assert failed > 40 and failed == pytest.approx(expected, abs=4 * math.sqrt(expected))
