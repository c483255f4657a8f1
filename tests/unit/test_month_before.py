"""A month against the one before it: hand-derived tiny cases, a slow reference, and how often alike months are told apart."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest

from repermit.studies.readers.month_before import SHOWN, Counted, month_before


def exact_p(a: int, exposure_a: float, b: int, exposure_b: float) -> float:
    """Twice the smaller binomial tail, summed term by term."""
    n, share = a + b, exposure_a / (exposure_a + exposure_b)
    chance = [comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(n + 1)]
    return min(1.0, 2 * min(sum(chance[a:]), sum(chance[: a + 1])))


def year(*faults: int, loads: float = 1000.0) -> tuple[Counted, ...]:
    """Months of so many faults, the last the month asked about."""
    return tuple(Counted(f"2025-{at + 1:02d}", n, loads) for at, n in enumerate(faults))


def test_twice_the_faults_of_a_month_with_half_the_loads() -> None:
    months = (Counted("2025-01", 4, 2000.0), Counted("2025-02", 8, 1000.0))
    found = month_before(months, {}, 1.0, 0.95)
    assert found.ratio == pytest.approx(4)
    assert found.p == pytest.approx(exact_p(8, 1000, 4, 2000))
    assert found.low is not None and found.low > 1 and found.p < SHOWN
    assert found.sentence().startswith("8 faults, after 4 faults in 2025-01: 4.00 (")
    assert "chance alone seldom makes" in found.sentence()


def test_a_cause_is_held_against_all_its_months_before_and_p_allows_for_all_causes() -> None:
    months = year(2, 2, 2, 2, 12)
    causes = {
        "bad_crimp": {"2025-01": 1, "2025-02": 1, "2025-03": 1, "2025-04": 1, "2025-05": 11},
        "corrosion": {"2025-01": 1, "2025-02": 1, "2025-03": 1, "2025-04": 1, "2025-05": 1},
    }
    found = month_before(months, causes, 1.0, 0.95)
    crimp, corrosion = found.causes
    assert (crimp.faults, crimp.before, crimp.usual) == (11, 1, pytest.approx(1))
    assert crimp.p == pytest.approx(2 * exact_p(11, 1000, 4, 4000))  # Holm: the smaller of two, times two
    assert corrosion.p == pytest.approx(1) and corrosion.p > SHOWN
    assert "bad crimp, 11 where 1 is usual" in found.sentence() and "corrosion" not in found.sentence()


def test_counts_that_scatter_more_than_chance_say_less() -> None:
    months = (Counted("2025-01", 4, 1000.0), Counted("2025-02", 16, 1000.0))
    plain, wide = (month_before(months, {}, wider, 0.95) for wider in (1.0, 2.0))
    assert plain.ratio == pytest.approx(wide.ratio or 0) == 4
    assert (plain.p or 1) < (wide.p or 1) and (plain.low or 0) > (wide.low or 0)


def test_nothing_before_no_faults_and_no_exposure() -> None:
    alone = month_before(year(3), {"corrosion": {"2025-01": 3}}, 1.0, 0.95)
    assert alone.before is None and alone.causes[0].p is None
    assert alone.sentence() == "No month before it is on record."
    none = month_before(year(0, 0), {}, 1.0, 0.95)
    assert none.ratio is None and none.p is None
    assert none.sentence().startswith("No faults, after no faults in 2025-01.")
    assert month_before(year(3, 0), {}, 1.0, 0.95).ratio is None
    assert month_before(year(3, 2, loads=0), {}, 1.0, 0.95).p is None
    few = month_before(year(1, 1, 5), {"corrosion": {"2025-03": 5}}, 1.0, 0.95)
    assert few.causes[0].usual is None and "Too few months" in few.sentence()


def test_alike_months_are_seldom_told_apart() -> None:
    """Of 2,000 years without any change at most 5 % may name a cause, all of ten looked at."""
    rng = np.random.default_rng(7)
    named = 0
    for _ in range(2000):
        counts = rng.poisson(1.5, (10, 12))
        causes = {
            f"cause {k}": {f"2025-{at + 1:02d}": int(n) for at, n in enumerate(row)}
            for k, row in enumerate(counts)
        }
        found = month_before(year(*counts.sum(axis=0).tolist()), causes, 1.0, 0.95)
        named += any(c.p is not None and c.p <= SHOWN for c in found.causes)
    assert 0 < named <= 100
