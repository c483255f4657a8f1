"""One episode explained: its refusals and visits, and the rule that joined each.

Marts in, `Episode` out. May import `errors`, `warehouse` and its neighbour `lanes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from repermit.errors import CallError
from repermit.studies.racks.lane_row import Chance
from repermit.studies.racks.lanes import chance_of
from repermit.warehouse import Connection, records, settings_of

RULES = {
    "starts_episode": "starts the episode",
    "same_run": "at most {episode_gap_h} h after the refusal before it, with no return from a shop in between",
    "within_visit": "while the trailer was in the shop for this episode",
    "no_load_no_repair_between": "at most {match_days} days after the refusal before it, with no load and no repair in between",
    "names_refusal": "the repair names a refusal of this episode",
    "latest_open_run": "names no refusal of it; the latest episode without a repair that began within {match_days} days before",
    "no_refusal": "no refusal on record that it could answer; an episode of its own",
}
OUTCOMES = {
    "repaired": "repaired",
    "cleared_other_lane": "cleared on another lane, without a repair",
    "cleared_retry": "cleared on trying again, without a repair",
    "open": "no repair and no load since",
    "left": "left without a load; no repair on record",
}
COUNTS_AS = {
    "fault": "a fault of the trailer",
    "near_miss": "a correct trip on real liquid: counted apart, not a fault",
    "rack": "the rack's, not the trailer's",
    None: "no fault: it cleared without a repair",
}


@dataclass(frozen=True)
class Part:
    """One refusal or visit, when, and why it is in the episode."""

    part: str
    id: str
    at: str
    joined_by: str
    because: str
    says: str


@dataclass(frozen=True)
class Episode:
    """One episode and its parts in order of time. `rack_side`: of one that cleared without a repair, whether its lane's."""

    episode_id: str
    trailer_id: str
    started_at: str
    terminal: str | None
    lane: str | None
    outcome: str
    outcome_detail: str
    counts_as: str | None
    position: int | None
    place: str | None
    cause: str | None
    action: str | None
    parts: tuple[Part, ...]
    rack_side: Chance | None

    def sentence(self) -> str:
        """What became of it, in words."""
        return f"{OUTCOMES[self.outcome]}; {COUNTS_AS[self.counts_as]}"


FIND = """
select distinct episode_id from marts.episode_parts
where episode_id = $id or part_id = $id
order by episode_id
"""

PARTS = """
select p.part, p.part_id, p.part_at, p.joined_by, p.gives_finding,
    r.terminal, r.lane, r.reason, r.released_by,
    v.shop, v.returned_at, v.position, v.place, v.cause, v.action
from marts.episode_parts p
left join staging.refusals r on p.part = 'refusal' and r.refusal_id = p.part_id
left join core.visits v on p.part = 'visit' and v.repair_id = p.part_id
where p.episode_id = $id
order by p.part_at, p.part, p.part_id
"""


def explain(con: Connection, store: str, name: str) -> list[Episode]:
    """The episode(s) of that id, or that a refusal or visit of that id belongs to. Raises CallError for none."""
    ids = [row["episode_id"] for row in records(con, FIND, {"id": name})]
    if not ids:
        raise CallError(
            f"no episode, refusal or repair {name!r}",
            hint="Ids are as in the records; see also: repermit quarantine",
        )
    return [_episode(con, store, episode_id) for episode_id in ids]


def _episode(con: Connection, store: str, episode_id: str) -> Episode:
    head = records(
        con,
        "select e.*, f.counts_as from marts.episodes e left join marts.faults f using (episode_id)"
        " where e.episode_id = $id",
        {"id": episode_id},
    )[0]
    settings = settings_of(con).as_dict()
    parts = tuple(_part(row, settings) for row in records(con, PARTS, {"id": episode_id}))
    names = [n for n in Episode.__dataclass_fields__ if n not in ("parts", "started_at", "rack_side")]
    cleared = head["outcome"].startswith("cleared")
    rack_side = chance_of(con, store, episode_id, head["terminal"], head["lane"]) if cleared else None
    return Episode(
        **{n: head[n] for n in names}, started_at=_time(head["started_at"]), parts=parts, rack_side=rack_side
    )


def _part(row: dict[str, Any], settings: dict[str, Any]) -> Part:
    if row["part"] == "refusal":
        where = ", ".join(filter(None, [row["terminal"], row["lane"] and f"lane {row['lane']}"]))
        says = f"{row['reason']}" + (f" at {where}" if where else "")
        says += f", released by {row['released_by']}" if row["released_by"] else ""
    else:
        place = f"position {row['position']}" if row["position"] is not None else None
        found = [row["cause"] or "cause not recorded", row["place"], place, row["action"]]
        says = f"{row['shop'] or 'shop not recorded'}: " + ", ".join(str(f) for f in found if f)
        says += "" if row["gives_finding"] else " (further visit)"
    because = RULES[row["joined_by"]].format(**settings)
    return Part(row["part"], row["part_id"], _time(row["part_at"]), row["joined_by"], because, says)


def _time(value: Any) -> str:
    return f"{value:%Y-%m-%dT%H:%MZ}"
