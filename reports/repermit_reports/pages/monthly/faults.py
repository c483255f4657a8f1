"""The month's faults one by one, so that every count of the month can be followed to its rows."""

from __future__ import annotations

from repermit.studies.readers.monthly import Monthly
from repermit.wording import position_words, whole, words
from repermit_reports.page import Column, Section, Table


def faults(m: Monthly) -> Section | None:
    """Each fault with its episode, refusals and repair; None where there was none."""
    if not m.faults:
        return None
    table = Table(
        "faults-table",
        f"Faults that began in {m.month}",
        (
            Column("episode", "episode"),
            Column("on", "began, UTC", kind="date"),
            Column("trailer", "trailer"),
            Column("where", "terminal and lane"),
            Column("refusals", "refusals", kind="integer", help="for an equipment reason; 0: known from the shop visit only"),
            Column("repair", "repair"),
            Column("shop", "shop"),
            Column("position", "found at position"),
            Column("cause", "cause"),
            Column("action", "what was done"),
        ),
        tuple(
            (
                f.episode_id, f.started_at, f.trailer_id,
                " lane ".join(part for part in (f.terminal, f.lane) if part) or None,
                f.refusals, f.repair_id, f.shop,
                None if f.position is None else position_words(f.position),
                None if f.cause is None else words(f.cause),
                None if f.action is None else words(f.action),
            )
            for f in m.faults
        ),
        folded=True,
    )  # fmt: skip
    return Section(
        "faults",
        "The month's faults, one by one",
        f"Where the month's {whole(len(m.faults))} comes from. The rows of one, and the rule that joined each, tells: repermit episode {m.faults[0].episode_id}",
        table=table,
    )
