"""Where and when a trailer is repaired, and what the shop writes down about where it looked.

Touches nothing. Shops receive and return trailers between 06:00 and 18:59 UTC.
"""

from .chain import ACTIONS, NOTHING, Fault, indicate
from .happenings import Finding, Stop, Visit
from .pool import Trailer
from .scenario import MINUTES_PER_DAY, Draws, Scenario, Shop

RESOLVED_WITHIN = 13 * MINUTES_PER_DAY  # from the first refusal to the trailer's return


class Workshops:
    """The shops as one trailer meets them."""

    def __init__(self, scenario: Scenario, trailer: Trailer, draws: Draws) -> None:
        self.scenario, self.trailer, self.draws = scenario, trailer, draws

    def tell(self, fault: Fault, names_next: float) -> tuple[int | None, str]:
        """What a tester names on this trailer."""
        t = self.trailer
        return indicate(self.draws, fault, t.system, t.positions, t.front_entry, names_next)

    def wait_min(self) -> float:
        """Minutes from the last refusal to the shop; some shops are at the terminal's gate."""
        if self.draws.yes(0.1):
            return self.draws.between(15, 55)
        return min(self.draws.lognormal(600, 1.1), 3.5 * MINUTES_PER_DAY)

    def working_time(self, at: float) -> int:
        """This time, or the next morning where it falls outside 06:00 to 18:59 UTC."""
        day, minute = divmod(int(at), MINUTES_PER_DAY)
        if 360 <= minute < 1140:
            return int(at)
        return (day + (minute >= 1140)) * MINUTES_PER_DAY + self.draws.between(420, 540)

    def choose(self, at: int) -> Shop:
        """Mostly the shop that the fleet uses."""
        home = self.trailer.spell_on(at // MINUTES_PER_DAY).home_shop
        shops = self.scenario.shops
        return next(s for s in shops if s.name == home) if self.draws.yes(0.85) else self.draws.pick(shops)

    def return_after(self, received: int) -> int:
        """When a visit ends: 4 to 72 hours later, at working hours."""
        hours = min(max(self.draws.lognormal(14, 0.8), 4.0), 58.0)
        return self.working_time(received + hours * 60)

    def visits(self, fault: Fault, stop: Stop, received: int) -> list[Visit]:
        """The visit that ends a stop, now and then after a first one that did not help.

        Both of two visits name a refusal: a first visit without one would belong to no episode by the rule
        that named repairs are matched before the others.
        """
        draws, shop = self.draws, self.choose(stop.started_at)
        further = bool(stop.refusals) and draws.yes(self.scenario.further_visits)
        named = bool(stop.refusals) and (draws.yes(self.scenario.named) or further)
        visits: list[Visit] = []
        for last in (False, True) if further else (True,):
            found = fault if last else NOTHING
            findings = [Finding(found, draws.word(ACTIONS[found.cause]))]
            visit = Visit(shop, "non_permit", received, self.return_after(received), findings)
            visit.indicated, visit.indication = self.tell(fault, shop.names_next)
            visit.restored = last
            visit.refusal = draws.pick(stop.refusals) if named else None
            visits.append(visit)
            received = self.working_time(visit.returned_at + draws.between(120, 1500))
        assert visits[-1].returned_at - stop.started_at < RESOLVED_WITHIN
        return visits
