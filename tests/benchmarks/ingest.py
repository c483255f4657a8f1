"""How long ingest takes beside the floor: DuckDB's bare typed load of the same file. Run on request:

    python tests/benchmarks/ingest.py [ROWS]

Prints seconds and the ratio, the median of three runs each. Not collected by pytest.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from repermit.ingest.run import ingest

COLUMNS = "{'trailer_id': 'VARCHAR', 'terminal': 'VARCHAR', 'lane': 'VARCHAR', 'loaded_on': 'DATE', 'loads': 'INTEGER'}"


def write(folder: Path, rows: int) -> None:
    """A loads file of so many rows with distinct keys, and its trailers (invented)."""
    con = duckdb.connect()
    trailers = max(rows // 1000, 1)
    con.execute(
        f"copy (select printf('TR-%05d', i % {trailers}) as trailer_id, 'T' || (i // {trailers} % 3) as terminal,"
        f" 'L' || (i // {trailers} % 4) as lane, date '2023-01-01' + (i // {trailers})::integer as loaded_on,"
        f" 1 + i % 3 as loads from range({rows}) t(i)) to '{folder / 'loads.csv'}' (header)"
    )
    con.execute(
        f"copy (select printf('TR-%05d', i) as trailer_id, 5 as positions, date '2023-01-01' as in_service_on"
        f" from range({trailers}) t(i)) to '{folder / 'trailers.csv'}' (header)"
    )


def timed(run: Callable[[], object]) -> float:
    """Median seconds of three runs."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main(rows: int) -> None:
    """Write, load barely, ingest, and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, rows)

        def floor() -> None:
            path = folder / "floor.duckdb"
            path.unlink(missing_ok=True)
            with duckdb.connect(str(path)) as con:
                con.execute(
                    f"create table loads as from read_csv('{folder / 'loads.csv'}', auto_detect = false,"
                    f" header = true, delim = ',', columns = {COLUMNS})"
                )

        def whole() -> None:
            path = folder / "store.duckdb"
            path.unlink(missing_ok=True)
            ingest(path, [folder / "trailers.csv", folder / "loads.csv"], now=datetime.now(UTC))

        bare, full = timed(floor), timed(whole)
        size = (folder / "loads.csv").stat().st_size / 1e6
        store = (folder / "store.duckdb").stat().st_size / 1e6
        print(
            f"{rows} loads, {size:.0f} MB of CSV: bare typed load {bare:.2f} s, ingest with marts {full:.2f} s,"
        )
        print(f"ratio {full / bare:.1f}; store {store:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
