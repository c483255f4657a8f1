"""Do intervals cover and do trend tests keep quiet: simulated worlds with known truth, as tables for DEVELOPERS.md.

    python tests/benchmarks/calibration.py [rates|trend] [WORLDS]

A world is some trailers of unequal windows (about three years), with faults at a long-run rate that brings so many on
average; *alike* trailers share it, *unlike* ones draw their own from a gamma distribution of variance 1/2. Trend worlds
have no trend; *late*: half of the trailers enter during the record; *comebacks*: a fault brings 0.3 more on average,
30 days later on average; *season*: the rate swings by half either way over the year. Invented, and seeded.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from repermit.statistics.rates import rate_intervals
from repermit.statistics.trend import SeasonalCounts, trend_tests

Floats = NDArray[np.float64]
EVENTS = (3, 10, 50, 500)
TRAILERS = (5, 15, 60)
MONTHS, MONTH = 36, 30.4375
KINDS = {
    "plain": (False, 0.0, 0.0),
    "late": (True, 0.0, 0.0),
    "comebacks": (False, 0.3, 0.0),
    "season": (False, 0.0, 0.5),
    "all three": (True, 0.3, 0.5),
}  # late entry, comebacks a fault, swing of the season


def own_rates(rng: np.random.Generator, unlike: bool, size: tuple[int, ...]) -> Floats:
    """Rates of trailers over the long-run rate."""
    return rng.gamma(2.0, 0.5, size) if unlike else np.ones(size)


def coverage(events: int, trailers: int, unlike: bool, worlds: int) -> float:
    """Share of worlds whose 95 % interval holds the long-run rate."""
    rng = np.random.default_rng([events, trailers, unlike])
    exposure = rng.uniform(0.4, 1.0, (worlds, trailers))
    rate = events / (0.7 * trailers)
    seen = rng.poisson(rate * exposure * own_rates(rng, unlike, exposure.shape))
    world = np.repeat(np.arange(worlds), trailers)
    found = rate_intervals(seen.ravel(), exposure.ravel(), world, worlds)
    return float(np.mean((found.low <= rate) & (rate <= found.high)))


def trendless(
    rng: np.random.Generator,
    events: int,
    trailers: int,
    unlike: bool,
    late: bool,
    comebacks: float,
    season: float,
) -> tuple[Floats, NDArray[np.int64], Floats, Floats]:
    """Times and trailers of faults, start and end of windows. Faults run before the windows, so that comebacks of
    earlier ones are there from the first day."""
    end = np.full(trailers, MONTHS * MONTH)
    start = np.where(rng.random(trailers) < 0.5 * late, rng.uniform(0, 0.7, trailers), 0.0) * end
    early, rate = 300.0, own_rates(rng, unlike, (trailers,)) * events / (end - start).sum() / (1 + comebacks)
    unit = np.repeat(np.arange(trailers), rng.poisson(rate * (end - start + early) * (1 + season)))
    time = start[unit] - early + rng.random(unit.size) * (end - start + early)[unit]
    phase = rng.uniform(0, 2 * np.pi)
    kept = rng.random(unit.size) * (1 + season) < 1 + season * np.sin(2 * np.pi * time / 365.25 + phase)
    time, unit = time[kept], unit[kept]
    back = np.repeat(np.arange(time.size), rng.poisson(comebacks, time.size))
    time = np.concatenate([time, time[back] + rng.exponential(30, back.size)])
    unit = np.concatenate([unit, unit[back]])
    kept = (time > start[unit]) & (time <= end[unit])
    return time[kept], unit[kept], start, end


def by_month(time: Floats, unit: NDArray[np.int64], start: Floats, end: Floats) -> SeasonalCounts:
    """The world as counts and days by trailer and month."""
    edges = np.arange(MONTHS + 1) * MONTH
    days = np.clip(np.minimum(end[:, None], edges[1:]) - np.maximum(start[:, None], edges[:-1]), 0, None)
    counts = np.zeros(days.shape)
    np.add.at(counts, (unit, np.minimum((time // MONTH).astype(int), MONTHS - 1)), 1)
    units, months = np.meshgrid(np.arange(start.size), np.arange(MONTHS), indexing="ij")
    return SeasonalCounts(counts.ravel(), days.ravel(), units.ravel(), months.ravel())


def alarms(events: int, trailers: int, unlike: bool, kind: str, worlds: int) -> tuple[float, float]:
    """Share of worlds in which the seasonal robust test, and the pooled Laplace test, see a trend at 5 %."""
    rng = np.random.default_rng([events, trailers, unlike, list(KINDS).index(kind)])
    found = np.zeros((worlds, 2))
    for row in found:
        time, unit, start, end = trendless(rng, events, trailers, unlike, *KINDS[kind])
        row[0] = by_month(time, unit, start, end).trend(np.ones(trailers, dtype=bool)).p < 0.05
        row[1] = trend_tests(time, unit, start, end).laplace_p < 0.05
    robust, pooled = found.mean(0)
    return float(robust), float(pooled)


def main() -> None:
    what = sys.argv[1] if len(sys.argv) > 1 else "rates"
    worlds = int(sys.argv[2]) if len(sys.argv) > 2 else (10_000 if what == "rates" else 1_000)
    names = [
        f"{n} {how}" for n in (TRAILERS if what == "rates" else TRAILERS[1:]) for how in ("alike", "unlike")
    ]
    cases = [(n, how == "unlike") for n, how in ((int(a), b) for a, b in (name.split() for name in names))]
    print(f"{worlds:,} worlds a cell\n")
    print("| faults " + ("| " if what == "rates" else "| world | ") + " | ".join(names) + " |")
    print("|---" * (len(names) + (1 if what == "rates" else 2)) + "|")
    if what == "rates":
        for events in EVENTS:
            cells = [f"{coverage(events, n, unlike, worlds):.1%}" for n, unlike in cases]
            print(f"| {events} | " + " | ".join(cells) + " |", flush=True)
        return
    for kind in KINDS:
        for events in EVENTS:
            cells = [
                "{:.1%} ({:.0%})".format(*alarms(events, n, unlike, kind, worlds)) for n, unlike in cases
            ]
            print(f"| {events} | {kind} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
