"""The same records as they would really arrive: in two deliveries, with the faults that records have.

Touches nothing. Every row that is changed, added or withdrawn is listed with what should become of it.
Rows that others name (a refusal by a repair, a repair by its checks) are left alone, so that one error is
one row.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import polars as pl

from .pool import day_text
from .records import WHOLE
from .scenario import Draws, Scenario

Tables = dict[str, pl.DataFrame]
Row = dict[str, Any]
ANY = pl.lit(True)
UNLESS_MAPPED = "quarantined_unless_mapped"
FIRST, LATER = "1-first", "2-later"
KEYS = {
    "refusals": ["refusal_id"],
    "repairs": ["repair_id", "finding_no"],
    "loads": ["trailer_id", "terminal", "lane", "loaded_on"],
}
DATED = {"loads": "loaded_on", "refusals": "refused_at", "repairs": "returned_at", "proof_tests": "tested_at"}
DIRT = {c: pl.String for c in ("delivery", "table", "key", "what", "column", "was", "now", "fate")}


def deliver(scenario: Scenario, tables: Tables) -> dict[str, Tables]:
    """Two clean deliveries: the second holds what happened or was returned in the last month."""
    since = day_text(scenario, scenario.month_starts()[-2])
    late = {name: pl.col(column) >= since for name, column in DATED.items()}
    repairs = tables["repairs"].filter(late["repairs"])
    late["checks"] = pl.col("repair_id").is_in(repairs["repair_id"].to_list())
    late["returns"] = pl.col("serial").is_in(repairs["sensor_out"].drop_nulls().to_list())
    first = {name: table.filter(~late[name]) if name in late else table for name, table in tables.items()}
    return {FIRST: first, LATER: {name: tables[name].filter(late[name]) for name in late}}


class Spoiler:
    """Spoils deliveries row by row, never the same row twice, and keeps the list."""

    def __init__(self, scenario: Scenario, tables: Tables) -> None:
        self.scenario, self.draws = scenario, Draws(scenario.seed, 0, 1)
        self.deliveries = deliver(scenario, tables)
        # a two_wire tester may name any channel of the socket
        sizes = tables["trailers"].select("trailer_id", "system", "positions").iter_rows()
        self.channels = {t: 8 if system == "two_wire" else n for t, system, n in sizes}
        self.refused_at = dict(tables["refusals"].select("refusal_id", "refused_at").iter_rows())
        several = tables["repairs"].filter(pl.col("finding_no") > 1)["repair_id"]
        named = set(tables["repairs"]["refusal_id"].drop_nulls())
        self.spared = named | set(several) | set(tables["checks"]["repair_id"])
        self.used: set[tuple[str, ...]] = set()
        self.list: list[dict[str, str | None]] = []

    def rows(self, delivery: str, table: str, count: int, fits: pl.Expr = ANY) -> list[Row]:
        """Up to `count` random rows that nothing else names and that were not spoiled before."""
        found = self.deliveries[delivery][table]
        rows = found.filter(fits).select(KEYS[table])
        chosen: list[Row] = []
        for i in self.draws.shuffled(range(rows.height)):
            key = (table, *map(str, rows.row(i)))
            if len(chosen) < count and key not in self.used and key[1] not in self.spared:
                self.used.add(key)
                chosen += found.filter(self.same(table, rows.row(i))).to_dicts()
            if len(chosen) == count:
                break
        return chosen

    def same(self, table: str, key: tuple[Any, ...]) -> pl.Expr:
        """The rows of a table that have this key."""
        pairs = zip(KEYS[table], key, strict=True)
        return pl.all_horizontal(pl.col(column).eq_missing(pl.lit(value)) for column, value in pairs)

    def note(self, delivery: str, table: str, row: Row, what: str, fate: str, **cell: Any) -> None:
        """Add to the list of what was done."""
        key = "|".join(str(row[c]) for c in KEYS[table])
        noted = {"delivery": delivery, "table": table, "key": key, "what": what, "fate": fate} | cell
        self.list.append({name: None if value is None else str(value) for name, value in noted.items()})

    def append(self, delivery: str, table: str, rows: list[Row]) -> None:
        """Add rows at the end of a file."""
        old = self.deliveries[delivery][table]
        self.deliveries[delivery][table] = pl.concat([old, pl.DataFrame(rows, schema=old.schema)])

    def change(self, delivery: str, table: str, row: Row, column: str, value: Any) -> None:
        """Write another value into a cell."""
        old = self.deliveries[delivery][table]
        kind = pl.Int64 if column in WHOLE else pl.String
        here = self.same(table, tuple(row[c] for c in KEYS[table]))
        cell = pl.when(here).then(pl.lit(value, kind)).otherwise(column).alias(column)
        self.deliveries[delivery][table] = old.with_columns(cell)

    def spoil(
        self, delivery: str, table: str, rows: list[Row], column: str, what: str, fate: str,
        write: Callable[[Row], Any],
    ) -> None:  # fmt: skip
        """Change one cell of each of the rows."""
        for row in rows:
            now = write(row)
            self.change(delivery, table, row, column, now)
            self.note(delivery, table, row, what, fate, column=column, was=row[column], now=now)

    def duplicates(self) -> None:
        """The same row twice in a file, and rows sent again with the later delivery."""
        for table, count in (("refusals", 5), ("repairs", 3), ("loads", 12)):
            rows = self.rows(FIRST, table, count)
            self.append(FIRST, table, rows)
            for row in rows:
                self.note(FIRST, table, row, "the same row twice", "duplicate")
        rows = self.rows(FIRST, "refusals", 3)
        self.append(LATER, "refusals", rows)
        for row in rows:
            self.note(LATER, "refusals", row, "sent again", "duplicate")

    def spellings(self) -> None:
        """Trailer ids in other spellings: known where a mapping says so, else not known."""
        forms = ("tr {}", "TR{:04d}", "TR-{}", "tr-{:04d}")

        def other(row: Row) -> str:
            return self.draws.pick(forms).format(int(row["trailer_id"][3:]))

        for delivery, table, count in (
            (FIRST, "refusals", 6), (FIRST, "repairs", 4), (FIRST, "loads", 30), (LATER, "loads", 5)
        ):  # fmt: skip
            rows = self.rows(delivery, table, count)
            self.spoil(delivery, table, rows, "trailer_id", "other spelling", UNLESS_MAPPED, other)

    def clocks(self) -> None:
        """One shop's clock is an hour slow for a quarter; two of its visits are far off."""
        shop = self.scenario.shops[-1].name
        timed = (pl.col("shop") == shop) & pl.col("received_at").str.contains("T")

        def before_refusal(row: Row) -> str:
            early = datetime.fromisoformat(self.refused_at[row["refusal_id"]]) - timedelta(minutes=95)
            return early.astimezone(datetime.fromisoformat(row["received_at"]).tzinfo).isoformat()

        far = self.rows(FIRST, "repairs", 2, timed & pl.col("refusal_id").is_not_null())
        what = "received 95 minutes before the refusal"
        self.spoil(FIRST, "repairs", far, "received_at", what, "quarantined", before_refusal)
        starts, third = self.scenario.month_starts(), self.scenario.months // 3
        since, until = (pl.lit(day_text(self.scenario, starts[third + n])) for n in (0, 3))
        rows = self.rows(FIRST, "repairs", 99, timed & pl.col("received_at").is_between(since, until))
        for column in ("received_at", "returned_at"):
            slow = partial(hour_before, column)
            self.spoil(FIRST, "repairs", rows, column, "clock one hour slow", "accepted", slow)

    def impossible(self) -> None:
        """Positions that the trailer does not have, and reasons that are not in the list."""

        def beyond(row: Row) -> int:
            return int(self.channels[row["trailer_id"]]) + self.draws.between(1, 2)

        for table, column, count in (
            ("refusals", "indicated_position", 2), ("repairs", "indicated_position", 2),
            ("repairs", "found_position", 1),
        ):  # fmt: skip
            rows = self.rows(FIRST, table, count, pl.col(column) > 0)
            what = "a position the trailer does not have"
            self.spoil(FIRST, table, rows, column, what, "quarantined", beyond)
        words = iter(("sensor_trip", "see driver", "NP", "sensor_trip"))
        rows = self.rows(FIRST, "refusals", 4, pl.col("reason") == "overfill")
        self.spoil(FIRST, "refusals", rows, "reason", "a reason not in the list", "quarantined",
                   lambda _: next(words))  # fmt: skip

    def corrections(self) -> None:
        """Wrong in the first delivery, right in the later one; and a refusal that never was."""
        crimps = (pl.col("cause") == "bad_crimp") & (pl.col("visit_kind") == "non_permit")
        for table, column, fits in (("repairs", "cause", crimps), ("loads", "loads", pl.col("loads") == 2)):
            for row in self.rows(FIRST, table, 1, fits):
                wrong = "corrosion" if column == "cause" else 20
                self.change(FIRST, table, row, column, wrong)
                self.append(LATER, table, [row])
                self.note(LATER, table, row, "correction", "corrected", column=column, was=wrong,
                          now=row[column])  # fmt: skip
        (row,) = self.rows(FIRST, "refusals", 1, pl.col("reason") == "paperwork")
        ghost = row | {"refusal_id": row["refusal_id"].split("-")[0] + "-99999", "reason": "vehicle_id"}
        self.append(FIRST, "refusals", [ghost])
        later = self.deliveries[LATER]["refusals"]
        self.deliveries[LATER]["refusals"] = later.with_columns(withdrawn=pl.lit(None, pl.String))
        self.append(LATER, "refusals", [ghost | {"withdrawn": "true"}])
        self.note(LATER, "refusals", ghost, "withdrawn", "withdrawn", column="withdrawn", now="true")


def hour_before(column: str, row: Row) -> str:
    """The time in the column one hour earlier on the same clock."""
    return (datetime.fromisoformat(row[column]) - timedelta(hours=1)).isoformat()


def make_dirt(scenario: Scenario, tables: Tables) -> tuple[dict[str, Tables], pl.DataFrame]:
    """The spoiled deliveries, and the list of what was done to which row."""
    spoiler = Spoiler(scenario, tables)
    spoiler.duplicates()
    spoiler.clocks()
    spoiler.impossible()
    spoiler.spellings()
    spoiler.corrections()
    return spoiler.deliveries, pl.DataFrame(spoiler.list, schema=DIRT, orient="row")
