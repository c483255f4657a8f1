"""The trailers of the pool, their planned loads, and how likely each load is to be refused.

Touches nothing. Days count from the first day of the window (negative before it), times are minutes
from its first midnight UTC, lanes are numbered in the order of `Scenario.lanes()`.
"""

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from .scenario import MINUTES_PER_DAY, Draws, Scenario

QUIET_DAYS = 22  # no stop begins so shortly before a trailer changes hands or leaves
WINTER_RATE, SUMMER_RATE = 2.2, 0.15  # cold sensors: November to March, and the rest
WEEK = (1.12, 1.12, 1.12, 1.12, 1.12, 0.85, 0.55)  # Monday to Sunday


@dataclass(frozen=True)
class Spell:
    """A trailer's time with one fleet: days [since, until), until None where it goes on."""

    fleet: str
    home_shop: str
    since: int
    until: int | None

    def covers(self, day: int) -> bool:
        """Whether the day is one of its days."""
        return self.since <= day and (self.until is None or day < self.until)


@dataclass
class Trailer:
    """A trailer: what it is, whom it belonged to, and its own hidden proneness to faults."""

    number: int
    system: str
    positions: int
    front_entry: bool
    numbering: str
    spells: list[Spell]
    terminal: int
    frailty: float
    changed_on: int | None = None
    campaign_on: int | None = None
    last_stop_is_final: bool = False
    stranded_on: int | None = None

    @property
    def id(self) -> str:
        """Its name in the records."""
        return f"TR-{self.number:04d}"

    def spell_on(self, day: int) -> Spell:
        """The spell that covers the day."""
        return next(s for s in self.spells if s.covers(day))

    def in_service(self, day: int, window_days: int) -> bool:
        """Whether the trailer is in service on this day and the day lies in the window."""
        return 0 <= day < window_days and any(s.covers(day) for s in self.spells)


@dataclass
class Plan:
    """Planned loads of one trailer in time order: when (minutes), lane number, whether a stop may begin."""

    at: np.ndarray
    lane: np.ndarray
    quiet: np.ndarray


def build_pool(scenario: Scenario) -> list[Trailer]:
    """All trailers of the scenario, with sales, arrivals, departures and planted changes handed out."""
    draws = Draws(scenario.seed, 0)
    owed = [0.0] * len(scenario.fleets)
    pool = []
    for number in range(1, scenario.trailers + 1):
        owed = [o + fleet.share for o, fleet in zip(owed, scenario.fleets, strict=True)]
        fleet = max(range(len(owed)), key=lambda i: owed[i])
        owed[fleet] -= 1.0
        pool.append(draw_trailer(scenario, draws, number, fleet))
    order = draws.shuffled(pool)
    for change, share in (
        (enter, scenario.entering),
        (sell, scenario.sold),
        (leave, scenario.leaving),
        (strand, scenario.stranded),
    ):
        count = math.ceil(share * scenario.trailers)
        for nth, trailer in enumerate(order[:count]):
            change(scenario, draws, trailer, nth)
        order = order[count:]
    plant(scenario, draws, [t for t in pool if t in order])
    return pool


def draw_trailer(scenario: Scenario, draws: Draws, number: int, fleet: int) -> Trailer:
    """One trailer in service since up to ten years before the window."""
    owner = scenario.fleets[fleet]
    return Trailer(
        number=number,
        system="two_wire" if draws.yes(scenario.two_wire) else "five_wire",
        positions=draws.pick((3, 4, 5, 6, 7, 8), (1, 2, 4, 3, 1, 1)),
        front_entry=draws.yes(0.15),
        numbering=draws.pick(("front_first", "rear_first", "unknown"), (6, 2, 2)),
        spells=[Spell(owner.name, owner.home_shop, -draws.between(60, 3600), None)],
        terminal=(fleet if draws.yes(0.6) else draws.between(0, 99)) % len(scenario.terminals),
        frailty=draws.gamma(scenario.frailty_shape),
    )


def enter(scenario: Scenario, draws: Draws, trailer: Trailer, nth: int) -> None:
    """The trailer is new: it enters service during the window."""
    first = trailer.spells[0]
    day = draws.between(0.05 * scenario.days, 0.6 * scenario.days)
    trailer.spells = [Spell(first.fleet, first.home_shop, day, None)]


def sell(scenario: Scenario, draws: Draws, trailer: Trailer, nth: int) -> None:
    """The trailer is sold to the next fleet; every other one stands idle for some days in between."""
    first = trailer.spells[0]
    names = [fleet.name for fleet in scenario.fleets]
    buyer = scenario.fleets[(names.index(first.fleet) + 1) % len(names)]
    day = draws.between(0.35 * scenario.days, 0.65 * scenario.days)
    back = day + (9 if nth % 2 else 0)
    trailer.spells = [
        Spell(first.fleet, first.home_shop, first.since, day),
        Spell(buyer.name, buyer.home_shop, back, None),
    ]


def leave(scenario: Scenario, draws: Draws, trailer: Trailer, nth: int) -> None:
    """The trailer leaves service; the first one to do so ends with a refused load that nobody repaired."""
    first = trailer.spells[0]
    day = draws.between(0.6 * scenario.days, 0.85 * scenario.days)
    trailer.spells = [Spell(first.fleet, first.home_shop, first.since, day)]
    trailer.last_stop_is_final = nth == 0


def strand(scenario: Scenario, draws: Draws, trailer: Trailer, nth: int) -> None:
    """The trailer is refused in the last days of the window and still stands when it ends."""
    trailer.stranded_on = scenario.days - draws.between(2, 7)


def plant(scenario: Scenario, draws: Draws, lasting: list[Trailer]) -> None:
    """Choose the trailers that get the change (half of the first fleet) and the bad lot of sensors."""
    days = scenario.planted_days()
    if "change" in days:
        own = [t for t in lasting if t.spells[0].fleet == scenario.fleets[0].name]
        for trailer in own[::2]:
            trailer.changed_on = days["change"] + draws.between(0, 20)
    if "lot" in days:
        fitted = 0
        for trailer in [t for t in lasting if t.changed_on is None and t.positions >= 4]:
            if fitted < scenario.lot_size and trailer.spells[0].fleet != scenario.fleets[0].name:
                trailer.campaign_on = days["lot"] + draws.between(0, 20)
                fitted += trailer.positions


def plan_loads(scenario: Scenario, trailer: Trailer, draws: Draws) -> Plan:
    """Loads as dispatch would have them if nothing ever stood still."""
    day = np.arange(scenario.days)
    served, quiet = np.zeros(day.size, bool), np.zeros(day.size, bool)
    for spell in trailer.spells:
        until = scenario.days if spell.until is None else spell.until
        served |= (day >= spell.since) & (day < until)
        if spell.until is not None:
            quiet |= (day >= until - QUIET_DAYS) & (day < until)
    weekday = (day + scenario.starts_on.weekday()) % 7
    uniform, count = draws.units(day.size), np.zeros(day.size, int)
    for number, weight in enumerate(WEEK):
        mean = weight * scenario.loads_per_month * 12 / 365.25
        count = np.where(weekday == number, np.searchsorted(poisson_steps(mean), uniform), count)
    each = np.repeat(day, np.where(served, count, 0))
    terminals = len(scenario.terminals)
    strays = draws.units(day.size) < 0.2
    terminal = np.where(strays, (draws.units(day.size) * terminals).astype(int), trailer.terminal)[each]
    sizes = np.array([len(t.lanes) for t in scenario.terminals])
    lane = (np.cumsum(sizes) - sizes)[terminal] + (draws.units(each.size) * sizes[terminal]).astype(int)
    at = each * MINUTES_PER_DAY + 300 + (draws.units(each.size) * 840).astype(int)
    order = np.argsort(at, kind="stable")
    return Plan(at[order], lane[order], quiet[each][order])


def poisson_steps(mean: float) -> list[float]:
    """Cumulative Poisson probabilities of 0, 1, 2, ..."""
    terms = [math.exp(-mean)]
    for n in range(1, 60):
        terms.append(terms[-1] * mean / n)
    return [math.fsum(terms[: n + 1]) for n in range(60)]


def calendar_months(scenario: Scenario) -> np.ndarray:
    """Month of the year, 1..12, of each day of the window."""
    return np.array([(scenario.starts_on + timedelta(d)).month for d in range(scenario.days)])


def stop_probabilities(scenario: Scenario, trailer: Trailer, plan: Plan) -> tuple[list[str], np.ndarray]:
    """Kinds of stop, and the chance of each at each planned load (loads by kinds).

    A kind is a word of `scenario.stops`, of `scenario.faults`, or `repair_only`.
    """
    day = plan.at // MINUTES_PER_DAY
    month = calendar_months(scenario)[day]
    faulty = trailer.frailty * fault_factor(scenario, trailer, day)
    names: list[str] = []
    columns: list[np.ndarray] = []
    for kind, per_1000 in scenario.stops:
        rate = np.full(day.size, per_1000)
        if kind == "cold":
            rate *= np.where((month <= 3) | (month >= 11), WINTER_RATE, SUMMER_RATE)
        if kind == "rack" and "lane" in scenario.planted:
            bad = (plan.lane == bad_lane(scenario)) & (day >= scenario.planted_days()["lane"])
            rate += np.where(bad, scenario.lane_per_1000, 0.0)
        names, columns = [*names, kind], [*columns, rate]
    for cause, per_1000 in (*scenario.faults, ("repair_only", scenario.repair_only)):
        rate = per_1000 * faulty
        if cause == "corrosion":
            last = np.array([last_weight(scenario, m) for m in range(13)])[month]
            rate = rate * (trailer.positions - 1 + last) / trailer.positions
        names, columns = [*names, cause], [*columns, rate]
    return names, np.column_stack(columns) / 1000


def fault_factor(scenario: Scenario, trailer: Trailer, day: np.ndarray) -> np.ndarray:
    """What the planted change and the planted month do to the rate of faults on these days."""
    factor = np.ones(day.size)
    if trailer.changed_on is not None:
        factor *= np.where(day >= trailer.changed_on, scenario.change_ratio, 1.0)
    if "month" in scenario.planted:
        first = scenario.planted_days()["month"]
        until = next(start for start in scenario.month_starts() if start > first)
        factor *= np.where((day >= first) & (day < until), scenario.month_ratio, 1.0)
    return factor


def last_weight(scenario: Scenario, calendar_month: int) -> float:
    """How much more often corrosion is found at the last position than at another in this month."""
    return scenario.season_ratio if "season" in scenario.planted and calendar_month in (2, 3, 4) else 1.0


def bad_lane(scenario: Scenario) -> int:
    """Number of the lane planted as refusing: the third of the second terminal."""
    return len(scenario.terminals[0].lanes) + 2


def bad_shop(scenario: Scenario) -> str | None:
    """Name of the shop planted as one whose crimps come back: the second, where that is on."""
    return scenario.shops[1].name if "shop" in scenario.planted else None


def day_text(scenario: Scenario, day: int) -> str:
    """ISO date of a day number."""
    return date.isoformat(scenario.starts_on + timedelta(day))
