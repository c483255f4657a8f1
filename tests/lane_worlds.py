"""Invented worlds of lanes with known truth, light enough for a thousand: counts by lane, trailer and month.

`python tests/lane_worlds.py [WORLDS [LOADS]]` judges so many worlds and prints how often a bad lane is flagged, an
ordinary one, and any ordinary one. Nothing here is measured on real lanes.

A world: 4 terminals of 5, 4, 4 and 3 lanes over 24 months. Trailers load mostly at a home terminal, each with its own
favourite lanes; their own refusals that clear come at rates that differ (gamma, shape 1), one in ten at five times
its rate, and these favour the first lane of their terminal by eight to one. Rates swing threefold with the season.
Every lane refuses on its own account at `rack` per 1,000 loads; the bad one at four times that.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from repermit.statistics.strata import Start
from repermit.studies.racks.rack_side import Cells, judge, start

LANES = (5, 4, 4, 3)
TERMINAL = np.repeat(np.arange(len(LANES)), LANES)
MONTHS = 24
LOADS_PER_MONTH = 70
TRAILER_PER_1000 = 2.5
BAD = 6  # the second lane of the second terminal


@dataclass(frozen=True)
class Way:
    """How refusals clear on another lane: the share of trailers' own, and of the lane's."""

    trailers: float
    racks: float


TELLS = Way(0.15, 0.9)
"""Clearing on another lane tells the lane's own refusals from the trailers'."""
DUMB = Way(0.5, 0.5)
"""It does not: both clear elsewhere as often."""


def world(seed: int, loads: int, way: Way, *, rack: float = 0.5, times: float = 4.0, began: int = 0) -> Cells:
    """One world of about `loads` loads a lane; `times`: the bad lane's own rate over the others', from `began` on."""
    rng = np.random.default_rng(seed)
    trailers = max(12, round(loads * TERMINAL.size / (LOADS_PER_MONTH * MONTHS)))
    n, due = _loads(rng, trailers)
    own = rng.poisson(n * due / 1000)
    racks = np.full((MONTHS, TERMINAL.size), rack)
    racks[began:, BAD] *= times
    lane = rng.poisson(n * racks / 1000)
    elsewhere = rng.binomial(own, way.trailers) + rng.binomial(lane, way.racks)
    cleared = own + lane
    kept = np.nonzero(cleared.sum(axis=2) > 0)  # strata without events tell nothing
    size, at = kept[0].size, np.tile(np.arange(TERMINAL.size), kept[0].size)
    return Cells(
        at,
        np.repeat(np.arange(size), TERMINAL.size),
        np.repeat(kept[0], TERMINAL.size),
        np.repeat(kept[1], TERMINAL.size),
        np.maximum(n[kept].ravel(), cleared[kept].ravel()).astype(float),
        elsewhere[kept].ravel().astype(float),
        cleared[kept].ravel().astype(float),
        TERMINAL,
    )


def _loads(rng: np.random.Generator, trailers: int) -> tuple[np.ndarray, np.ndarray]:
    """Loads by trailer, month and lane, and the trailers' own rate per 1,000 by trailer and month."""
    bad = rng.random(trailers) < 0.1
    home = rng.integers(0, len(LANES), trailers)
    taste = rng.gamma(1.0, size=(trailers, TERMINAL.size)) + 0.1
    first = np.searchsorted(TERMINAL, home)
    taste[bad, first[bad]] += 8 * taste[bad].mean(axis=1)
    there = np.where(home[:, None] == TERMINAL, taste, 0)
    away = taste / taste.sum(axis=1, keepdims=True)
    share = 0.8 * there / there.sum(axis=1, keepdims=True) + 0.2 * away
    n = rng.poisson(LOADS_PER_MONTH * share[:, None, :], (trailers, MONTHS, TERMINAL.size))
    season = 1 + 0.5 * np.cos(2 * np.pi * np.arange(MONTHS) / 12)
    rate = TRAILER_PER_1000 * rng.gamma(1.0, size=trailers) * np.where(bad, 5, 1) / 1.4
    return n, (rate[:, None] * season)[:, :, None]


@dataclass(frozen=True)
class Told:
    """What was said of one world: whether the bad lane was flagged, how many ordinary ones were, and since when."""

    found: bool
    wrong: int
    since: Start | None


def told(seed: int, loads: int, way: Way, **words: float) -> Told:
    """Judge one world. With `times=1` there is no bad lane, and its place counts as ordinary."""
    cells = world(seed, loads, way, **words)  # type: ignore[arg-type]
    rows = judge(cells)
    bad = {BAD} if words.get("times", 4.0) > 1 else set()
    found = rows[BAD].flagged and bool(bad)
    wrong = sum(row.flagged for row in rows if row.lane not in bad)
    return Told(found, wrong, start(cells, rows[BAD]) if found else None)


def table(worlds: int, loads: tuple[int, ...]) -> None:
    """Print the table of DEVELOPERS.md."""
    ordinary = TERMINAL.size - 1
    print(
        "worlds | loads a lane | clearing tells | rack per 1,000 | bad flagged | ordinary | any ordinary | start in range"
    )
    for name, way in (("yes", TELLS), ("no", DUMB)):
        for rack in (0.5, 1.0):
            for n in loads:
                all_ = [told(seed, n, way, rack=rack) for seed in range(worlds)]
                found = np.mean([t.found for t in all_])
                wrong = np.array([t.wrong for t in all_])
                later = [told(seed, n, way, rack=rack, began=MONTHS // 2) for seed in range(worlds)]
                since = [t.since.earliest <= MONTHS // 2 <= t.since.latest for t in later if t.since]
                print(
                    f"{worlds} | {n:,} | {name} | {rack} | {found:.1%} | {wrong.sum() / (worlds * ordinary):.2%}"
                    f" | {np.mean(wrong > 0):.1%} | {np.mean(since) if since else float('nan'):.1%}",
                    flush=True,
                )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    table(given[0] if given else 1000, tuple(given[1:]) or (25_000, 50_000))
