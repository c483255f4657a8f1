"""The simulator: a scenario in, the records and the truth behind them out, and the records as CSV files.

Touches only the folder that `write` is given. It knows the input contract but shares no code with the tool
that reads it, so that each can find the other's errors.
"""

import gzip as gzip_module
import io
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from .dirt import DATED, DIRT, make_dirt
from .lives import Life
from .pool import build_pool
from .records import add_edge_refusals, make_tables
from .scenario import Scenario
from .truth import make_truth


@dataclass(frozen=True, eq=False)
class World:
    """What was written down and what happened.

    `tables`: the contract's tables, clean and whole. `truth`: see `truth.SCHEMAS`, and `dirt`, empty in a
    clean world. `deliveries`: the dirty records by delivery and table, empty in a clean world.
    """

    scenario: Scenario
    tables: dict[str, pl.DataFrame]
    truth: dict[str, pl.DataFrame]
    deliveries: dict[str, dict[str, pl.DataFrame]] = field(default_factory=dict)


def simulate(scenario: Scenario) -> World:
    """Play the scenario. The same scenario gives the same world, to the last bit, on every machine."""
    lives = [Life(scenario, trailer).play() for trailer in build_pool(scenario)]
    add_edge_refusals(scenario, lives)
    tables = make_tables(scenario, lives)
    truth = make_truth(scenario, lives, tables["loads"])
    if not scenario.dirt:
        return World(scenario, tables, truth | {"dirt": pl.DataFrame(schema=DIRT)})
    deliveries, dirt = make_dirt(scenario, tables)
    return World(scenario, tables, truth | {"dirt": dirt}, deliveries)


def write(
    world: World,
    folder: str | Path,
    *,
    dirty: bool = True,
    gzip: Collection[str] = ("loads",),
    monthly: bool = False,
) -> list[Path]:
    """Write the records as CSV files; returns their paths in order.

    A dirty world goes into a folder a delivery (`1-first`, `2-later`); a clean world, or `dirty=False`,
    into `folder` itself, whole or, with `monthly`, one file a month for the dated tables. Tables named in
    `gzip` are compressed. The same world gives the same bytes (of compressed files: with the same zlib).
    """
    paths = []
    for delivery, tables in (world.deliveries if dirty and world.deliveries else {"": world.tables}).items():
        for name, table in tables.items():
            for suffix, part in by_month(name, table) if monthly else [("", table)]:
                ending = ".csv.gz" if name in gzip else ".csv"
                path = Path(folder) / delivery / f"{name}{suffix}{ending}"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(compress(part.write_csv()) if name in gzip else part.write_csv().encode())
                paths.append(path)
    return paths


def by_month(name: str, table: pl.DataFrame) -> list[tuple[str, pl.DataFrame]]:
    """A dated table cut into months of its own date text, each with the end of its file's name."""
    if name not in DATED:
        return [("", table)]
    month = pl.col(DATED[name]).str.slice(0, 7)
    months = table.select(month).to_series().unique().sort()
    return [(f"-{m}", table.filter(month == m)) for m in months]


def compress(text: str) -> bytes:
    """Compressed without a name and a time."""
    buffer = io.BytesIO()
    with gzip_module.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=buffer, mtime=0) as file:
        file.write(text.encode())
    return buffer.getvalue()
