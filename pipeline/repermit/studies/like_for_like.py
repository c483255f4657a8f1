"""Like for like: one trailer against the others of its fleet, one fleet against the trailers of others.

Counts and exposures in, what they allow to say out. May import `settings` and `statistics`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any, Literal

from repermit.settings import Settings

Verdict = Literal["more", "fewer", "about_the_same", "too_few"]
Units = list[dict[str, Any]]
"""Rows by trailer: trailer_id, fleet, ours, system, positions, and the sums us (at risk), loads, n (faults)."""

SAME = 1.5
"""About the same: limits that leave room for neither so many times as many faults nor so many times fewer."""
LEAST_FAULTS = 2
"""A single fault is never called clearly more, however short the trailer's time in the fleet."""
US_PER_YEAR = 365.25 * 86_400e6


@dataclass(frozen=True)
class Against:
    """This fleet's rate with limits, the other fleets' for the same kinds of trailer, and their ratio with limits.

    `compared`: the share of this fleet's exposure that is of a kind of which other fleets have enough trailers;
    `trailers` of this fleet and `others_trailers` of others stand behind it. Undefined is None.
    """

    per: str
    rate: float | None
    low: float | None
    high: float | None
    others: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    verdict: Verdict
    trailers: int
    others_trailers: int
    compared: float


def clearly_more(faults: dict[str, int], exposure: dict[str, float], alpha: float = 0.05) -> set[str]:
    """The units whose count stands clearly above what the others bring for the same exposure.

    Were all units alike, a unit's faults would be binomial given the faults of all, with its share of the exposure:
    the exact comparison of two Poisson counts, which allows for the chance in the others' count too (Przyborowski &
    Wilenski 1940). Of the tail probabilities those are taken that Holm's step-down procedure (1979) rejects, so
    that among alike units one is named with probability `alpha` at most. Fewer than two units with exposure, or no
    faults: none. Ties are taken or left together.
    """
    from scipy.special import betainc

    of = {name: e for name, e in exposure.items() if e > 0}
    total, whole = sum(faults.get(name, 0) for name in of), sum(of.values())
    if len(of) < 2 or not total:
        return set()
    tails = {
        name: float(betainc(faults[name], total - faults[name] + 1, e / whole)) if faults.get(name) else 1.0
        for name, e in of.items()
    }
    found: set[str] = set()
    for rank, name in enumerate(sorted(tails, key=lambda n: (tails[n], n))):
        if tails[name] * (len(tails) - rank) > alpha:
            break
        found.add(name)
    return {name for name in found if faults[name] >= LEAST_FAULTS}


def against_others(units: Units, settings: Settings) -> tuple[Against, ...]:
    """By trailer and year, and by 1,000 loads where the fleet's loads are on record."""
    found = [_against(units, "trailer_year", "us", US_PER_YEAR, settings)]
    if any(unit["loads"] for unit in units if unit["ours"]):
        found.append(_against(units, "1000_loads", "loads", 1000.0, settings))
    return tuple(found)


def _against(units: Units, per: str, of: str, scale: float, settings: Settings) -> Against:
    """This fleet against the others, kind by kind of trailer (system and positions).

    Kinds of which the others have fewer than `min_trailers` are put together; if these are still too few, they are
    left out. The others' rate is weighted to this fleet's mix. Limits of the ratio are the wider of two: exact ones
    given the sum of the faults (`rate_ratio`), the others' faults counted as what they weigh (rate^2 / variance,
    Fay & Feuer 1997), and this fleet's own limits, which allow for trailers that differ, over the others' rate.
    """
    from repermit.statistics.comparison import rate_ratio
    from repermit.statistics.rates import rate_intervals

    kinds = _kinds(units, of, settings.min_trailers)
    ours = [u for u in units if u["ours"] and _kind(u) in kinds]
    here = _by_kind(ours, kinds, of, scale)
    theirs = [u for u in units if not u["ours"] and kinds.get(_kind(u)) in here]
    there = _by_kind(theirs, kinds, of, scale)
    exposure = sum(e for _, e in here.values())
    whole = sum(u[of] for u in units if u["ours"]) / scale
    counts = sum(u[of] > 0 for u in ours), sum(u[of] > 0 for u in theirs)
    if not exposure:
        return Against(per, None, None, None, None, None, None, None, "too_few", *counts, 0.0)
    weights = {kind: e / exposure for kind, (_, e) in here.items()}
    others = sum(w * there[kind][0] / there[kind][1] for kind, w in weights.items())
    variance = sum(w**2 * there[kind][0] / there[kind][1] ** 2 for kind, w in weights.items())
    weighed = others**2 / variance if variance else 0.0
    their_exposure = weighed / others if others else sum(e for _, e in there.values())
    own = rate_intervals(
        [u["n"] for u in ours],
        [u[of] / scale for u in ours],
        [0] * len(ours),
        1,
        level=settings.level,
        min_units=settings.min_trailers,
    )
    rate, rate_low, rate_high = (float(x[0]) for x in (own.rate, own.low, own.high))
    faults = sum(n for n, _ in here.values())
    ratio, low, high = rate_ratio(faults, exposure, weighed, their_exposure, settings.level)
    if others:
        low, high = min(low, rate_low / others), max(high, rate_high / others)
    limits = _finite(ratio), low, _finite(high), verdict(low, high)
    return Against(per, rate, rate_low, rate_high, others, *limits, *counts, exposure / whole)


Kind = tuple[Any, Any]


def _kind(unit: dict[str, Any]) -> Kind:
    return unit["system"], unit["positions"]


def _kinds(units: Units, of: str, least: int) -> dict[Kind, Kind | tuple[()]]:
    """What each kind of trailer is compared as: itself, or () for those put together; without those left out."""
    theirs: dict[Kind, int] = defaultdict(int)
    for unit in units:
        theirs[_kind(unit)] += bool(not unit["ours"] and unit[of] > 0)
    rest = sum(n for n in theirs.values() if n < least)
    return {kind: kind if n >= least else () for kind, n in theirs.items() if n >= least or rest >= least}


def _by_kind(
    units: Units, kinds: dict[Kind, Kind | tuple[()]], of: str, scale: float
) -> dict[Kind | tuple[()], tuple[int, float]]:
    """Faults and exposure of each kind."""
    found: dict[Kind | tuple[()], tuple[int, float]] = {}
    for unit in units:
        kind = kinds[_kind(unit)]
        n, e = found.get(kind, (0, 0.0))
        found[kind] = (n + unit["n"], e + unit[of] / scale)
    return found


def verdict(low: float, high: float) -> Verdict:
    """What the limits of a ratio to the others allow to say."""
    if low > 1:
        return "more"
    if high < 1:
        return "fewer"
    return "about_the_same" if low >= 1 / SAME and high <= SAME else "too_few"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
