"""Times the sharing out of a million faults: `python tests/benchmarks/sharing.py [FAULTS]`.

The marts are filled with invented faults (`tests/sharing_world.py`), each told five times on other trailers; then the
rates by position and by position and cause are asked for. Prints seconds of processor time and the counts that matter.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from repermit.settings import Settings
from repermit.studies.frequency.rates import rate_rows
from repermit.studies.location.sharing import COLUMNS, share
from repermit.studies.selection import Selection, Window, parse_day
from repermit.warehouse import Connection, bring, connect, make_schema

TOLD = 5
FIRST, END = "2024-01-01", "2025-01-01"
MARTS = f"""
create or replace table told_trailers as select distinct 'T' || (trailer * {TOLD} + i) as trailer_id, system, supply_entry,
    positions, timestamp '2020-01-01' as service_from, null::timestamp as service_until, 'F' as fleet, 'A' as home_shop
from brought_faults, range({TOLD}) t(i);
create or replace view staging.trailers as from told_trailers;
create or replace table marts.faults as select 'E' || (number * {TOLD} + i) as episode_id, 'T' || (trailer * {TOLD} + i) as trailer_id,
    timestamp '2024-03-01' as started_at, 'fault' as counts_as, null::timestamp as open_until, null as terminal, shop,
    position, place, cause, action, timestamp '2020-01-01' as service_from, 'F' as fleet, system, positions,
    'A' as home_shop
from brought_faults, range({TOLD}) t(i);
create or replace table marts.episodes as select 'E' || (number * {TOLD} + i) as episode_id, reason, indication, indicated_position
from brought_faults, range({TOLD}) t(i);
create or replace table marts.at_risk as select *, timestamp '2020-01-01' as at_risk_from, timestamp '2030-01-01' as at_risk_until
from staging.trailers;
create or replace table core.load_days as select trailer_id, date '2024-03-01' as loaded_on, 500 as loads
from staging.trailers;
create or replace table marts.loads_by_lane_month as select trailer_id, null as terminal, null as lane,
    date '2024-03-01' as month, 500 as loads from staging.trailers;
"""


def made(faults: int) -> Connection:
    """A store in memory with so many faults."""
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "sample_data")]
    from sharing_world import fault_world

    world = fault_world(1, faults // TOLD, trailers=max(faults // TOLD // 20, 10))
    columns = {name: [getattr(f.pattern, name) for f in world.faults] for name in COLUMNS.split(", ")}
    con = connect(Path(":memory:"))
    make_schema(con, Settings())
    bring(
        con,
        "brought_faults",
        columns | {"trailer": [f.trailer for f in world.faults], "number": np.arange(len(world.faults))},
    )
    con.execute(MARTS)
    return con


def main() -> None:
    """Time each step."""
    con = made(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
    window = Window(parse_day(FIRST), parse_day(END))
    began = time.process_time()
    s = share(con, window)
    ways, missing = len(s.masking.ways.pattern), int(s.counts[s.masking.missing].sum())
    print(
        f"{int(s.counts.sum())} faults, {missing} missing a finding, {s.trailers} trailers, {len(s.counts)} patterns, {ways} ways"
    )
    print(f"share out: {time.process_time() - began:.1f} s, {s.fitted.steps} steps")
    for by in (("position",), ("position", "cause")):
        began = time.process_time()
        rows, _ = rate_rows(con, Selection(window), by, s)
        print(f"rates by {','.join(by)}: {time.process_time() - began:.1f} s, {len(rows)} rows")


if __name__ == "__main__":
    main()
