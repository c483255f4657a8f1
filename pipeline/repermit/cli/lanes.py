"""`repermit lanes`: which lane refuses on its own account."""

from __future__ import annotations

from repermit.cli.options import Asked, Format, question, warn_off_record
from repermit.cli.talk import say

SHOWN = (
    "terminal", "lane", "loads", "cleared_without_repair", "excess", "rate_ratio", "low", "high", "flagged", "since",
)  # fmt: skip


@question(("first", "end", "month", "terminal"))
def lanes(asked: Asked) -> None:
    """Rack or trailer: which lane refuses on its own account. Refusals that clear without a repair, by lane, beyond what its trailers meet elsewhere."""
    from repermit.cli.show import write
    from repermit.studies.racks.lane_row import COLUMNS
    from repermit.studies.racks.lanes import lanes as ask

    with asked.opened() as con:
        selection = asked.select(con)
        result = ask(con, asked.store.name, selection)
        warn_off_record(con, selection.window)
    found = [row.as_dict() for row in result.rows]
    if asked.form is Format.table:
        renamed = {"low": "rate_ratio_low", "high": "rate_ratio_high"}
        write(asked.form, None, SHOWN, [[row[renamed.get(n, n)] for n in SHOWN] for row in found])
        first, *others = result.sentences()
        say(f"{selection.window}. {first}")
        for sentence in others:
            say(sentence)
        if result.not_placed:
            say(f"not shown: {result.not_placed} cleared refusals whose lane is not recorded")
        return
    about = result.about.as_dict() | {"sentence": result.sentence(), "not_placed": result.not_placed}
    write(asked.form, about, COLUMNS, [[row[n] for n in COLUMNS] for row in found])
