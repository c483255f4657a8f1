"""Invented worlds of repairs at shops, light and fast: how often a shop that comes back more is told, and do limits hold.

Makes the pool that `studies.against` takes, without a store. Trailers are unequal and mostly go to one shop, so a shop
meets the same trailers again and its comebacks cluster. `python tests/shop_worlds.py [WORLDS]` prints the table of
DEVELOPERS.md.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import polars as pl

from repermit.studies.repairs.against import against
from repermit.studies.repairs.repaired import Repairs

DAYS = 730.0
SOON = 60.0
"""Fixes that fail do so evenly within so many days; faults of chance come all the time."""


@dataclass(frozen=True)
class World:
    """What is planted: `ratio`, how many times as often fixes of the first shop come back; `risk`, the usual share within
    90 days; `shape` of the gamma of trailers' rates (inf = alike); `kinds` of work that shops meet unlike; `loyal`, the
    share of visits at the trailer's own shop."""

    ratio: float = 1.0
    repairs: int = 500
    shops: int = 4
    risk: float = 0.12
    shape: float = 2.0
    kinds: int = 6
    loyal: float = 0.85
    share: float = 0.25
    turned: bool = False


def simulate(world: World, seed: int) -> tuple[Repairs, np.ndarray]:
    """The pool and each repair's shop, 0 the planted one."""
    draw = np.random.default_rng(seed)
    trailers = max(world.shops, round(world.repairs / 2.8))
    rate = (
        draw.gamma(world.shape, 1 / world.shape, trailers) if np.isfinite(world.shape) else np.ones(trailers)
    )
    shares = np.array([world.share] + [(1 - world.share) / (world.shops - 1)] * (world.shops - 1))
    home = draw.choice(world.shops, trailers, p=shares)
    elsewhere = rate * 1.05 / 365
    now = draw.exponential(1 / elsewhere)
    rows: list[tuple[np.ndarray, ...]] = []
    who = np.flatnonzero(now < DAYS)
    while len(who):
        start = now[who]
        at_home = draw.random(len(who)) < world.loyal
        shop = np.where(at_home, home[who], draw.choice(world.shops, len(who), p=shares))
        weights = 1.0 / (1 + np.arange(world.kinds))
        kind = draw.choice(world.kinds, len(who), p=weights / weights.sum())
        kind = np.where((shop == 0) & world.turned, world.kinds - 1 - kind, kind)
        worse = np.where(shop == 0, world.ratio, 1.0) * (0.6 + 0.8 * kind / max(world.kinds - 1, 1))
        soon = -np.log1p(-world.risk) * worse * rate[who]
        gone = draw.exponential(1.0, len(who)) / soon * SOON
        back = np.where(gone <= SOON, gone, np.inf)
        other = draw.exponential(1 / elsewhere[who])
        following = np.minimum(back, other)
        seen = np.minimum(following, DAYS - start)
        rows.append((who, shop, kind, seen, (back < other) & (start + back < DAYS)))
        now[who] = start + following
        who = who[now[who] < DAYS]
    trailer, shop, kind, days, same = (np.concatenate(column) for column in zip(*rows, strict=True))
    n = len(trailer)
    frame = pl.DataFrame(
        {"system": ["five_wire"] * n, "positions": kind // 5, "reason": ["overfill"] * n, "indication": kind % 5,
         "action": ["recrimped"] * n}
    )  # fmt: skip
    pool = Repairs(
        frame=frame, days=days, loads=days, failed=same, placed=np.ones(n, bool), same=same, unknown=np.zeros(n, bool),
        share=same.astype(float), per_day=np.zeros(n), trailer=trailer,
    )  # fmt: skip
    return pool, shop


def told(world: World, worlds: int, seed: int = 0) -> dict[str, float]:
    """Of so many worlds: mean ratio, share whose limits hold the truth, share told apart above and below."""
    found = []
    for number in range(worlds):
        pool, shop = simulate(world, seed + number)
        a = against(pool, np.flatnonzero(shop == 0), np.flatnonzero(shop != 0), 0.95)
        found.append((len(shop), np.sum(shop == 0), a.compared, a.back, a.expected, a.ratio, a.low, a.high))
    n, own, compared, back, expected, ratio, low, high = np.array(found, dtype=float).T
    low, high = np.nan_to_num(low, nan=0.0), np.nan_to_num(high, nan=np.inf)
    return {
        "repairs": float(n.mean()), "own": float(own.mean()), "compared": float(compared.mean()),
        "back": float(back.mean()), "ratio": float(np.nanmedian(ratio)),
        "of_means": float(np.nansum(back) / np.nansum(expected)),
        "holds": float(np.mean((low <= world.ratio) & (world.ratio <= high))),
        "above": float(np.mean(low > 1)), "below": float(np.mean(high < 1)),
    }  # fmt: skip


WORLDS = (
    World(), World(shape=np.inf), World(shape=1.0), World(kinds=30), World(turned=True), World(turned=True, kinds=30),
    World(repairs=150), World(ratio=2.0), World(ratio=2.0, turned=True), World(ratio=2.0, kinds=30),
    World(ratio=2.0, risk=0.2), World(ratio=2.0, risk=0.06), World(ratio=2.0, share=0.5), World(ratio=2.0, repairs=2000),
)  # fmt: skip

if __name__ == "__main__":
    worlds = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(
        "| true ratio | repairs, of them the shop's | usual risk | trailers' shape | kinds | mix | limits hold | told above | told below |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for w in WORLDS:
        found = told(w, worlds)
        mix = "turned" if w.turned else "alike"
        print(
            f"| {w.ratio:g} | {found['repairs']:.0f}, {found['own']:.0f} | {w.risk:.0%} | {w.shape:g} | {w.kinds} | {mix}"
            f" | {found['holds']:.1%} | {found['above']:.1%} | {found['below']:.1%} |",
            flush=True,
        )
