"""Found against indicated: where the fault was, of what the tester named, and how far shops look for themselves.

Marts in, `Located` out. May import `statistics`, `warehouse` and its neighbours. A visit counts where the tester named
a position and the shop wrote down what it found.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from repermit.studies.about import About, about
from repermit.studies.location.chain import cells, wirings
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, records, settings_of
from repermit.wording import NAMED, estimate, named, share, tally, whole

Habit = Literal["repeats", "not_shown", "too_few"]
SMALL = 0.05
STRONG = ((0.001, "very strong"), (0.01, "strong"), (SMALL, "some"))


@dataclass(frozen=True)
class Found:
    """One cell: of the repairs with that indication, how many were found there, and the share with limits.

    `found_position` 0 = trailer level; None with `found_place` none_found: looked, found nothing.
    """

    system: str | None
    indicated_position: int
    found_position: int | None
    found_place: str | None
    repairs: int
    share: float
    share_low: float
    share_high: float


@dataclass(frozen=True)
class Agreeing:
    """How far one group's found positions agree with the tester's, of repairs in which something was found.

    `kappa`: agreement beyond chance, with limits; None where it is not defined. Of a shop: `open`, findings whose
    indication leaves more than one position by the chain rules, whichever end of an open link the tester names;
    `repeats`, how many of them lie at the position named; `expected`, how many at the other shops' shares; `p`, the
    chance of so many or more (Holm's over all shops).
    """

    key: Literal["all", "system", "shop"]
    name: str | None
    repairs: int
    agreed: int
    kappa: float | None
    kappa_low: float | None
    kappa_high: float | None
    open: int | None = None
    repeats: int | None = None
    expected: float | None = None
    p: float | None = None
    habit: Habit | None = None

    def sentence(self) -> str:
        """In words, with the strength of the evidence."""
        who = {
            "all": "All",
            "system": self.name or "System not recorded",
            "shop": self.name or "Shop not recorded",
        }[self.key]
        told = f"{who}: found where the tester pointed in {share(self.agreed, self.repairs)} of the repairs"
        if self.kappa is not None:
            told += f"; agreement beyond chance {estimate(self.kappa, self.kappa_low, self.kappa_high)} (0 none, 1 whole)"
        if self.habit is None:
            return told + "."
        seen = f"{whole(self.repeats)} of {whole(self.open)} findings that could lie elsewhere are at the tester's position, {tally(self.expected)} expected by the other shops"
        if self.habit == "too_few":
            return f"{told}. {seen}: too few to tell whether it looks or repeats the tester."
        if self.habit == "not_shown":
            return f"{told}. {seen}: no habit of repeating the tester is shown."
        strength = next(word for limit, word in STRONG if self.p is not None and self.p <= limit)
        return f"{told}. {seen}: {strength} evidence that it writes down the tester's position, which is a habit and not a finding, unless its tester names places better than theirs."


@dataclass(frozen=True)
class Located:
    """The cells, the agreement of all, of each system and shop, and what is left out: no position named, or nothing written."""

    about: About
    rows: tuple[Found, ...]
    agreement: tuple[Agreeing, ...]
    not_indicated: int
    not_recorded: int

    def sentences(self) -> list[str]:
        """What the agreement is, and each shop's; of many shops those that repeat the tester, and how many others there are."""
        told = [a.sentence() for a in self.agreement if a.key == "all"]
        shops = [a for a in self.agreement if a.key == "shop"]
        if len(shops) <= NAMED:
            return told + [a.sentence() for a in shops]
        repeat = sorted((a for a in shops if a.habit == "repeats"), key=lambda a: a.p or 0.0)
        says = {
            "repeats": "of {} there is evidence that they repeat it",
            "not_shown": "of {} no such habit is shown",
            "too_few": "of {} there are too few findings to tell",
        }
        counts = {habit: sum(a.habit == habit for a in shops) for habit in says}
        found = ", ".join(says[habit].format(whole(n)) for habit, n in counts.items() if n)
        told.append(f"Whether {whole(len(shops))} shops look or repeat the tester: {found}.")
        return told + ([named([a.sentence() for a in repeat], " ")] if repeat else [])

    def sentence(self) -> str:
        """The same as one text."""
        return " ".join(self.sentences())


VISITS = """
select r.system, r.positions, t.supply_entry, r.shop, r.indicated_position, r.position, r.place, e.reason, count(*) as repairs
from marts.repairs r
left join marts.episodes e on e.episode_id = r.episode_id
left join staging.trailers t on t.trailer_id = r.trailer_id and t.service_from <= r.received_at
    and (t.service_until is null or r.received_at < t.service_until)
where r.visit_kind = 'non_permit' and r.received_at >= $first and r.received_at < $end
    and ($fleet is null or r.fleet = $fleet) and ($system is null or r.system = $system)
    and ($terminal is null or e.terminal = $terminal)
group by all
order by all
"""


def located(con: Connection, store: str, selection: Selection) -> Located:
    """Found against indicated of the selection's visits; its shop is the one that repaired, held against all the others."""
    level = settings_of(con).level
    visits = records(con, VISITS, selection.parameters(VISITS))
    chosen = [v for v in visits if selection.shop in (None, v["shop"])]
    told = [v for v in visits if _told(v)]
    mine = [v for v in told if selection.shop in (None, v["shop"])]
    groups: list[Agreeing] = [_agreeing("all", None, mine, level)]
    groups += [
        _agreeing("system", s, [v for v in mine if v["system"] == s], level) for s in _names(mine, "system")
    ]
    shops = [s for s in _names(told, "shop") if s is not None]
    habits = _habits(told, shops)
    groups += [
        _agreeing("shop", s, [v for v in mine if v["shop"] == s], level, habits[s])
        for s in shops
        if selection.shop in (None, s)
    ]
    return Located(
        about(con, store, selection),
        _found(mine, level),
        tuple(groups),
        sum(v["repairs"] for v in chosen if v["indicated_position"] is None),
        sum(v["repairs"] for v in chosen if v["indicated_position"] is not None and not _told(v)),
    )


def _told(visit: dict[str, Any]) -> bool:
    """Whether a position was named and it is on record what was found."""
    found = visit["position"] is not None or visit["place"] == "none_found"
    return visit["indicated_position"] is not None and found


def _names(visits: Sequence[dict[str, Any]], key: str) -> list[Any]:
    return sorted({v[key] for v in visits}, key=lambda name: (name is None, str(name)))


def _found(visits: Sequence[dict[str, Any]], level: float) -> tuple[Found, ...]:
    from repermit.statistics.proportions import wilson_limits

    counts, of = Counter[tuple[Any, ...]](), Counter[tuple[Any, ...]]()
    for v in visits:
        indicated = v["system"], v["indicated_position"]
        counts[*indicated, v["position"], v["place"]] += v["repairs"]
        of[indicated] += v["repairs"]
    rows = []
    for cell in sorted(
        counts, key=lambda c: [(x is None, x or "") if isinstance(x, str | None) else (False, x) for x in c]
    ):
        n, total = counts[cell], of[cell[:2]]
        low, high = wilson_limits(n, total, level)
        system, indicated, position, place = cell
        rows.append(Found(system, indicated, position, place, n, n / total, float(low), float(high)))
    return tuple(rows)


def _agreeing(
    key: Literal["all", "system", "shop"],
    name: str | None,
    visits: Sequence[dict[str, Any]],
    level: float,
    habit: tuple[Any, ...] = (),
) -> Agreeing:
    import numpy as np

    from repermit.statistics.agreement import agreement

    table = np.zeros((13, 13))
    for v in visits:
        if v["position"] is not None:
            table[v["indicated_position"], v["position"]] += v["repairs"]
    found = agreement(table, level)
    kappa, low, high = (None if math.isnan(x) else x for x in (found.kappa, found.low, found.high))
    return Agreeing(key, name, int(table.sum()), int(np.trace(table)), kappa, low, high, *habit)


def _habits(visits: Sequence[dict[str, Any]], shops: Sequence[str]) -> dict[str, tuple[Any, ...]]:
    """By shop: open findings, repeats, expected, p after Holm, and whether it is a habit.

    Within what makes indications alike (wiring, and whether the first, the last or another position is named), the
    shop's share at the named position against that of all other shops together.
    """
    from repermit.statistics.multiple import holm
    from repermit.statistics.strata import chance_of_more_hits

    counts: dict[tuple[Any, ...], Counter[str | None]] = {}
    for v in visits:
        if v["position"] is None or not _open(v):
            continue
        named, last = v["indicated_position"], v["positions"]
        stratum = (
            v["system"],
            v["supply_entry"],
            "first" if named == 1 else "last" if named == last else "other",
        )
        counts.setdefault((*stratum, "tries"), Counter())[v["shop"]] += v["repairs"]
        counts.setdefault((*stratum, "hits"), Counter())[v["shop"]] += v["repairs"] * (v["position"] == named)
    strata = sorted({key[:-1] for key in counts}, key=str)
    raw = {}
    for shop in shops:
        hits, tries = ([counts[(*s, what)][shop] for s in strata] for what in ("hits", "tries"))
        every = ([counts[(*s, what)].total() for s in strata] for what in ("hits", "tries"))
        other_hits, other_tries = (
            [a - b for a, b in zip(all_, own, strict=True)]
            for all_, own in zip(every, (hits, tries), strict=True)
        )
        raw[shop] = sum(tries), sum(hits), *chance_of_more_hits(hits, tries, other_hits, other_tries)
    adjusted = holm([raw[shop][2] for shop in shops])
    found = {}
    for shop, p in zip(shops, adjusted.tolist(), strict=True):
        tries_, hits_, _, expected, least = raw[shop]
        habit: Habit = "repeats" if p <= SMALL else "too_few" if least * len(shops) > SMALL else "not_shown"
        found[shop] = tries_, hits_, expected, p, habit
    return found


def _open(visit: dict[str, Any]) -> bool:
    """Whether by the chain rules the fault may lie elsewhere than named, whichever end of a link the tester names."""
    if visit["positions"] is None:
        return False
    named = visit["indicated_position"]
    return all(
        any(cell[0] != named for cell in cells(wiring, visit["positions"], named, visit["reason"], reading))
        for wiring in wirings(visit["system"], visit["supply_entry"])
        for reading in ("near", "far")
    )
