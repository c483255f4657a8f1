"""One fleet against the trailers of others: by hand, against the limits of `rates`, and how often it is wrong."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from repermit.settings import Settings
from repermit.statistics.comparison import rate_ratio
from repermit.statistics.rates import rate_intervals
from repermit.studies.frequency.like_for_like import (
    US_PER_YEAR,
    Against,
    against_others,
    clearly_more,
    verdict,
)

SETTINGS = Settings()


def unit(ours: bool, faults: int, years: float = 1.0, positions: int = 5, loads: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = {"ours": ours, "system": "five_wire", "positions": positions, "n": faults}
    return found | {"us": years * US_PER_YEAR, "loads": loads}


Units = list[dict[str, Any]]


def compared(units: Units) -> tuple[Against, ...]:
    return against_others(pl.DataFrame(units), SETTINGS)


def per_year(units: Units) -> Against:
    return compared(units)[0]


def test_of_one_kind_it_is_the_plain_comparison() -> None:
    """Trailers that differ less than chance would have them: rates, limits and ratio are those of plain counts."""
    units = [unit(True, 3) for _ in range(8)] + [unit(False, 1) for _ in range(20)]
    found = per_year(units)
    assert (found.rate, found.others, found.compared, found.trailers, found.others_trailers) == (
        pytest.approx(3), pytest.approx(1), pytest.approx(1), 8, 20
    )  # fmt: skip
    low, high = stats.chi2.ppf([0.025, 0.975], [2 * 24, 2 * 25]) / 2 / 8
    assert [found.low, found.high] == pytest.approx([low, high], rel=1e-9)
    assert [found.ratio, found.ratio_low, found.ratio_high] == pytest.approx(
        rate_ratio(24, 8, 20, 20), rel=1e-9
    )
    assert (found.ratio_low or 0) > 1 and found.verdict == "more"


def test_limits_are_those_of_the_rates() -> None:
    rng = np.random.default_rng(3)
    years, faults = rng.uniform(0.2, 1, 30), rng.poisson(rng.gamma(1, 2, 30))
    units = [unit(True, int(n), float(e)) for n, e in zip(faults, years, strict=True)] + [unit(False, 1)] * 5
    found, plain = per_year(units), rate_intervals(faults, years, np.zeros(30, dtype=int), 1)
    assert [found.rate, found.low, found.high] == pytest.approx(
        [plain.rate[0], plain.low[0], plain.high[0]], rel=1e-9
    )


def test_others_are_weighted_to_this_fleets_mix() -> None:
    """Long trailers have 2 faults a year everywhere, short ones 0.5. This fleet has three long ones to one short."""
    ours = [unit(True, 2, positions=7) for _ in range(6)] + [
        unit(True, 0, positions=3),
        unit(True, 1, positions=3),
    ]
    theirs = [unit(False, 2, positions=7) for _ in range(5)] + [
        unit(False, n % 2, positions=3) for n in range(30)
    ]
    found = per_year(ours + theirs)
    assert (found.rate, found.others) == (pytest.approx(13 / 8), pytest.approx(0.75 * 2 + 0.25 * 0.5))
    assert found.ratio == pytest.approx(1) and found.verdict == "too_few"
    # (Without the mix the others would seem to have 25 / 35, and this fleet more than twice as many.)


def test_kinds_without_enough_like_trailers() -> None:
    """Kinds of which the others have fewer than five go together; if that is still too few, they are left out."""
    ours = [unit(True, 1, positions=p) for p in (3, 4, 5, 5)]
    five = [unit(False, 1, positions=5) for _ in range(5)]
    found = per_year([*ours, *five, unit(False, 9, positions=3), unit(False, 9, positions=4)])
    assert (found.trailers, found.others_trailers, found.others) == (2, 5, pytest.approx(1))
    assert found.compared == pytest.approx(0.5)
    together = per_year([*ours, *five, *[unit(False, 3, positions=p) for p in (3, 3, 4, 4, 6)]])
    assert (together.trailers, together.others_trailers, together.compared) == (4, 10, pytest.approx(1))
    assert together.others == pytest.approx(0.5 * 1 + 0.5 * 3)
    alone = per_year([*ours, *five[:4]])
    assert (alone.verdict, alone.rate, alone.ratio, alone.compared) == ("too_few", None, None, 0)


def test_without_faults_here_or_there() -> None:
    """Zero is no claim by itself: only enough trailers make it fewer."""
    for n, said in ((5, "too_few"), (60, "fewer")):
        found = per_year([unit(True, 0)] * n + [unit(False, 1)] * n)
        assert (found.rate, found.low, found.ratio, found.verdict) == (0, 0, 0, said)
    found = per_year([unit(True, 1)] * 30 + [unit(False, 0)] * 30)
    assert (found.ratio, found.ratio_high, found.verdict) == (None, None, "more")
    found = per_year([unit(True, 0)] * 9 + [unit(False, 0)] * 9)
    assert (found.ratio, found.ratio_high, found.verdict) == (None, None, "too_few")


def test_per_load_only_where_loads_are_on_record() -> None:
    units = [unit(True, 1, loads=500)] * 6 + [unit(False, 1, loads=250)] * 6
    year, loads = compared(units)
    assert (year.per, loads.per) == ("trailer_year", "1000_loads")
    assert (loads.rate, loads.others) == (pytest.approx(2), pytest.approx(4))
    without = [unit(True, 1)] * 6 + [unit(False, 1, loads=250)] * 6
    assert [a.per for a in compared(without)] == ["trailer_year"]


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(1.01, 9, "more"), (0.1, 0.99, "fewer"), (0.7, 1.4, "about_the_same"), (0.7, 1.6, "too_few"),
     (0.6, 1.4, "too_few"), (1, 1.2, "about_the_same"), (0, float("inf"), "too_few")],
)  # fmt: skip
def test_verdict(low: float, high: float, said: str) -> None:
    assert verdict(low, high) == said


def world(rng: np.random.Generator, spread: float, times: float) -> Units:
    """20 trailers here, 60 elsewhere, 1.5 faults a year, as many times more here, long ones more often; `spread` is
    how much trailers differ (coefficient of variation)."""
    units = []
    for i in range(80):
        ours = i < 20
        positions = int(rng.choice([4, 5, 6], p=[0.1, 0.4, 0.5] if ours else [0.4, 0.4, 0.2]))
        own = rng.gamma(1 / spread**2, spread**2) if spread else 1.0
        years = float(rng.uniform(0.3, 1))
        mean = 1.5 * positions / 5 * own * years * (times if ours else 1)
        units.append(unit(ours, int(rng.poisson(mean)), years, positions))
    return units


@pytest.mark.parametrize(("spread", "times"), [(0.0, 2), (1.0, 4)])
def test_how_often_it_is_wrong(spread: float, times: int) -> None:
    """Fleets alike are told apart in at most 5 of 100 (8 allows for 300 worlds); many more faults are seen."""
    rng = np.random.default_rng(11)
    alike = Counter(per_year(world(rng, spread, 1)).verdict for _ in range(300))
    worse = Counter(per_year(world(rng, spread, times)).verdict for _ in range(100))
    assert (alike["more"] + alike["fewer"]) / 300 <= 0.08
    assert worse["more"] / 100 >= 0.6 and worse["fewer"] == 0


def test_naming_a_trailer_is_rarely_wrong() -> None:
    """In fleets of equal trailers one is named in at most 5 of 100 (7 allows for 500 fleets); a bad one mostly is."""
    rng = np.random.default_rng(5)
    wrong = seen = 0
    for _ in range(500):
        years = dict(enumerate(rng.uniform(0.1, 1, 25)))
        exposure = {str(i): float(e) for i, e in years.items()}
        wrong += bool(clearly_more({i: int(rng.poisson(1.5 * e)) for i, e in exposure.items()}, exposure))
        bad = {i: int(rng.poisson((15 if i == "0" else 1.5) * e)) for i, e in (exposure | {"0": 1.0}).items()}
        seen += clearly_more(bad, exposure | {"0": 1.0}) == {"0"}
    assert wrong / 500 <= 0.07 and seen / 500 >= 0.9
