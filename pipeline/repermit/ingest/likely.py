"""Which listed trailers an unknown id may mean: proposed with evidence, never merged.

Rebuilt at each ingest from the rows that wait. May import `contract`, `judging`, `warehouse`, `translate`.
"""

from __future__ import annotations

from repermit.contract import TABLES
from repermit.ingest.translate import cleaned
from repermit.judging import names_trailers
from repermit.mapping import CLEANINGS
from repermit.warehouse import Connection

MOST_UNKNOWN = 300
"""Unknown ids that are looked up: those of most waiting rows."""
NEAREST = 3
MOST_EDITS = 3
"""Ids that differ in length by more are not held against each other."""
ALIKE = 0.85
"""Jaro-Winkler similarity from which an id is proposed (a choice of this house)."""


def _shapes(trailer: str) -> str:
    """SQL of an id without capitals, blanks and dashes, and without leading zeros too; blank stays blank."""
    shapes = {"plain": CLEANINGS[:3], "bare": CLEANINGS}
    return ", ".join(f"coalesce({cleaned(trailer, steps)}, '') as {name}" for name, steps in shapes.items())


def propose(con: Connection) -> None:
    """Fill `record.likely`: by unknown id the nearest listed ones, best first, with the rows that wait for it.

    Best are those of the same letters and digits, whatever the capitals, blanks, dashes and leading zeros; then the
    most alike (Winkler 1990) with the fewest edits (Damerau 1964; Levenshtein 1966).
    """
    waiting = " union all ".join(
        f"select trailer_id as unknown from waiting.{table.name} where left_by is null"
        " and list_contains(reasons, 'trailer_known') and length(trailer_id) <= 200"
        for table in TABLES
        if names_trailers(table)
    )
    alike = "jaro_winkler_similarity(u.plain, t.plain)"
    con.execute("delete from record.likely")
    con.execute(
        "insert into record.likely with unknown as (select unknown, count(*) as rows from"
        f" ({waiting}) group by unknown order by rows desc, unknown limit {MOST_UNKNOWN}),"
        f" asked as (select *, {_shapes('unknown')} from unknown),"
        f" listed as (select trailer_id, {_shapes('trailer_id')} from (select distinct trailer_id from current.trailers)),"
        f" pairs as (select u.unknown, t.trailer_id, u.rows, u.bare = t.bare as same_letters, {alike} as alike,"
        " damerau_levenshtein(u.plain, t.plain) as edits from asked u join listed t"
        f" on u.bare = t.bare or (abs(length(u.plain) - length(t.plain)) <= {MOST_EDITS} and {alike} >= {ALIKE})),"
        " ranked as (select *, row_number() over (partition by unknown order by same_letters desc, edits, alike desc,"
        " trailer_id) as place from pairs)"
        f" select unknown, trailer_id, place, same_letters, edits, rows from ranked where place <= {NEAREST}"
    )
