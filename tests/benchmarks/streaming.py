"""Whether an exposure log ten times the memory ingests, and what it costs. Run on request:

    python tests/benchmarks/streaming.py [MEGABYTES] [MEMORY_MEGABYTES]

Writes a loads file of that size (1000 if not said; invented, a line in 100,000 of an unknown trailer), ingests it in
processes of their own, once with the engine's memory held to the second number (a tenth if not said) and once with
what the machine gives, and prints the peak resident memory of both and how much longer the first took. Needs
several times the file in free disk space. Not collected by pytest.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

BYTES_A_ROW = 28


def write(folder: Path, megabytes: int) -> int:
    """The two files; how many rows of loads."""
    rows = megabytes * 1_000_000 // BYTES_A_ROW
    trailers = max(rows // 1000, 1)
    name = f"printf('TR-%05d', case when i % 100000 = 99999 then 99999 else i % {trailers} end)"
    con = duckdb.connect()
    con.execute(
        f"copy (select {name} as trailer_id, 'T' || (i // {trailers} % 3) as terminal, 'L' || (i // {trailers} % 4) as lane,"
        f" date '2023-01-01' + (i // {trailers})::integer as loaded_on, 1 + i % 3 as loads from range({rows}) t(i))"
        f" to '{folder / 'loads.csv'}' (header)"
    )
    con.execute(
        f"copy (select printf('TR-%05d', i) as trailer_id, 5 as positions, date '2023-01-01' as in_service_on"
        f" from range({trailers}) t(i)) to '{folder / 'trailers.csv'}' (header)"
    )
    return rows


def ingested(folder: Path, memory: str | None) -> tuple[float, float]:
    """Seconds and peak resident megabytes of an ingest into a new store, in a process of its own."""
    code = (
        "import resource, sys; from datetime import UTC, datetime; from pathlib import Path\n"
        "from repermit.ingest.run import ingest\n"
        "folder = Path(sys.argv[1])\n"
        "done = ingest(folder / 's.duckdb', [folder / 'trailers.csv', folder / 'loads.csv'], now=datetime.now(UTC))\n"
        "assert all(f.rows == f.accepted + f.duplicate + f.corrected + f.quarantined for f in done.files)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)\n"
    )
    (folder / "s.duckdb").unlink(missing_ok=True)
    limits = {"REPERMIT_MEMORY": memory, "REPERMIT_TEMP": str(folder / "spill")} if memory else {}
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)],
        env={**environment(), **limits},
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return time.perf_counter() - began, float(done.stdout)


def environment() -> dict[str, str]:
    """This process's environment without limits."""
    return {name: value for name, value in os.environ.items() if not name.startswith("REPERMIT_")}


def main(megabytes: int, memory: int) -> None:
    """Write, ingest twice, and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = write(folder, megabytes)
        size = (folder / "loads.csv").stat().st_size / 1e6
        held, peak = ingested(folder, f"{memory}MB")
        free, peak_free = ingested(folder, None)
        print(
            f"{rows:,} loads, {size:.0f} MB of CSV, store {(folder / 's.duckdb').stat().st_size / 1e6:.0f} MB"
        )
        print(
            f"held to {memory} MB: {held:.0f} s, peak {peak:.0f} MB; free: {free:.0f} s, peak {peak_free:.0f} MB"
        )
        print(f"ratio of time {held / free:.1f}")


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    main(size, int(sys.argv[2]) if len(sys.argv) > 2 else size // 10)
