"""The shipped sample: what was planted in it is found again from the records alone.

One sample, so each docstring says what is asked: limits that exclude no effect where the records can give that,
and only the direction where they are too few.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import load, query, rates_of
from repermit.statistics.comparison import rate_ratio
from repermit.studies.ages.changes import changes
from repermit.studies.ages.life import lives
from repermit.studies.ages.trend import trend
from repermit.studies.frequency.months import months
from repermit.studies.readers.terminal import Terminal, terminal
from repermit.studies.readers.what_pays import what_pays
from repermit.studies.repairs.fixes import Fix, Fixes, fixes
from repermit.studies.selection import select
from repermit.warehouse import opened
from tanker_world import SAMPLE, simulate

CSV = Path(__file__).resolve().parents[2] / "sample_data" / "csv"
Planted = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of both deliveries, in their order."""
    store = tmp_path_factory.mktemp("sample") / "sample.duckdb"
    for delivery in ("1-first", "2-later"):
        load(store, CSV / delivery)
    return store


@pytest.fixture(scope="module")
def planted() -> Planted:
    """What the simulator planted, by name."""
    found = {row["name"]: row for row in simulate(SAMPLE).truth["planted"].to_dicts()}
    assert set(found) == {"shop", "lane", "season", "lot", "change", "month"}
    return found


def ask_fixes(store: Path, by: str, **words: Any) -> Fixes:
    with opened(store) as con:
        return fixes(con, store.name, select(con, **words), by)


def risk_90(fix: Fix) -> float:
    risk = next(h.risk for h in fix.horizons if h.days == 90)
    assert risk is not None
    return risk


def test_the_shop_whose_crimps_come_apart(sample: Path, planted: Planted) -> None:
    """Asked: its fixes come back clearly more often than expected of the other shops', of no other shop can that be said."""
    clear = {row.key for row in ask_fixes(sample, "shop").rows if row.against and (row.against.low or 0) > 1}
    assert clear == {planted["shop"]["where"]}


def test_its_recrimps_come_back_most(sample: Path, planted: Planted) -> None:
    """Asked: of all shops its recrimps have the highest risk within 90 days, by limits above every other's risk."""
    recrimps = {}
    for row in ask_fixes(sample, "shop").rows:
        if row.key is not None:
            of = ask_fixes(sample, "action", shop=row.key).rows
            recrimps[row.key] = next(fix for fix in of if fix.key == "recrimped")
    assert len(recrimps) > 1
    bad = recrimps.pop(planted["shop"]["where"])
    low = next(h.risk_low for h in bad.horizons if h.days == 90)
    assert low is not None and low > max(risk_90(fix) for fix in recrimps.values())


@pytest.fixture(scope="module")
def terminals(sample: Path) -> dict[str, Terminal]:
    names = [
        name
        for (name,) in query(sample, "select distinct terminal from marts.loads_by_lane_month order by 1")
    ]
    with opened(sample) as con:
        return {n: terminal(con, sample.name, select(con, month="2025-12", terminal=n)) for n in names}


def test_the_refusing_lane_is_the_one_named(terminals: dict[str, Terminal], planted: Planted) -> None:
    """Asked: of all lanes of all terminals it alone stands out."""
    out = [f"{n} {row.lane}" for n, t in terminals.items() for row in t.lanes if row.verdict == "stands_out"]
    assert len(terminals) > 1 and out == [planted["lane"]["where"]]


def test_the_lane_is_dated(terminals: dict[str, Terminal], planted: Planted) -> None:
    """Asked: the month in which it began lies within the months that fit nearly as well as the one named."""
    name = planted["lane"]["where"].rsplit(" ", 1)[0]
    since = next(row.held.since for row in terminals[name].lanes if row.verdict == "stands_out" and row.held)
    assert since and since.earliest <= planted["lane"]["since"][:7] <= since.latest
    assert not since.whole_record


def test_the_month_stands_above_the_year_before(sample: Path, planted: Planted) -> None:
    """Asked: its rate is above the twelve months' before by the limits of the ratio, and the largest of the record."""
    month = planted["month"]["since"][:7]
    monthly = {row.keys["month"]: row for row in rates_of(sample, "month").rows}
    before = [row for name, row in sorted(monthly.items()) if name < month][-12:]
    this = monthly[month]
    assert len(before) == 12
    _, low, _ = rate_ratio(
        this.faults, this.days or 0, sum(r.faults for r in before), sum(r.days or 0 for r in before)
    )
    assert low > 1
    assert max(monthly, key=lambda name: monthly[name].faults / (monthly[name].days or 1)) == month


def test_the_month_is_the_one_signal(sample: Path, planted: Planted) -> None:
    """Asked: of the months judged it alone is a signal, high, per load and per day."""
    with opened(sample) as con:
        found = months(con, sample.name, select(con))
    for clock in ("by_loads", "by_days"):
        signals = {r.month: getattr(r, clock).signal for r in found.rows}
        assert {m: s for m, s in signals.items() if s in ("high", "low")} == {
            planted["month"]["since"][:7]: "high"
        }


LAST_CORROSION = """
select count(*) filter (month(started_at) in (2, 3, 4)), count(*) filter (month(started_at) not in (2, 3, 4))
from marts.faults
where counts_as = 'fault' and cause = 'corrosion' and position = positions
    and started_at >= timestamp '{first}' and started_at < timestamp '{end}'
"""
SEASON_DAYS = """
with days as (
    select day, month(day) in (2, 3, 4) as season
    from (select unnest(generate_series(timestamp '{first}', timestamp '{end}' - interval 1 day, interval 1 day)) as day)
)
select season, sum(date_diff('second', greatest(at_risk_from, day), least(at_risk_until, day + interval 1 day))) / 86400
from days join marts.at_risk on at_risk_from < day + interval 1 day and at_risk_until > day
group by season
"""


def test_corrosion_at_the_last_position_after_winter(sample: Path, planted: Planted) -> None:
    """Asked: per trailer and day more in February to April than in the other months, by the limits of the ratio."""
    window = {"first": planted["season"]["since"], "end": planted["season"]["until"]}
    ((inside, outside),) = query(sample, LAST_CORROSION.format(**window))
    days = dict(query(sample, SEASON_DAYS.format(**window)))
    _, low, _ = rate_ratio(inside, days[True], outside, days[False])
    assert low > 1


LIVES = """
with fitted as (
    select sensor_in as serial, part_lot, min(returned_at) as fitted_at
    from staging.repairs where sensor_in is not null and part_lot is not null group by all
), failed as (
    select sensor_out as serial, min(received_at) as failed_at
    from staging.repairs where sensor_out is not null and cause = 'sensor_failed' group by all
)
select part_lot, count(*), count(*) filter (failed_at < fitted_at + interval 365 day)
from fitted left join failed using (serial)
where fitted_at < timestamp '{end}' - interval 365 day
group by part_lot
"""


def test_the_lot_that_dies_early(sample: Path, planted: Planted) -> None:
    """Asked: of its sensors on record for a year, a larger share was replaced as failed within it than
    of all other lots together, and than of any one of them.
    """
    lots = {lot: (n, failed) for lot, n, failed in query(sample, LIVES.format(end=planted["lot"]["until"]))}
    n, failed = lots.pop(planted["lot"]["where"])
    others, others_failed = (sum(values) for values in zip(*lots.values(), strict=True))
    assert n >= 10 and others >= 10
    assert failed / n > others_failed / others
    assert failed / n > max(f / m for m, f in lots.values())


CHANGED = """
with mine as (
    select t.trailer_id, c.applied_on is not null as changed, coalesce(c.applied_on, date '{since}')::timestamp as changed_at
    from (select distinct trailer_id from staging.trailers where fleet = 'Curlew') t
    left join staging.changes c on c.trailer_id = t.trailer_id and c.change = 'strain_relief_kit'
), faults as (
    select changed, count(*) filter (started_at < changed_at) as before, count(*) filter (started_at >= changed_at) as after
    from mine join marts.faults using (trailer_id)
    where counts_as = 'fault' and fleet = 'Curlew' and cause is distinct from 'sensor_failed'
        and started_at >= timestamp '{first}' and started_at < timestamp '{until}'
    group by changed
), pieces as (
    select changed, changed_at, greatest(at_risk_from, timestamp '{first}') as since, least(at_risk_until, timestamp '{until}') as until
    from mine join marts.at_risk using (trailer_id) where fleet = 'Curlew'
), days as (
    select changed, sum(greatest(date_diff('second', since, least(until, changed_at)), 0)) / 86400 as before,
        sum(greatest(date_diff('second', greatest(since, changed_at), until), 0)) / 86400 as after
    from pieces where since < until group by changed
)
select f.changed, f.before, d.before, f.after, d.after from faults f join days d using (changed)
"""


def test_the_change_that_helps(sample: Path, planted: Planted) -> None:
    """Asked: the rate after over the rate before is below 1 for the changed trailers of the fleet and below that
    of its unchanged ones. The direction alone: the evidence of so few faults is weak.
    """
    change = planted["change"] | {"first": planted["season"]["since"]}
    counted = {row[0]: row[1:] for row in query(sample, CHANGED.format(**change))}
    after_to_before = {
        changed: (after / after_days) / (before / before_days)
        for changed, (before, before_days, after, after_days) in counted.items()
    }
    assert set(after_to_before) == {True, False}
    assert after_to_before[True] < min(1, after_to_before[False])


def test_the_change_that_helps_and_the_one_that_does_nothing(sample: Path, planted: Planted) -> None:
    """Asked: limits of the helping change hold its true size, those of the other hold 1. The evidence is weak."""
    with opened(sample) as con:
        found = {row.change: row for row in changes(con, sample.name, select(con)).rows}
    assert set(found) == {"strain_relief_kit", "dust_caps"}
    for name, size in (("strain_relief_kit", planted["change"]["size"]), ("dust_caps", 1.0)):
        for told in (found[name].by_days, found[name].by_loads):
            assert told is not None and told.low is not None and told.high is not None
            assert told.low < size < told.high
    assert found["dust_caps"].by_days.verdict == "too_few"  # type: ignore[union-attr]


def test_the_changed_trailers_are_those_on_record(sample: Path, planted: Planted) -> None:
    """Asked: exactly the trailers that were changed carry the change, each within a month of the planted day."""
    rows = query(
        sample, "select trailer_id, applied_on from staging.changes where change = 'strain_relief_kit'"
    )
    assert sorted(name for name, _ in rows) == planted["change"]["where"].split()
    since = date.fromisoformat(planted["change"]["since"])
    assert all(timedelta(0) <= applied - since < timedelta(days=31) for _, applied in rows)


def test_the_season_is_no_trend(sample: Path) -> None:
    """Asked: with a season planted and no trend, neither all trailers nor those of any fleet are said to change."""
    with opened(sample) as con:
        result = trend(con, sample.name, select(con), "fleet")
    assert result.total.trailers == 60 and len(result.rows) == 4
    assert {row.verdict for row in (*result.rows, result.total)} == {"no_change_shown"}


def test_the_lot_of_sensors_that_fails_early(sample: Path, planted: Planted) -> None:
    """Asked: it alone stands out, and the limits of its life hold the truth."""
    with opened(sample) as con:
        found = lives(con, sample.name, select(con), "lot")
    lot = planted["lot"]
    (bad,) = [row for row in found.rows if row.stands_out]
    assert bad.key == lot["where"]
    _, low, high = bad.all.scale_days
    assert low is not None and high is not None and low < lot["size"] < high
    assert (bad.all.shape[1] or 0) < SAMPLE.lot_shape < (bad.all.shape[2] or 0)


def test_what_pays_names_the_lane_and_the_lot_alone(sample: Path, planted: Planted) -> None:
    """Asked: of all fleets' advice, that lane for every fleet, that lot for the fleets that still have its sensors, else nothing."""
    terminal_, lane = planted["lane"]["where"].rsplit(" ", 1)
    fleets = [name for (name,) in query(sample, "select distinct fleet from staging.trailers order by 1")]
    with opened(sample) as con:
        told = {f: what_pays(con, sample.name, select(con, fleet=f)).actions for f in fleets}
    assert len(fleets) > 1 and all(
        ("lane", (f"{lane} of {terminal_}",)) in [(a.kind, a.names) for a in actions]
        for actions in told.values()
    )
    rest = {(a.kind, a.names) for actions in told.values() for a in actions if a.kind != "lane"}
    assert rest == {("lot", (planted["lot"]["where"],))}
    assert all(0 < a.spared.low < a.spared.value < a.spared.high for acts in told.values() for a in acts)
