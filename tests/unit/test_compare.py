"""Rows of a table of rates against the rest: effective counts, adjustment, words, and how often it cries wolf."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from helpers import store_from
from repermit.statistics.comparison import dispersion, rate_ratio, rate_ratio_p
from repermit.statistics.rates import gamma_limits, rate_intervals
from repermit.studies.about import About
from repermit.studies.frequency.compare import compare
from repermit.studies.frequency.rates import Rate, Rates


def about() -> About:
    given: dict[str, Any] = {field.name: None for field in fields(About)}
    return About(**(given | {"level": 0.95}))


def rate(
    keys: dict[str, Any],
    faults: float,
    days: float,
    high: float | None,
    loads: int | None = None,
    low: float = 0.0,
) -> Rate:
    """A row with the limits that the comparison reads: the lower limit of faults per day is 1 over `high`."""
    given: dict[str, Any] = {field.name: None for field in fields(Rate)}
    numbers = {
        "faults": faults,
        "days": days,
        "mtbf_days_high": high,
        "loads": loads,
        "per_1000_loads_low": low,
    }
    return Rate(**(given | numbers | {"keys": keys}))


def table(*rows: Rate) -> Rates:
    days, loads = sum(r.days or 0 for r in rows), sum(r.loads or 0 for r in rows)
    return Rates(about(), ("fleet",), rows, rate({}, sum(r.faults for r in rows), days, None, loads))


def poisson_high(faults: float, days: float) -> float | None:
    return days / stats.gamma.ppf(0.025, faults) if faults else None


def plain(name: str | None, faults: int, days: float, key: str = "fleet") -> Rate:
    return rate({key: name}, faults, days, poisson_high(faults, days))


def test_alike_trailers_are_compared_exactly() -> None:
    found = compare(table(plain("A", 11, 800), plain("B", 21, 3011), plain("C", 0, 500)))
    first = found.rows[0]
    assert found.per == "day"
    assert (first.ratio, first.ratio_low, first.ratio_high) == pytest.approx(
        rate_ratio(11, 800, 21, 3511), rel=1e-6
    )
    assert first.p_value == pytest.approx(rate_ratio_p(11, 800, 21, 3511), rel=1e-6)
    p = [row.p_value or 0 for row in found.rows]
    assert min(row.p_holm or 0 for row in found.rows) == pytest.approx(min(1, 3 * min(p)))
    assert found.rows[2].ratio == 0 and found.rows[2].ratio_low == 0


def test_trailers_that_differ_are_compared_with_effective_counts() -> None:
    """A variance four times the count: a quarter of the count and of the exposure on either side."""
    low, _ = gamma_limits([40.0, 20.0], [160.0, 80.0])
    rows = [rate({"fleet": n}, y, 1000, 1000 / x) for n, y, x in zip("AB", (40, 20), low, strict=True)]
    first = compare(table(*rows)).rows[0]
    assert (first.ratio, first.ratio_low, first.ratio_high) == pytest.approx(
        rate_ratio(10, 250, 5, 250), rel=1e-6
    )


def test_two_rows_are_one_question() -> None:
    a, b = compare(table(plain("A", 30, 500), plain("B", 10, 500))).rows
    assert a.p_holm == a.p_value and b.p_holm == b.p_value
    assert a.p_value == pytest.approx(b.p_value)
    assert a.ratio == pytest.approx(1 / (b.ratio or 0))


def test_what_is_not_recorded_is_no_row_of_its_own() -> None:
    rows = [
        plain("1", 10, 500, "position"),
        plain("2", 12, 500, "position"),
        plain(None, 90, 500, "position"),
    ]
    found = compare(table(*rows))
    assert found.rows[2].ratio is None and found.rows[2].p_holm is None
    assert found.rows[0].ratio == pytest.approx(10 / 12)
    assert (
        compare(table()).sentence
        == compare(table(plain("A", 3, 10))).sentence
        == "There are no two rows to compare."
    )


def test_words_say_what_the_numbers_say() -> None:
    apart = compare(table(plain("A", 60, 500), plain("B", 20, 500), plain("C", 21, 500)))
    first = apart.rows[0]
    assert (first.p_holm or 1) < 0.001 < 0.05 < min(first.ratio_low or 0, 1)
    assert apart.sentence.startswith("A: 2.93 (") and "from 60 faults (p under 0.001)" in apart.sentence
    assert apart.sentence.endswith("adjusted for 3 rows, per day.")
    alike = compare(table(plain("A", 20, 500), plain("B", 21, 500), plain("C", 22, 500)))
    assert alike.sentence == "No row stands apart from the others (adjusted for 3 rows, per day)."


@pytest.mark.parametrize("unlike", [False, True])
def test_fleets_alike_rarely_stand_apart(unlike: bool) -> None:
    """Five fleets of 15 trailers of one long-run rate: in at most 7 of 100 tables does any row stand apart."""
    rng = np.random.default_rng(4)
    worlds, fleets, n = 300, 5, 15
    days = rng.uniform(300, 1000, (worlds, fleets, n))
    seen = rng.poisson(0.004 * days * (rng.gamma(2, 0.5, days.shape) if unlike else 1.0))
    group = np.repeat(np.arange(worlds * fleets), n)
    low = rate_intervals(seen.ravel(), days.ravel(), group, worlds * fleets).low.reshape(worlds, fleets)
    apart = 0
    for w in range(worlds):
        rows = [
            rate({"fleet": str(f)}, int(seen[w, f].sum()), float(days[w, f].sum()), 1 / low[w, f])
            for f in range(fleets)
        ]
        apart += min(c.p_holm or 1 for c in compare(table(*rows)).rows) < 0.05
    assert apart / worlds <= 0.07


def test_dispersion_reads_the_variance_back() -> None:
    counts = np.array([0.0, 0.5, 3.0, 40.0, 2000.0])
    for times in (1.0, 1.7, 30.0):
        low, _ = gamma_limits(counts, counts * times)
        assert dispersion(counts, low)[2:] == pytest.approx([times] * 3, rel=1e-6)
    assert dispersion(0.0, 0.0) == 1 and dispersion(10.0, 9.0) == 1
    with pytest.raises(ValueError, match="or more"):
        dispersion(-1.0, 0.0)


@pytest.mark.parametrize(
    ("a", "b"), [((3, 10), (9, 10)), ((0, 5), (4, 9)), ((7, 1e-3), (0, 1e6)), ((40, 1e9), (41, 2e9))]
)
def test_p_is_that_of_the_binomial(a: tuple[float, float], b: tuple[float, float]) -> None:
    n, share = a[0] + b[0], a[1] / (a[1] + b[1])
    tails = stats.binom.sf(a[0] - 1, n, share), stats.binom.cdf(a[0], n, share)
    assert rate_ratio_p(*a, *b) == pytest.approx(min(1.0, 2 * min(tails)), rel=1e-9)


def test_p_where_nothing_can_be_compared() -> None:
    assert np.isnan([rate_ratio_p(0, 1, 0, 1), rate_ratio_p(1, 0, 1, 1)]).all()
    with pytest.raises(ValueError, match="or more"):
        rate_ratio_p(-1, 1, 1, 1)


def test_command(tmp_path: Path, repermit: Callable[..., Any]) -> None:
    trailers = [
        {"trailer_id": f"{f}{i}", "fleet": f, "positions": 4, "in_service_on": "2024-01-01"}
        for f in "AB"
        for i in range(6)
    ]
    at = [f"2024-{m:02d}-{d:02d}T08:00Z" for m in range(2, 12) for d in (3, 17)]
    repairs = [
        {
            "repair_id": f"{t['trailer_id']}{a}",
            "trailer_id": t["trailer_id"],
            "received_at": a,
            "returned_at": a,
        }
        for t in trailers
        for a in (at if t["fleet"] == "A" else at[:5])
    ]
    store = store_from(tmp_path, {"trailers": trailers, "repairs": repairs})
    asked = ("rates", "--by", "fleet", "--compare", "--from", "2024-01-01", "--to", "2025-01-01")
    rows = json.loads(repermit(*asked, "--format", "json", store=store).stdout)["rows"]
    assert (
        rows[0]["ratio"] == pytest.approx(4) and rows[0]["ratio_low"] > 1 and rows[0]["compared_per"] == "day"
    )
    told = repermit(*asked, store=store)
    assert "holm" in told.stdout and "A: 4.00 (" in told.stderr
    assert "ratio" not in repermit(*(a for a in asked if a != "--compare"), store=store).stdout


def test_of_many_rows_apart_a_sentence_names_the_first_and_counts_the_others() -> None:
    told = compare(table(*(plain(f"A{n:02}", 60, 500) for n in range(12)), plain("B", 20, 5000))).sentence
    assert told.count("times the rate of the others") == 5 and "; and 8 more; adjusted for 13 rows" in told
