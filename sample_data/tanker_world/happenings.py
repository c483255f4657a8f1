"""What can happen: refusals, stops, shop visits and their findings, sensors with their lives.

Touches nothing: plain data. Times are whole minutes from the first midnight (UTC) of the window.
"""

from dataclasses import dataclass, field

from .chain import Fault
from .scenario import MINUTES_PER_DAY, Draws, Scenario, Shop

BAD_LOT = "L-K7"


@dataclass(eq=False)
class Refusal:
    """A lane gave non-permit."""

    at: int
    lane: int
    reason: str
    indicated: int | None = None
    during_flow: bool = False
    released_by: str = ""
    released_at: int | None = None
    id: str = ""


@dataclass(eq=False)
class Sensor:
    """A sensor in a position, until it failed, was found stuck, or was replaced while good."""

    serial: str
    position: int
    lot: str
    born_at: int
    ends_at: float
    ended_at: int | None = None
    end: str = "in_service"


@dataclass(eq=False)
class Finding:
    """One finding of a visit."""

    fault: Fault
    action: str
    sensor_out: Sensor | None = None
    sensor_in: Sensor | None = None
    recorded: frozenset[str] = frozenset({"cause", "place", "position"})


@dataclass(eq=False)
class Visit:
    """A shop visit."""

    shop: Shop
    kind: str
    received_at: int
    returned_at: int
    findings: list[Finding]
    indicated: int | None = None
    indication: str = ""
    restored: bool = True
    refusal: Refusal | None = None
    id: str = ""


@dataclass(eq=False)
class Stop:
    """A refused trailer until it loads again; an episode where equipment was the reason."""

    kind: str
    started_at: int
    refusals: list[Refusal]
    outcome: str = ""
    ended_at: int | None = None
    fault: Fault | None = None
    visits: list[Visit] = field(default_factory=list)
    comeback_of: Visit | None = None

    @property
    def is_episode(self) -> bool:
        """Whether the equipment was the reason, the trailer's or the lane's."""
        return self.kind != "not_equipment"


class Sensors:
    """The sensors of one trailer: those in place, those removed, and how long each will live."""

    def __init__(self, scenario: Scenario, draws: Draws, trailer: int) -> None:
        self.scenario, self.draws, self.trailer = scenario, draws, trailer
        self.in_place: dict[int, Sensor] = {}
        self.removed: list[Sensor] = []

    def fit_first(self, position: int, born_at: int) -> Sensor:
        """Sensors replaced before the window left no record; the last of them is in place."""
        sensor = self.new(position, "", born_at)
        while sensor.ends_at < 0:
            sensor = self.new(position, "", int(sensor.ends_at))
        self.in_place[position] = sensor
        return sensor

    def new(self, position: int, lot: str, born_at: int) -> Sensor:
        """A sensor with its life drawn; its serial is given when it is known to matter."""
        scenario = self.scenario
        shape, scale = scenario.sensor_shape, scenario.sensor_scale_days
        if lot == BAD_LOT:
            shape, scale = scenario.lot_shape, scenario.lot_scale_days
        serial = f"S{self.trailer:04d}{len(self.in_place) + len(self.removed) + 1:03d}"
        ends_at = born_at + self.draws.weibull(shape, scale) * MINUTES_PER_DAY
        return Sensor(serial, position, lot, born_at, ends_at)

    def replace(self, finding: Finding, position: int, at: int, lot: str = "") -> Sensor:
        """Put a new sensor into the position; returns it."""
        old = self.in_place[position]
        if old.ended_at is None:
            old.ended_at, old.end = at, "replaced"
        new = self.new(position, lot or self.quarter_lot(at), at)
        self.removed.append(old)
        self.in_place[position] = new
        finding.sensor_out, finding.sensor_in = old, new
        return new

    def quarter_lot(self, at: int) -> str:
        """The lot that is on the shelf at this time."""
        start = self.scenario.starts_on
        year, month = divmod(start.month - 1 + at // (30 * MINUTES_PER_DAY), 12)
        return f"L{start.year + year}-{month // 3 + 1}"

    def all(self) -> list[Sensor]:
        """Every sensor that was in place during the window."""
        return self.removed + list(self.in_place.values())
