"""What no command runs alone, each in a process of its own. `stages.py` runs them:

    python tests/benchmarks/probes.py floor|typing|questions WORLD STORE

floor: the engine's bare typed load of the loads file, the least that any ingest takes. typing: reading and typing the
world's loads with every rule judged, as ingest does it, up to where it decides what becomes of each row; they are stored
by then. questions: every question once on one open store, as pages ask them.
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

COLUMNS = "{'trailer_id': 'VARCHAR', 'terminal': 'VARCHAR', 'lane': 'VARCHAR', 'loaded_on': 'DATE', 'loads': 'INTEGER'}"


def floor(world: Path, store: Path) -> None:
    """The loads file into a table of typed columns, and nothing else."""
    import duckdb

    with duckdb.connect(str(store)) as con:
        con.execute(
            f"create table loads as from read_csv('{world / 'loads.csv'}', auto_detect = false, header = true,"
            f" delim = ',', columns = {COLUMNS})"
        )


def typing(world: Path, store: Path) -> None:
    """Ingest of trailers and loads, ended where the rows of the loads are typed and judged."""
    from repermit.ingest import reconcile
    from repermit.ingest.run import ingest

    decide = reconcile.decide

    def stop(con: Any, table: Any, first: int) -> None:
        if table.name != "loads":
            return decide(con, table, first)
        if not con.execute("select count(*) from judged where reasons is null").fetchone()[0]:
            sys.exit("no row of the loads was typed")
        os._exit(0)  # what is open is thrown away

    reconcile.decide = stop
    ingest(store, [world / "trailers.csv", world / "loads.csv"], now=datetime.now(UTC))
    sys.exit("ingest ended without deciding about the loads")


def questions(_: Path, store: Path) -> None:
    """Every question once, of a store that is opened once."""
    from repermit.studies.ages.life import lives
    from repermit.studies.ages.trend import trend
    from repermit.studies.frequency.outlook import outlook
    from repermit.studies.frequency.rates import rates
    from repermit.studies.location.located import located
    from repermit.studies.location.where_first import where_first
    from repermit.studies.racks.lanes import lanes
    from repermit.studies.records.episode import explain
    from repermit.studies.repairs.fixes import fixes
    from repermit.studies.selection import select
    from repermit.warehouse import opened

    with opened(store) as con:
        name, chosen = store.name, select(con)
        rates(con, name, chosen, ("position", "cause"))
        fixes(con, name, chosen, "action")
        trend(con, name, chosen, "fleet")
        lives(con, name, chosen, "system")
        located(con, name, chosen)
        lanes(con, name, chosen)
        where_first(con, name, chosen)
        outlook(con, name, chosen)
        explain(con, name, "Q-0000001")


if __name__ == "__main__":
    {"floor": floor, "typing": typing, "questions": questions}[sys.argv[1]](
        Path(sys.argv[2]), Path(sys.argv[3])
    )
