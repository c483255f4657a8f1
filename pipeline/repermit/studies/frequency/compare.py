"""Which rows of a table of rates stand apart: each row against all other rows together, adjusted for their number.

Takes `Rates`, gives `Comparisons`. May import `statistics`, `wording` and its neighbours. Where trailers differ, a row's
interval is wider than chance alone gives; by as much its count and exposure are taken as smaller ones here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from repermit.studies.frequency.rate_units import FINDING_KEYS
from repermit.studies.frequency.rates import Rate, Rates
from repermit.wording import estimate, named, number, seen, tally, whole, words

Per = Literal["load", "day"]


@dataclass(frozen=True)
class Comparison:
    """One row against the rest: ratio of rates with limits, p, and p adjusted for the number of rows.

    `p_holm` below 0.05 in any row is wrong for 1 table in 20 without differences (Holm); of the rows with a `q_value`
    below 0.05 one in 20 is expected to be wrong (Benjamini-Hochberg). None where nothing can be compared.
    """

    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    p_value: float | None
    p_holm: float | None
    q_value: float | None


@dataclass(frozen=True)
class Comparisons:
    """The rows of `rates` in their order, and whether rates are per load or per day."""

    rates: Rates
    per: Per
    rows: tuple[Comparison, ...]
    sentence: str

    def as_dicts(self) -> list[dict[str, Any]]:
        """For JSON, a row each."""
        return [{"compared_per": self.per} | vars(row) for row in self.rows]


def compare(rates: Rates) -> Comparisons:
    """Each row's rate over that of all other rows together; per load where loads are known, else per day.

    The rest has the faults and the exposure of the other rows, so by a key of the finding it is their mean rate.
    Trailers that stand in both, as by position, are taken as if they were others: the limits are then wide. A row
    whose finding is not recorded is no row of its own: it is neither compared nor part of the rest. Two rows ask
    one question, so that nothing is adjusted.
    """
    from repermit.statistics.comparison import dispersion, rate_ratio, rate_ratio_p
    from repermit.statistics.multiple import benjamini_hochberg, holm

    per: Per = "load" if rates.total.loads else "day"
    level = rates.about.level
    counts = [_counted(row, per) for row in rates.rows]
    own = dispersion([y for y, _, _ in counts], [low for _, _, low in counts], level).tolist()
    parts = [(y, e, y * times) for (y, e, _), times in zip(counts, own, strict=True)]
    total = [math.fsum(column) for column in zip(*parts, strict=True)] or [0.0] * 3
    found, p = [], []
    for (faults, exposure, variance), times in zip(parts, own, strict=True):
        rest, rest_exposure, rest_variance = total[0] - faults, total[1] - exposure, total[2] - variance
        others = max(rest_variance / rest, 1.0) if rest > 1e-9 else 1.0
        numbers = (
            faults / times,
            exposure / times,
            max(rest, 0.0) / others,
            max(rest_exposure, 0.0) / others,
        )
        found.append(rate_ratio(*numbers, level))
        p.append(rate_ratio_p(*numbers))
    two = sum(one == one for one in p) == 2
    after = (p, p) if two else (holm(p).tolist(), benjamini_hochberg(p).tolist())
    adjusted = zip(found, p, *after, strict=True)
    rows = tuple(Comparison(*(_known(x) for x in (*ratio, one, h, q))) for ratio, one, h, q in adjusted)
    return Comparisons(rates, per, rows, in_words(rates, rows, per))


def _is_known(row: Rate) -> bool:
    return row.keys.get("cause") == "none_found" or all(
        row.keys[k] is not None for k in row.keys if k in FINDING_KEYS
    )


def _counted(row: Rate, per: Per) -> tuple[float, float, float]:
    """Faults, exposure and the lower limit of the faults; zeros for a row that is not compared."""
    if per == "load":
        exposure, low = float(row.loads or 0), (row.per_1000_loads_low or 0.0) / 1000
    else:
        exposure, low = float(row.days or 0), 1 / row.mtbf_days_high if row.mtbf_days_high else 0.0
    if exposure == 0 or not _is_known(row):
        return 0.0, 0.0, 0.0
    return float(row.faults), exposure, low * exposure


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def in_words(rates: Rates, rows: tuple[Comparison, ...], per: Per) -> str:
    """Which rows stand apart after the adjustment, and how strongly; that none does, where none does."""
    told = []
    apart = [
        (row, c) for row, c in zip(rates.rows, rows, strict=True)
        if c.p_holm is not None and c.p_holm < 1 - rates.about.level
    ]  # fmt: skip
    for row, c in sorted(apart, key=lambda pair: pair[1].p_holm or 0.0):
        name = ", ".join(words(None if value is None else str(value)) for value in row.keys.values())
        times = estimate(c.ratio, c.ratio_low, c.ratio_high)
        p = "under 0.001" if (c.p_holm or 0) < 0.001 else f"= {number(c.p_holm, 2)}"
        told.append(f"{name}: {times} times the rate of the others from {seen_faults(row.faults)} (p {p})")
    compared = sum(c.p_value is not None for c in rows)
    if compared < 2:
        return "There are no two rows to compare."
    after = f"per {per}" if compared == 2 else f"adjusted for {whole(compared)} rows, per {per}"
    if not told:
        return f"No row stands apart from the others ({after})."
    return f"{named(told, '; ')}; {after}."


def seen_faults(faults: float) -> str:
    """A count of faults, or a sum of shares of faults, in words."""
    return seen(int(faults), "fault") if faults == int(faults) else f"{tally(faults)} faults"
