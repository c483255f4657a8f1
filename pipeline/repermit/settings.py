"""The thresholds that the rules of the house use, with the reason for each default.

May import nothing of the package but `errors`. A store keeps the settings that it was made with.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields


@dataclass(frozen=True)
class Settings:
    """Thresholds; units are in the names.

    episode_gap_h: refusals of one trailer further apart than this start a new episode.
    match_days: how long after an episode's start a visit may still be its repair, how long an episode
        without a load or a repair stays the same one, and how long one stays unresolved.
    clock_allowance_h: how far a shop's clock may run ahead of a terminal's.
    supply_low_volts, supply_high_volts: supply at the sensor with the whole five_wire chain connected
        (*common practice*); outside is advisory.
    level: confidence level of every interval.
    min_trailers: below this many trailers an interval speaks of these trailers only.
    refusal_cost: what one refused trailer costs beyond the shop's bill, in the currency; 0 = not stated.
    currency: what money columns are in; empty = not stated.
    """

    episode_gap_h: int = 12
    match_days: int = 14
    clock_allowance_h: int = 1
    supply_low_volts: int = 8
    supply_high_volts: int = 24
    level: float = 0.95
    min_trailers: int = 5
    refusal_cost: float = 0.0
    currency: str = ""

    def as_dict(self) -> dict[str, int | float | str]:
        """The settings by name, for `about.settings` and for the store."""
        return asdict(self)

    def thresholds(self) -> dict[str, int]:
        """The whole-number thresholds by name, to fill the `$name` places of the SQL files."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.type == "int"}
