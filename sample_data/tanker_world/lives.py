"""What happens to one trailer in the window: refused loads, shop visits, loads that were made after all.

Touches nothing. One `Life` a trailer, played event by event in time order. Between two stops of a trailer
lie a load or a returned repair and more than a day, so that what counts as one episode is never in doubt;
on the UTC day of a refusal the trailer loads only if it was cleared that day, and then only at the lane
that cleared it.
"""

import heapq
from typing import Any

import numpy as np

from .chain import NOTHING, Fault, draw_fault
from .happenings import BAD_LOT, Finding, Refusal, Sensor, Sensors, Stop, Visit
from .pool import Plan, Trailer, bad_shop, calendar_months, last_weight, plan_loads, stop_probabilities
from .scenario import MINUTES_PER_DAY, Draws, Scenario
from .workshops import Workshops

VISIT_GAP = 15 * MINUTES_PER_DAY  # unasked visits keep this far from an episode that no repair closed
UNASKED = ("other_visit", "campaign", "replace_stuck")
RETRY_SHARE = {"residual": 0.55, "rack": 0.15, "plug": 0.8, "ground": 0.8, "cold": 0.8, "not_equipment": 1.0}
NOT_EQUIPMENT = ("vehicle_id", "vapour_interlock", "paperwork")
NOT_THE_TRAILERS = ("liquid_present", "rack_equipment")
FAR_AHEAD = 10**7


class Life:
    """One trailer through the window."""

    def __init__(self, scenario: Scenario, trailer: Trailer) -> None:
        self.scenario, self.trailer = scenario, trailer
        self.draws = Draws(scenario.seed, trailer.number)
        self.end = scenario.days * MINUTES_PER_DAY
        self.months = calendar_months(scenario)
        self.lanes = scenario.lanes()
        self.plan: Plan = plan_loads(scenario, trailer, self.draws)
        self.workshops = Workshops(scenario, trailer, self.draws)
        self.sensors = Sensors(scenario, self.draws, trailer.number)
        self.stops: list[Stop] = []
        self.visits: list[Visit] = []
        self.proofs: list[tuple[int, int, str]] = []
        self.free_day, self.unrepaired_at = 0, -VISIT_GAP
        self.closed: list[tuple[int, int]] = []
        self.resumed: dict[int, int | None] = {}
        self.fixed_at: dict[int | None, int] = {}
        self.events: list[tuple[int, int, str, Any]] = []
        self.pushed = 0

    def play(self) -> "Life":
        """Everything that happens, in time order."""
        self.foresee()
        while self.events:
            at, _, what, about = heapq.heappop(self.events)
            if what == "load":
                if at // MINUTES_PER_DAY >= self.free_day:
                    self.stop_at_load(*about)
            elif what == "proof":
                self.proof_test(at)
            elif what in UNASKED and at < self.unrepaired_at + VISIT_GAP:
                self.push(self.unrepaired_at + VISIT_GAP, what, about)
            elif (attempt := self.next_attempt(at, quiet=what == "leave")) is not None:
                when = int(self.plan.at[attempt])
                if when > at:
                    self.push(when, what, about)
                else:
                    getattr(self, what)(attempt, about)
        return self

    def push(self, at: float, what: str, about: Any = None) -> None:
        """Something is to happen at this time (minutes), or at the first load from then on."""
        if at < self.end:
            self.pushed += 1
            heapq.heappush(self.events, (int(at), self.pushed, what, about))

    def next_attempt(self, at: int, *, quiet: bool = False) -> int | None:
        """Number of the first planned load from `at` on at which something may begin."""
        first = int(np.searchsorted(self.plan.at, max(at, self.free_day * MINUTES_PER_DAY)))
        ahead = np.flatnonzero(self.plan.quiet[first:] == quiet)
        return first + int(ahead[0]) if ahead.size else None

    def foresee(self) -> None:
        """Events known from the start: refused loads, sensors' ends, visits and tests that are due."""
        names, chances = stop_probabilities(self.scenario, self.trailer, self.plan)
        steps, chance = np.cumsum(chances, axis=1), self.draws.units(self.plan.at.size)
        for i in np.flatnonzero((chance < steps[:, -1]) & ~self.plan.quiet):
            self.push(int(self.plan.at[i]), "load", (int(i), names[int((steps[i] <= chance[i]).sum())]))
        for position in range(1, self.trailer.positions + 1):
            sensor = self.sensors.fit_first(position, self.trailer.spells[0].since * MINUTES_PER_DAY)
            self.push(sensor.ends_at, "sensor_end", sensor)
        gap = 365.25 * MINUTES_PER_DAY / self.scenario.other_visits_per_year
        at = self.draws.exponential(gap)
        while at < self.end:
            self.push(at, "other_visit", self.draws.pick(("inspection", "planned", "damage"), (5, 3, 2)))
            at += self.draws.exponential(gap)
        for day in range(self.draws.between(0, 180), self.scenario.days, 182):
            self.push(day * MINUTES_PER_DAY, "proof")
        if self.trailer.campaign_on is not None:
            self.push(self.trailer.campaign_on * MINUTES_PER_DAY, "campaign")
        if self.trailer.last_stop_is_final and (last := self.trailer.spells[-1].until):
            self.push((last - 20) * MINUTES_PER_DAY, "leave")
        if self.trailer.stranded_on is not None:
            self.push(self.trailer.stranded_on * MINUTES_PER_DAY, "strand")

    # --- stops: methods named by an event take the number of the refused load, and what it is about ---

    def stop_at_load(self, attempt: int, kind: str) -> None:
        """A planned load is refused, or the driver goes to the shop unasked."""
        if kind in RETRY_SHARE:
            self.clear_itself(attempt, kind)
        elif kind != "repair_only":
            self.shop_stop(attempt, self.new_fault(attempt, kind))
        elif self.plan.at[attempt] >= self.unrepaired_at + VISIT_GAP:
            causes = [(c, w) for c, w in self.scenario.faults if c not in NOT_THE_TRAILERS]
            self.shop_stop(attempt, self.new_fault(attempt, self.draws.word(tuple(causes))), refused=False)

    def new_fault(self, attempt: int, cause: str) -> Fault:
        """A fault of this cause; corrosion may favour the last position in this month."""
        month = int(self.months[int(self.plan.at[attempt]) // MINUTES_PER_DAY])
        weight = last_weight(self.scenario, month) if cause == "corrosion" else 1.0
        return draw_fault(self.draws, cause, self.trailer.positions, weight)

    def comeback(self, attempt: int, about: tuple[Visit, Fault]) -> None:
        """A repair that did not hold, unless something was repaired at that position since."""
        visit, fault = about
        changed = self.trailer.changed_on is not None
        changed = changed and int(self.plan.at[attempt]) >= (self.trailer.changed_on or 0) * MINUTES_PER_DAY
        if self.fixed_at.get(fault.position, 0) <= visit.returned_at and (
            not changed or self.draws.yes(self.scenario.change_ratio)
        ):
            self.shop_stop(attempt, fault, comeback_of=visit)

    def sensor_end(self, attempt: int, sensor: Sensor) -> None:
        """A sensor that reached its life's end stops the trailer, if it is still in place."""
        if self.sensors.in_place[sensor.position] is sensor:
            sensor.ended_at, sensor.end = int(self.plan.at[attempt]), "failed"
            self.shop_stop(attempt, Fault("sensor_failed", "sensor", sensor.position, "sensor"))

    def leave(self, attempt: int, about: None) -> None:
        """The last refused load before the trailer leaves service: nobody repairs it."""
        self.stand(self.refuse(attempt, "left", self.new_fault(attempt, "bad_crimp"), spread=0.0), "left")

    def strand(self, attempt: int, about: None) -> None:
        """A refused load shortly before the window ends, not repaired by then."""
        cause = self.draws.pick(("bad_crimp", "corrosion", "nicked_conductor"))
        self.stand(self.refuse(attempt, "shop", self.new_fault(attempt, cause), spread=0.3), "unresolved")

    def stand(self, stop: Stop, outcome: str) -> None:
        """The trailer does not load any more within the window."""
        stop.outcome = outcome
        for refusal in stop.refusals[-1:]:
            refusal.released_by = "left_without_load"
        self.close(stop.started_at // MINUTES_PER_DAY, FAR_AHEAD)

    def refuse(self, attempt: int, kind: str, fault: Fault | None, *, spread: float) -> Stop:
        """One or more refusals on one day; each goes on to another lane with probability `spread`."""
        draws, at, lane = self.draws, int(self.plan.at[attempt]), int(self.plan.lane[attempt])
        more = 0.15 if kind == "not_equipment" else 0.58 if fault else 0.5
        refusals = [self.refusal(at, lane, kind, fault)]
        while len(refusals) < 6 and draws.yes(more):
            at += draws.between(8, 45)
            lane = self.other_lane({lane}) if draws.yes(spread) else lane
            refusals.append(self.refusal(at, lane, kind, fault))
        stop = Stop(kind, refusals[0].at, refusals, fault=fault)
        self.stops.append(stop)
        return stop

    def refusal(self, at: int, lane: int, kind: str, fault: Fault | None) -> Refusal:
        """One refusal with the reason the lane logs and the position its display shows, if any."""
        draws, reason = self.draws, "overfill"
        if kind == "not_equipment":
            reason = draws.pick(NOT_EQUIPMENT)
        elif kind == "ground" or (fault and fault.circuit == "ground"):
            reason = "ground"
        elif kind == "rack" and draws.yes(0.2):
            reason = "rack_controller"
        elif draws.yes(0.07):
            reason = "unknown"
        indicated = None
        if reason == "overfill" and kind != "plug" and draws.yes(0.35):
            indicated = (
                self.workshops.tell(fault, 0.5)[0] if fault else draws.between(1, self.trailer.positions)
            )
        during = fault.cause == "liquid_present" if fault else draws.yes(0.05)
        return Refusal(at, lane, reason, indicated, during)

    def other_lane(self, used: set[int]) -> int:
        """Another lane of the same terminal, not among the used ones unless all are used."""
        terminal = self.lanes[min(used)][0]
        own = [i for i, (place, _) in enumerate(self.lanes) if place == terminal]
        return self.draws.pick([i for i in own if i not in used] or own)

    def clear_itself(self, attempt: int, kind: str) -> None:
        """Refused, then loaded without a repair: on a retry or at another lane, now or the next day."""
        draws, retry = self.draws, self.draws.yes(RETRY_SHARE[kind])
        stop = self.refuse(attempt, kind, None, spread=0.0 if retry or kind == "rack" else 0.3)
        last, used = stop.refusals[-1], {r.lane for r in stop.refusals}
        lane = last.lane if retry else self.other_lane(used)
        if lane in used:  # a retry, or refused at every lane of the terminal: then all at this lane
            for refusal in stop.refusals:
                refusal.lane = lane
        stop.outcome = "cleared_retry" if lane in used else "cleared_other_lane"
        day = last.at // MINUTES_PER_DAY
        late = stop.is_episode and draws.yes(0.1) and self.trailer.in_service(day + 1, self.scenario.days)
        released_at = last.at + draws.between(6, 50)
        if late:
            self.closed.append((day, day))
            released_at = (day + 1) * MINUTES_PER_DAY + draws.between(330, 600)
        stop.ended_at = last.released_at = released_at
        last.released_by = stop.outcome.removeprefix("cleared_") if draws.yes(0.7) else ""
        if stop.is_episode:
            self.unrepaired_at = stop.started_at
        self.resumed[day + late] = lane
        self.free_day = day + late + 2

    def shop_stop(
        self, attempt: int, fault: Fault, *, refused: bool = True, comeback_of: Visit | None = None
    ) -> None:
        """Refused until a shop has seen the trailer; unresolved where the window ends before."""
        received = int(self.plan.at[attempt])
        if refused:
            stop = self.refuse(attempt, "shop", fault, spread=0.3)
            self.retry_next_day(stop)
            last = stop.refusals[-1]
            last.released_by = self.draws.pick(("shop", "left_without_load", ""), (6, 2, 2))
            received = self.workshops.working_time(last.at + self.workshops.wait_min())
        else:
            stop = Stop("shop", received, [], fault=fault)
        stop.comeback_of = comeback_of
        visits = self.workshops.visits(fault, stop, received)
        if visits[-1].returned_at >= self.end:
            self.stand(stop, "unresolved")
            return
        if not refused:
            self.stops.append(stop)
        stop.visits, stop.outcome, stop.ended_at = visits, "repaired", visits[-1].returned_at
        self.visits += visits
        self.close(stop.started_at // MINUTES_PER_DAY, stop.ended_at // MINUTES_PER_DAY)
        self.after_repair(visits[-1], fault)

    def retry_next_day(self, stop: Stop) -> None:
        """Now and then the driver tries again the next morning, in vain: still the same episode."""
        last = stop.refusals[-1]
        day = last.at // MINUTES_PER_DAY + 1
        if day < self.scenario.days and self.draws.yes(0.1):
            at = day * MINUTES_PER_DAY + self.draws.between(360, 540)
            stop.refusals.append(self.refusal(at, last.lane, stop.kind, stop.fault))
            self.unrepaired_at = at

    # --- shops and sensors ---

    def after_repair(self, visit: Visit, fault: Fault) -> None:
        """New sensors, a second finding now and then, and whether the repair will hold."""
        draws, scenario, finding, at = self.draws, self.scenario, visit.findings[0], visit.returned_at
        if fault.cause == "sensor_failed":
            self.replace_sensor(finding, fault.position, at)
        elif fault.cause == "none_found" and draws.yes(scenario.good_sensors_replaced):
            finding.action = "sensor_replaced"
            self.replace_sensor(finding, visit.indicated or self.trailer.positions, at)
        if fault.cause != "none_found" and draws.yes(scenario.second_findings):
            worn = Fault("contact_wear", "socket", 0, "pulse_out")
            visit.findings.append(Finding(worn, "connection_cleaned"))
        self.fixed_at[fault.position] = at
        chance = dict(scenario.comebacks).get(finding.action, 0.0)
        if finding.action == "recrimped" and visit.shop.name == bad_shop(scenario):
            chance = scenario.shop_comeback
        if fault.cause not in NOT_THE_TRAILERS and draws.yes(chance):
            hidden = draws.pick(("bad_crimp", "corrosion"))
            again = draw_fault(draws, hidden, self.trailer.positions) if fault == NOTHING else fault
            days = 2 + (scenario.comeback_within_days - 5) * draws.unit()
            self.push(at + days * MINUTES_PER_DAY, "comeback", (visit, again))

    def replace_sensor(self, finding: Finding, position: int | None, at: int, lot: str = "") -> None:
        """A new sensor in the position, and the day on which it will fail."""
        assert position
        sensor = self.sensors.replace(finding, position, at, lot)
        self.push(sensor.ends_at, "sensor_end", sensor)

    def other_visit(self, attempt: int, kind: str) -> None:
        """An inspection, planned work or damage: no fault, but it may renew a sensor."""
        position = self.draws.between(1, self.trailer.positions)
        if kind == "damage":
            pinched = Fault("pinched_cable", "cable", position, "link")
            self.visit_unasked(attempt, kind, [Finding(pinched, "cable_replaced")])
        elif kind == "planned" and self.draws.yes(0.5):
            self.renew(attempt, [position])
        else:
            self.visit_unasked(attempt, kind, [Finding(NOTHING, "none")])

    def campaign(self, attempt: int, about: None) -> None:
        """Planned replacement of all sensors by ones of the planted lot."""
        self.renew(attempt, range(1, self.trailer.positions + 1), lot=BAD_LOT)

    def replace_stuck(self, attempt: int, sensor: Sensor) -> None:
        """A planned visit that ends the life of a sensor which failed without ever refusing a load."""
        if self.sensors.in_place[sensor.position] is sensor:
            self.renew(attempt, [sensor.position], cause="sensor_failed")
            sensor.end = "stuck" if sensor.ended_at is not None else sensor.end

    def renew(self, attempt: int, positions: Any, *, cause: str = "", lot: str = "") -> None:
        """Planned replacement of the sensors in these positions."""
        findings = [Finding(Fault(cause, "sensor", p, "sensor"), "sensor_replaced") for p in positions]
        if visit := self.visit_unasked(attempt, "planned", findings):
            for finding in findings:
                self.replace_sensor(finding, finding.fault.position, visit.returned_at, lot)

    def visit_unasked(self, attempt: int, kind: str, findings: list[Finding]) -> Visit | None:
        """A visit without a refusal; None where it would end after the window."""
        at = int(self.plan.at[attempt])
        visit = Visit(self.workshops.choose(at), kind, at, self.workshops.return_after(at), findings)
        if visit.returned_at >= self.end:
            return None
        self.visits.append(visit)
        self.close(at // MINUTES_PER_DAY, visit.returned_at // MINUTES_PER_DAY)
        return visit

    def proof_test(self, at: int) -> None:
        """A planned function test of every position; a stuck sensor is replaced some days later."""
        day, dry, wet = at // MINUTES_PER_DAY, self.scenario.stuck_dry, self.scenario.stuck_wet
        if not self.trailer.in_service(day, self.scenario.days):
            return
        for position, sensor in sorted(self.sensors.in_place.items()):
            result = self.draws.pick(("stuck_dry", "stuck_wet", "pass"), (dry, wet, 1 - dry - wet))
            self.proofs.append((day, position, result))
            if result != "pass":
                self.push(at + self.draws.between(3, 9) * MINUTES_PER_DAY, "replace_stuck", sensor)

    # --- loads ---

    def close(self, first: int, last: int) -> None:
        """No loads on days first..last, one on the day after; nothing begins before the day after that."""
        self.closed.append((first, last))
        self.resumed[last + 1] = None
        self.free_day = last + 2

    def loads(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Completed loads: day, lane number, how many; one row for each day and lane."""
        day, lane = self.plan.at // MINUTES_PER_DAY, self.plan.lane.copy()
        kept = np.ones(day.size, bool)
        for first, last in self.closed:
            kept &= (day < first) | (day > last)
        extra = []
        for resumed, at_lane in self.resumed.items():
            if at_lane is not None:
                lane[day == resumed] = at_lane
            in_service = self.trailer.in_service(resumed, self.scenario.days)
            if in_service and not (kept & (day == resumed)).any():
                extra.append((resumed, int(self.plan.lane[0]) if at_lane is None else at_lane))
        day = np.concatenate([day[kept], [d for d, _ in extra]]).astype(int)
        lane = np.concatenate([lane[kept], [n for _, n in extra]]).astype(int)
        keys, counts = np.unique(day * len(self.lanes) + lane, return_counts=True)
        return keys // len(self.lanes), keys % len(self.lanes), counts
