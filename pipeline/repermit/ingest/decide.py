"""What becomes of each row that passes: its fate, which `reconcile` explains.

May import `contract`, `warehouse` and its neighbour `columns`.
"""

from __future__ import annotations

from repermit.contract import ID_ONCE, SPELLS_APART, WITHDRAWS_KNOWN, Table
from repermit.ingest.columns import key_of, listed, same, shared, typed_names
from repermit.warehouse import Connection, literal, one, quote, rows, typed_columns


def decide(con: Connection, table: Table, first: int) -> None:
    """`candidates`, `others` and `decided`, of what was judged; `first` is the first batch that may bring a row now."""
    key, names = key_of(table), typed_names(table)
    stood = f"(select * from accepted.{table.name} where retired_by is null and batch_id < {first})"
    sums = "d.sums_with = cur.sums_with" if _take_candidates(con, table) else "false"
    withdraws = one(con, "select exists (select 1 from judged where withdrawn)")
    # Where none of their keys stood and nothing is taken back, all but rivals are simply accepted.
    differ = withdraws or _may_have_stood(con, table, stood)
    undecided = f"select c.*, cast(null as varchar) as rival_fate from candidates c where {differ}"
    if _find_rivals(con, table):
        undecided += f" and not exists (select 1 from rivals r where {same(key, 'c', 'r')})"
        undecided += f" union all {_rival_fates(table)}"
    con.execute(
        "create or replace temp table others as select * from (select d.*, case"
        " when d.rival_fate is not null then d.rival_fate"
        f"{_withdraws_unknown(key) if withdraws else ''}"
        f" when cur.batch_id is null then 'accepted' when {sums} then 'corrected'"
        f" when {same([n for n in names if n not in key], 'd', 'cur')} then 'duplicate'"
        " when said.ingest_id > d.said_in then 'superseded'"
        f" when said.ingest_id = d.said_in then {literal(ID_ONCE.name)}"
        " else 'corrected' end as fate"
        f" from ({undecided}) d left join {stood} cur"
        f" on {same(key, 'd', 'cur')} left join record.batches said on said.batch_id = cur.read_in)"
        " where fate <> 'accepted'"
    )
    con.execute(
        f"create or replace temp {'table' if table.keeps_lines else 'view'} decided as select * exclude (rival_fate)"
        " from others union all select *, 'accepted' from candidates anti join others using (id)"
    )
    if table.name == "trailers":
        _keep_spells_apart(con)


def _take_candidates(con: Connection, table: Table) -> bool:
    """`candidates`: rows that pass. Lines that count one load each are added up; whether there are any."""
    names = typed_names(table)
    passed = "read_in, said_in, row_no, waiting_id, 1 as lines, sums_with from judged where reasons is null"
    whole = f"{listed(names)}, {passed}"
    if not one(con, "select exists (select 1 from judged where adds_up)"):
        # No copy: a view of what was judged costs nothing.
        con.execute(f"create or replace temp view candidates as select id, {whole}")
        return False
    summed = ", ".join("cast(sum(loads) as integer) as loads" if n == "loads" else quote(n) for n in names)
    con.execute(
        f"create or replace temp table summed as select {whole} and not adds_up"
        f" union all select {summed}, read_in, said_in, min(row_no), min(waiting_id), cast(count(*) as integer),"
        " sums_with from judged where reasons is null and adds_up"
        f" group by {listed(shared(table))}, read_in, said_in, (waiting_id is null), sums_with"
    )
    con.execute(  # a line mended later adds to those of its own file that stand
        "update summed c set loads = c.loads + cur.loads from accepted.loads cur where cur.retired_by is null"
        f" and cur.sums_with = c.sums_with and {same(key_of(table), 'c', 'cur')}"
    )
    con.execute("create or replace temp view candidates as select rowid as id, * from summed")
    return True


def _may_have_stood(con: Connection, table: Table, stood: str) -> bool:
    """Whether a row that stood may have the key of a candidate.

    Each key of the exposure log has a day or a time, so there only a row within those of the candidates may: of days that
    come for the first time none is searched for.
    """
    any_stood = bool(one(con, f"select exists {stood}"))
    if table.keeps_lines or not any_stood:
        return any_stood
    key = key_of(table)
    times = [quote(name) for name, kind in typed_columns(table) if name in key and kind != "VARCHAR"]
    edges = ", ".join(f"[cast(min({time}) as varchar), cast(max({time}) as varchar)]" for time in times)
    return any(
        one(con, f"select exists (from {stood} where {time} between {literal(first)} and {literal(last)})")
        for time, (first, last) in zip(times, rows(con, f"select {edges} from candidates")[0], strict=True)
        if first is not None
    )


def _find_rivals(con: Connection, table: Table) -> bool:
    """`rivals`: the keys that several candidates share; whether there are any."""
    # As many hashes as rows tell that no two share a key: the dearest question, in its cheapest form.
    hashed, key = f"hash({listed(table.key)})", listed(key_of(table))
    count = one(con, "select count(*) from candidates")
    if count == one(con, f"select count(*) from (select distinct {hashed} from candidates)"):
        return False
    twice = f"select {hashed} as h from candidates group by h having count(*) > 1"
    con.execute(
        f"create or replace temp table rivals as select {key} from candidates where {hashed} in"
        f" (select h from ({twice})) group by {key} having count(*) > 1"
    )
    return True


def _withdraws_unknown(key: list[str]) -> str:
    """SQL of the case of a row that takes back what is neither accepted nor waits. Looked for only where a row does
    take back: the search goes over every row."""
    return (
        " when cur.batch_id is null and coalesce(d.withdrawn, false) and not exists (select 1 from judged w where"
        f" w.waiting_id is not null and not coalesce(w.withdrawn, false) and {same(key, 'w', 'd')})"
        f" then {literal(WITHDRAWS_KNOWN.name)}"
    )


def _rival_fates(table: Table) -> str:
    """SQL of the candidates that share a key: those of the latest ingest say one thing, or they disagree."""
    key, names = key_of(table), typed_names(table)
    content = "{" + ", ".join(f"{quote(n)}: c.{quote(n)}" for n in names) + "}"
    by_key = f"partition by {listed(key)}"
    latest = f"filter (where said_in = latest) over ({by_key})"
    return (
        f"select * exclude (content, latest, versions, says, place, arrives), case"
        " when said_in < latest then case when versions > 1 then 'superseded'"
        " when content = says then 'duplicate' when arrives then 'mended' else 'superseded' end"
        f" when versions > 1 then {literal(ID_ONCE.name)}"
        " when place = 1 then null else 'duplicate' end as rival_fate from ("
        f" select *, count(distinct content) {latest} as versions, min(content) {latest} as says,"
        f" row_number() over ({by_key} order by said_in desc, read_in, row_no, waiting_id) as place,"
        f" bool_or(waiting_id is null) over ({by_key}) as arrives"
        f" from (select c.*, {content} as content, max(said_in) over (partition by {listed(key, 'c.')}) as latest"
        f" from candidates c where exists (select 1 from rivals r where {same(key, 'c', 'r')})))"
    )


def _keep_spells_apart(con: Connection) -> None:
    """Quarantine spells that overlap another one of their trailer, until those that stay are apart.

    New spells first, among themselves: one that waits does not stand against them.
    """
    new = "waiting_id is null"
    for among, goes in ((new, new), ("true", f"not ({new})")):
        while _part_spells(con, among, goes):
            pass


def _part_spells(con: Connection, among: str, goes: str) -> bool:
    """Set aside the spells that may go and overlap any other `among` them; whether there were any."""
    takes = f"{among} and fate in ('accepted', 'corrected') and not coalesce(withdrawn, false)"
    columns = "trailer_id, in_service_on, out_of_service_on"
    con.execute(
        f"create or replace temp table spells as select {columns}, rowid as id, {goes} as goes from decided where {takes}"
        f" union all select {columns}, null, false from current.trailers c where not exists (select 1 from decided d"
        f" where {among} and d.fate = 'corrected' and d.trailer_id = c.trailer_id"
        " and d.in_service_on = c.in_service_on)"
    )
    con.execute(
        "create or replace temp table overlapping as select distinct a.id from spells a"
        " join spells b on a.trailer_id = b.trailer_id and a.id is distinct from b.id"
        " and (b.out_of_service_on is null or a.in_service_on < b.out_of_service_on)"
        " and (a.out_of_service_on is null or b.in_service_on < a.out_of_service_on) where a.goes"
    )
    con.execute(
        f"update decided set fate = {literal(SPELLS_APART.name)} where rowid in (select id from overlapping)"
    )
    return bool(one(con, "select count(*) from overlapping"))
