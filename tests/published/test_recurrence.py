"""Mean cumulative functions against published histories."""

import csv
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.recurrence import MeanCumulative, mean_cumulative

AT = Path(__file__).parent / "cases"
CASES: list[dict[str, Any]] = tomllib.loads((AT / "recurrence.toml").read_text(encoding="utf-8"))["case"]


def histories(case: dict[str, Any]) -> list[dict[str, Any]]:
    if "file" not in case:
        return list(case["histories"])
    found: dict[str, dict[str, Any]] = {}
    with (AT / case["file"]).open(newline="") as file:
        for row in csv.DictReader(file):
            unit = found.setdefault(row["engine"], {"events": [], "end": None})
            if row["what"] == "end":
                unit["end"] = float(row["age_days"])
            else:
                unit["events"].append(float(row["age_days"]))
    return list(found.values())


def curve(units: list[dict[str, Any]], **options: Any) -> MeanCumulative:
    events = [(age, i) for i, unit in enumerate(units) for age in unit["events"]]
    ages, who = [age for age, _ in events], np.array([i for _, i in events], dtype=int)
    ends = [unit["end"] for unit in units]
    return mean_cumulative(ages, who, [0.0] * len(units), ends, np.arange(len(units)), **options)


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["id"])
def test_published_histories(case: dict[str, Any]) -> None:
    found = curve(histories(case))
    for row in case["ages"]:
        i = int(np.searchsorted(found.age, row["age"]))
        assert (found.age[i], found.at_risk[i], found.events[i]) == (
            row["age"],
            row["at_risk"],
            row["events"],
        )
        for name in ("mean", "se", "se_nelson", "low", "high"):
            assert getattr(found, name)[i] == pytest.approx(row[name], rel=1e-8), (name, row["age"])


def test_every_mean_of_the_valve_seats() -> None:
    found = curve(histories(next(c for c in CASES if "file" in c)))
    with (AT / "valve_seats_mcf.csv").open(newline="") as file:
        published = list(csv.DictReader(file))
    assert found.age.tolist() == [float(row["age_days"]) for row in published]
    assert found.mean == pytest.approx([float(row["per_engine"]) for row in published], rel=1e-8)


def test_variance_without_covariances_is_not_what_is_given() -> None:
    """The known trap: increments added without covariances give 0.421296 at age 16 of the three systems, not 0.754630."""
    found = curve(histories(CASES[0]))
    assert found.se[-1] ** 2 == pytest.approx(0.754630, abs=5e-7)
