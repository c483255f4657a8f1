"""What can be set in the invented world: its places, its rates, what is planted in it, what is left out.

Touches nothing: data classes, one class of random draws and two ready scenarios (`SAMPLE`, `small`).
Everything here is invented. Rates are per 1,000 load attempts, shares are fractions, times are UTC.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, TypeVar

import numpy as np

T = TypeVar("T")
Weights = tuple[tuple[str, float], ...]
MINUTES_PER_DAY = 1440
PLANTED = ("shop", "lane", "season", "lot", "change", "month")


class Draws:
    """Random draws by inverse transforms of uniform numbers only, so that no numpy version changes them."""

    def __init__(self, *key: int) -> None:
        self.generator = np.random.Generator(np.random.PCG64(np.random.SeedSequence(key)))

    def unit(self) -> float:
        """One number, uniform on [0, 1)."""
        return float(self.generator.random())

    def units(self, size: int) -> np.ndarray:
        """`size` numbers, uniform on [0, 1)."""
        return self.generator.random(size)

    def yes(self, probability: float) -> bool:
        """True with this probability."""
        return self.unit() < probability

    def between(self, low: float, high: float) -> int:
        """A whole number, uniform on low..high, both included."""
        return int(low) + int(self.unit() * (int(high) - int(low) + 1))

    def pick(self, options: Sequence[T], weights: Sequence[float] | None = None) -> T:
        """One of the options, each with chance proportional to its weight."""
        if weights is None:
            return options[int(self.unit() * len(options))]
        left = self.unit() * math.fsum(weights)
        for option, weight in zip(options, weights, strict=True):
            left -= weight
            if left < 0:
                return option
        return options[-1]

    def word(self, weights: Weights) -> str:
        """One of the words, by weight."""
        return self.pick([w for w, _ in weights], [p for _, p in weights])

    def exponential(self, mean: float) -> float:
        """Exponential with this mean."""
        return -mean * math.log1p(-self.unit())

    def lognormal(self, median: float, sigma: float) -> float:
        """Lognormal: median and standard deviation of the logarithm."""
        radius = math.sqrt(-2 * math.log1p(-self.unit()))
        return median * math.exp(sigma * radius * math.cos(2 * math.pi * self.unit()))

    def weibull(self, shape: float, scale: float) -> float:
        """Weibull life from birth."""
        return scale * math.pow(-math.log1p(-self.unit()), 1 / shape)

    def gamma(self, shape: int) -> float:
        """Gamma with mean 1 and variance 1/shape, shape a whole number."""
        return math.fsum(self.exponential(1.0) for _ in range(shape)) / shape

    def shuffled(self, options: Sequence[T]) -> list[T]:
        """The options in random order."""
        return [options[i] for i in np.argsort(self.units(len(options)), kind="stable")]


@dataclass(frozen=True)
class Fleet:
    """A fleet: its share of the trailers and the shop that most of its trailers use."""

    name: str
    share: float
    home_shop: str


@dataclass(frozen=True)
class Shop:
    """A shop: clock offset, chance that its tester names the far end of an open link, price of an hour."""

    name: str
    code: str
    offset_hours: int
    names_next: float
    price_of_hour: float


@dataclass(frozen=True)
class Terminal:
    """A terminal: clock offset and lanes."""

    name: str
    code: str
    offset_hours: int
    lanes: tuple[str, ...]


@dataclass(frozen=True)
class Scenario:
    """Every knob. Hashable, so that a world can be cached by its scenario.

    `stops` are refusals that clear without a shop, `faults` go to a shop (first occurrences; comebacks,
    `none_found` that returns, and worn-out sensors come on top). `planted` names the effects that are on.
    """

    name: str = "Saltmarsh pool"
    seed: int = 1
    trailers: int = 60
    months: int = 36
    starts_on: date = date(2023, 1, 1)
    fleets: tuple[Fleet, ...] = (
        Fleet("Curlew", 0.46, "Ashlode"),
        Fleet("Dunlin", 0.22, "Brackmere"),
        Fleet("Godwit", 0.18, "Coldstaithe"),
        Fleet("Plover", 0.14, "Brackmere"),
    )
    shops: tuple[Shop, ...] = (
        Shop("Ashlode", "ASH", 0, 0.1, 82.0),
        Shop("Brackmere", "BRA", 1, 0.9, 76.0),
        Shop("Coldstaithe", "COL", 0, 0.5, 94.0),
    )
    terminals: tuple[Terminal, ...] = (
        Terminal("Eelmarrow", "E", 0, ("1", "2", "3", "4", "5")),
        Terminal("Osierhythe", "O", 1, ("A", "B", "C", "D")),
        Terminal("Quernwick", "Q", 0, ("1", "2", "3")),
    )
    two_wire: float = 0.2
    loads_per_month: float = 70.0
    entering: float = 0.1
    sold: float = 0.08
    leaving: float = 0.03
    stranded: float = 0.04

    stops: Weights = (
        ("residual", 2.0),
        ("rack", 0.30),
        ("plug", 0.62),
        ("ground", 0.36),
        ("cold", 0.42),
        ("not_equipment", 0.36),
    )
    faults: Weights = (
        ("bad_crimp", 0.23),
        ("corrosion", 0.145),
        ("none_found", 0.28),
        ("residual_liquid", 0.155),
        ("contact_wear", 0.155),
        ("nicked_conductor", 0.11),
        ("low_supply", 0.06),
        ("open_ground", 0.05),
        ("liquid_present", 0.035),
        ("rack_equipment", 0.03),
    )
    repair_only: float = 0.03
    frailty_shape: int = 4
    sensor_shape: float = 1.8
    sensor_scale_days: float = 8000.0
    comebacks: Weights = (
        ("recrimped", 0.08),
        ("connection_cleaned", 0.10),
        ("sensor_cleaned", 0.05),
        ("cable_replaced", 0.02),
        ("socket_replaced", 0.02),
        ("none", 0.20),
    )
    comeback_within_days: float = 60.0
    other_visits_per_year: float = 0.25
    stuck_dry: float = 0.003
    stuck_wet: float = 0.001

    named: float = 0.5
    further_visits: float = 0.03
    missing: float = 0.26
    unpriced: float = 0.15
    date_only: float = 0.2
    second_findings: float = 0.03
    good_sensors_replaced: float = 0.2

    planted: tuple[str, ...] = PLANTED
    shop_comeback: float = 0.5
    lane_per_1000: float = 9.0
    season_ratio: float = 8.0
    lot_size: int = 22
    lot_shape: float = 1.3
    lot_scale_days: float = 300.0
    change_ratio: float = 0.5
    month_ratio: float = 3.0

    dirt: bool = False

    @property
    def days(self) -> int:
        """Length of the window in days."""
        return self.month_starts()[-1]

    def month_starts(self) -> list[int]:
        """Day number of the first of each month, and of the day after the window."""
        first = self.starts_on.year * 12 + self.starts_on.month - 1
        months = [divmod(first + i, 12) for i in range(self.months + 1)]
        return [(date(year, month + 1, 1) - self.starts_on).days for year, month in months]

    def lanes(self) -> list[tuple[Terminal, str]]:
        """All lanes of all terminals, in the order that lane numbers follow."""
        return [(terminal, lane) for terminal in self.terminals for lane in terminal.lanes]

    def planted_days(self) -> dict[str, int]:
        """Day number on which each effect starts; only of those that are on."""
        months = self.month_starts()
        at = {
            "shop": 0.0,
            "lane": 0.55,
            "season": 0.0,
            "lot": 0.17,
            "change": 0.5,
            "month": 0.81,
        }
        return {name: months[int(at[name] * self.months)] for name in self.planted}


SAMPLE = Scenario(seed=14, dirt=True)


def small(seed: int, **changes: Any) -> Scenario:
    """A small clean world for tests: nothing planted, nothing dirty, nothing that the rules leave open."""
    clean = Scenario(
        name=f"small {seed}",
        seed=seed,
        trailers=12,
        months=12,
        planted=(),
        date_only=0.0,
        second_findings=0.0,
        good_sensors_replaced=0.0,
        stuck_dry=0.0,
        stuck_wet=0.0,
    )
    return replace(clean, **changes)
