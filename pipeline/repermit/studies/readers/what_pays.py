"""What pays: at most five actions for a fleet, each with the faults and money it would spare in the next quarter.

The results of other studies in, `Advice` out. May import `warehouse`, `wording` and its neighbours. Only what a
study shows beyond chance becomes an action; what it would spare comes from that study's own limits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal

from repermit.studies.ages.life import in_service, standing_lots
from repermit.studies.ages.life_pool import QUARTER_DAYS
from repermit.studies.frequency.rates import rates
from repermit.studies.frequency.worse import Worse, worse
from repermit.studies.racks.lanes import lanes
from repermit.studies.readers.year_before import back
from repermit.studies.repairs.fixes import Fix, summarise
from repermit.studies.repairs.holding import LEAST_FIXES, difference
from repermit.studies.repairs.repaired import load
from repermit.studies.selection import Selection, Window, covered, of_fleet
from repermit.warehouse import Connection, once, settings_of
from repermit.wording import amount, estimate, named, number, percent, seen, tally, whole, words

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import IntArray

Kind = Literal["trailers", "lane", "method", "lot"]
MOST = 5
YEAR_DAYS = 365
CHANCE = 0.05 / 4
"""Of four kinds of things each is advised only where chance alone would bring it at most so often, so that of fleets in which
nothing is amiss at most one in twenty is told to do anything. Lots stand out by a test of their own (`life`)."""


@dataclass(frozen=True)
class Spared:
    """How many, with limits."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Spared:
        """All three, multiplied."""
        return Spared(self.value * factor, self.low * factor, self.high * factor)


@dataclass(frozen=True)
class Action:
    """One thing to do. `spared`: faults (of a lane: refusals) in the next 91 days. `money`: None where no price is known.

    `evidence` says what it rests on, `unless` what would change the advice.
    """

    kind: Kind
    names: tuple[str, ...]
    spared: Spared
    money: Spared | None
    evidence: str
    unless: str

    def sentence(self) -> str:
        """What to do and what it spares, in plain words."""
        name = named(self.names)
        what = {
            "trailers": f"Pull in {name}",
            "lane": f"Have the terminal look at lane {name}",
            "method": f"Change the method {name}",
            "lot": f"Check the sensors of lot {name}",
        }[self.kind]
        of = "refusals" if self.kind == "lane" else "faults"
        return f"{what}: spares about {_told(self.spared)} {of} in the next quarter."


def _told(s: Spared) -> str:
    """In whole numbers, below ten with one decimal."""
    value, low, high = amount(s.value), amount(s.low), amount(s.high)
    return f"{value} ({low} to {high})" if low != high else value


@dataclass(frozen=True)
class Advice:
    """The actions, the most spared first, and what one fault and one refusal cost on record (None: not known)."""

    actions: tuple[Action, ...]
    cost_of_fault: float | None
    cost_of_refusal: float | None
    priced: int

    def sentence(self) -> str:
        """The answer in words."""
        if not self.actions:
            return "Nothing stands out that would clearly pay: no trailer, lane, method or lot is worse than chance explains."
        return " ".join(a.sentence() for a in self.actions)


COST = """
select fleet, avg(cost order by cost) as cost, count(*) as priced from (
    select f.fleet, p.episode_id, sum(v.cost)::double as cost from marts.faults f
    join marts.episode_parts p on p.episode_id = f.episode_id and p.part = 'visit'
    join core.visits v on v.repair_id = p.part_id
    where f.counts_as = 'fault' and f.started_at < $end and v.cost is not null
    group by f.fleet, p.episode_id
) group by fleet
"""

QUARTER_LOADS = """
select t.fleet, KEYS, sum(l.loads)::bigint as loads from LOG l
join staging.trailers t on t.trailer_id = l.trailer_id and l.loaded_on >= t.service_from and t.service_until is null
where t.fleet is not null and l.loaded_on >= $first and l.loaded_on < $end
group by all
"""
"""Of trailers that are still there."""
BY_TRAILER = QUARTER_LOADS.replace("KEYS", "l.trailer_id").replace("LOG", "core.load_days")
BY_LANE = QUARTER_LOADS.replace("KEYS", "l.terminal, l.lane").replace("LOG", "staging.loads")


def what_pays(con: Connection, store: str, selection: Selection) -> Advice:
    """The actions for the selection's fleet, from the year before the window's end."""
    end = selection.window.end
    cost: dict[str, Any] = next(iter(of_fleet(con, COST, selection)), {"cost": None, "priced": 0})
    refusal = settings_of(con).refusal_cost or None
    fault = cost["cost"]
    last = Selection(Window(end - timedelta(days=QUARTER_DAYS), end), fleet=selection.fleet)
    year = _year(con, selection)
    actions = [
        *_trailers(con, store, year, last),
        *_lanes(con, store, year, last),
        *_methods(con, selection),
        *_lots(con, selection),
    ]
    priced = [_priced(a, refusal if a.kind == "lane" else _sum(fault, refusal)) for a in actions]
    priced.sort(key=lambda a: (-(a.money.value if a.money else 0.0), -a.spared.value, a.kind, a.names))
    return Advice(tuple(priced[:MOST]), fault, refusal, cost["priced"])


def _priced(action: Action, cost: float | None) -> Action:
    return replace(action, money=action.spared.times(cost)) if cost else action


def _sum(fault: float | None, refusal: float | None) -> float | None:
    return None if fault is None else fault + (refusal or 0.0)


def _year(con: Connection, selection: Selection) -> Selection:
    """All fleets over the year before the window's end, or as much of it as is on record."""
    end, whole_record = selection.window.end, covered(con)
    first = back(end, 12)
    if whole_record:
        first = max(first, whole_record.first) if whole_record.first < end else first
    return Selection(Window(first, end))


def _whole_months(con: Connection, year: Window) -> Window | None:
    """The record up to the year's end, which the month's page tells of lanes from; None where the year cuts months."""
    record = covered(con)
    if record is None or not year.first.day == year.end.day == 1:
        return None
    return Window(min(record.first.replace(day=1), year.first), year.end)


def _trailers(con: Connection, store: str, year: Selection, quarter: Selection) -> list[Action]:
    """The fleet's trailers that are probably among the worst tenth of all, brought to what trailers are like."""
    told = _worst(con, store, year)
    if told is None or told.typical is None or told.p is None or told.p >= CHANCE or told.per != "1000_loads":
        return []
    ahead = {row["trailer_id"]: row["loads"] for row in of_fleet(con, BY_TRAILER, quarter)}
    worst = [u for u in told.named if u.key in ahead]
    if not worst:
        return []
    value, low, high = (
        sum(max(rate - told.typical, 0.0) * ahead[u.key] / 1000 for u in worst for rate in [getattr(u, name)])
        for name in ("rate", "low", "high")
    )
    each = named(
        [
            f"{u.key}: {seen_faults(u.faults)}, {percent(u.worst_tenth)} likely among the worst tenth"
            for u in worst
        ],
        "; ",
    )
    return [
        Action(
            "trailers",
            tuple(str(u.key) for u in worst),
            Spared(value, low, high),
            None,
            f"In {year.window}, of {whole(told.units)} trailers: {each}. Brought to the usual {number(told.typical)} per 1,000 loads.",
            "a quarter in which they have no more faults than the others would take them off the list.",
        )
    ]


@once
def _worst(con: Connection, store: str, year: Selection) -> Worse | None:
    return worse(con, store, year, rates(con, store, year, ("trailer",)))


def seen_faults(faults: float) -> str:
    """A count of faults that may be shared out."""
    return seen(int(faults), "fault") if faults == int(faults) else f"about {tally(faults)} faults"


def _lanes(con: Connection, store: str, year: Selection, quarter: Selection) -> list[Action]:
    """Lanes that stand out, as far as the fleet loads there."""
    every = lanes(con, store, year, _whole_months(con, year.window)).rows
    clear = [row for row in every if row.flagged and row.q_value is not None and row.q_value < CHANCE]
    loads = of_fleet(con, BY_LANE, quarter) if clear else []
    here = {(row["terminal"], row["lane"]): row["loads"] for row in loads}
    found = []
    for row in clear:
        n = here.get((row.terminal, row.lane), 0)
        if not n or not row.loads or row.excess is None or row.excess_least is None:
            continue
        share = n / row.loads
        found.append(
            Action(
                "lane",
                (f"{row.lane} of {row.terminal}",),
                Spared(row.excess, row.excess_least, float(row.excess_most)).times(share),
                None,
                f"{seen(getattr(row, row.told_by), 'refusal')} that cleared {'on another lane' if row.told_by == 'cleared_other_lane' else 'without a repair'}"
                f" in {whole(row.loads)} loads, where other lanes bring about {number(row.expected, 2)} with the same trailers in the same"
                f" months. This fleet loaded there {whole(n)} times in the last quarter.",
                "a month of ordinary numbers after a service would take it off the list. The terminal decides about its lanes.",
            )
        )
    return found


def _methods(con: Connection, selection: Selection) -> list[Action]:
    """Of each kind of fix, the way of working that comes back most, replaced by the one that comes back least."""
    found = []
    for action, told, of in _ways(con, selection.window):
        pool = load(con, selection.window)
        own = set(pool.of(Selection(selection.window, fleet=selection.fleet)).tolist())
        mine = {key: len(own & set(index.tolist())) for key, index in of.items()}
        found += _method(con, selection, action, told, mine)
    return found


@once
def _ways(con: Connection, window: Window) -> tuple[tuple[str, list[Fix], dict[str | None, IntArray]], ...]:
    """The kinds of fix whose ways of working differ by more than chance: the ways, and the fixes made in each.

    Ways are held against each other within one action, on all fleets' records.
    """
    pool, level = load(con, window), settings_of(con).level
    ways = []
    for action, mine in pool.groups(pool.of(Selection(window)), "action"):
        of = dict(pool.groups(mine, "method"))
        told = [
            summarise(pool, key, index, index[:0], level, beside=())
            for key, index in of.items()
            if key is not None and pool.placed[index].sum() >= LEAST_FIXES
        ]
        if action is not None and len(told) > 1:
            ways.append((action, told, of))
    tests = [
        difference(pool, [of[row.key][pool.placed[of[row.key]]] for row in told]) for _, told, of in ways
    ]
    return tuple(
        way for way, test in zip(ways, tests, strict=True) if test is not None and test.p < CHANCE / len(ways)
    )


def _method(
    con: Connection, selection: Selection, action: str, told: list[Fix], own: dict[str | None, int]
) -> list[Action]:
    """The change from the worst way to the best; `own`: the fleet's fixes with each."""
    end = selection.window.end
    worst = max(told, key=lambda row: _risk(row)[0])
    best = min(told, key=lambda row: _risk(row)[0])
    (a, a_low, a_high), (b, b_low, b_high) = _risk(worst), _risk(best)
    gap = a - b
    low = gap - ((a - a_low) ** 2 + (b_high - b) ** 2) ** 0.5
    high = gap + ((a_high - a) ** 2 + (b - b_low) ** 2) ** 0.5
    record = covered(con)
    days = (end - record.first).days if record else YEAR_DAYS
    quarterly = own[worst.key] * QUARTER_DAYS / max(days, QUARTER_DAYS)
    if not quarterly or low <= 0:
        return []
    return [
        Action(
            "method",
            (f"{words(worst.key)} to {words(best.key)}",),
            Spared(gap, low, high).times(quarterly),
            None,
            f"Of all fixes recorded as {words(action)}, of those with the {words(worst.key)} {_of_100(worst)} came back within 90"
            f" days, of those with the {words(best.key)} {_of_100(best)}. This fleet's trailers had {number(quarterly, 2)} such"
            f" fixes with the {words(worst.key)} a quarter.",
            f"if the next fixes with the {words(best.key)} came back as often, or if shops that use it get easier work, it would"
            " not be the method.",
        )
    ]


def _risk(row: Fix) -> tuple[float, float, float]:
    h = next(h for h in row.horizons if h.days == 90)
    return (h.risk or 0.0, h.risk_low or 0.0, 1.0 if h.risk_high is None else h.risk_high)


def _of_100(row: Fix) -> str:
    return f"{estimate(*_risk(row), as_percent=True)} of {whole(row.placed)}"


def _lots(con: Connection, selection: Selection) -> list[Action]:
    """Lots that stand out, as far as the fleet has their sensors in service."""
    end = selection.window.end
    found = []
    for row in standing_lots(con, Selection(selection.window)):
        value, low, high = row.expected_91d
        n = in_service(con, selection, str(row.key))
        if not n or value is None or not row.in_service:
            continue
        found.append(
            Action(
                "lot",
                (str(row.key),),
                Spared(value, low or 0.0, high if high is not None else value).times(n / row.in_service),
                None,
                f"{number(row.all.failures)} of {whole(row.all.lives)} sensors of the lot have failed, clearly more than others of"
                f" their age. This fleet has {seen(n, 'such sensor')} in service on {end}.",
                "sensors of the lot that pass the bench in good number would clear it.",
            )
        )
    return found
