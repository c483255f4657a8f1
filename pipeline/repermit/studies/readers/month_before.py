"""A month against the one before it, in all and by cause, and each cause against its own months of the year before.

Results in, `MonthBefore` out. May import `statistics`, `wording` and its neighbours. That a figure moved is no news;
the p here says how often chance alone moves it so far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from repermit.wording import estimate, number, seen, whole, words

SHOWN = 0.05
"""A difference is shown where chance alone makes one as great at most so often, all causes looked at."""
LEAST_MONTHS = 3
"""Of fewer months before, nobody can say what is usual for a cause."""


@dataclass(frozen=True)
class Counted:
    """Faults and exposure (loads, or days where no loads are on record) of a month."""

    month: str
    faults: int
    exposure: float


@dataclass(frozen=True)
class CauseMoved:
    """One cause: faults in the month, in the one before, and usual in a month of so much exposure.

    `p`: how often chance alone is as far from the usual, adjusted for the number of causes (Holm). `usual` and `p` are
    None where too few months lie before.
    """

    cause: str | None
    faults: int
    before: int
    usual: float | None
    p: float | None


@dataclass(frozen=True)
class MonthBefore:
    """`ratio`: the rate of the month over that of the one before, with limits; None where one of them has no faults or
    no exposure. `p`: how often chance alone makes as great a difference. `wider`: how many times more than chance
    counts scatter, which limits and p allow for.
    """

    this: Counted
    before: Counted | None
    ratio: float | None
    low: float | None
    high: float | None
    p: float | None
    wider: float
    causes: tuple[CauseMoved, ...]

    def sentence(self) -> str:
        """What moved, and whether chance alone moves so much."""
        if self.before is None:
            return "No month before it is on record."
        now, then = (seen(c.faults, "fault") if c.faults else "no faults" for c in (self.this, self.before))
        moved = f"{now[0].upper()}{now[1:]}, after {then} in {self.before.month}"
        if self.ratio is not None and self.p is not None:
            moved += f": {estimate(self.ratio, self.low, self.high)} times the rate, which chance alone {_often(self.p)}"
        return f"{moved}. {self._of_causes()}"

    def _of_causes(self) -> str:
        judged = [c for c in self.causes if c.p is not None]
        if not judged:
            return "Too few months lie before to say what is usual for a cause."
        shown = [c for c in judged if c.p is not None and c.p <= SHOWN]
        if not shown:
            if judged[0].cause is None and len(judged) == 1:
                return "No cause is on record, so none can be told from its usual number."
            return (
                f"Of {seen(len(judged), 'cause')} none is further from its usual number than chance brings."
            )
        told = "; ".join(
            f"{words(c.cause)}, {whole(c.faults)} where {number(c.usual)} is usual (p = {number(c.p, 2)}, all causes looked at)"
            for c in shown
        )
        return f"Further from the usual than chance brings: {told}."


def _often(p: float) -> str:
    return f"seldom makes (p = {number(p, 2)})" if p <= SHOWN else f"can make (p = {number(p, 2)}): no signal"


def month_before(
    months: tuple[Counted, ...], causes: dict[str | None, dict[str, int]], wider: float, level: float
) -> MonthBefore:
    """The last of `months` (in order, a year of them) against those before it.

    `causes`: faults by cause and month. Counts that scatter `wider` times more than chance count as fewer.
    """
    from repermit.statistics.comparison import rate_ratio, rate_ratio_p
    from repermit.statistics.multiple import holm

    this, earlier = months[-1], months[:-1]
    before = earlier[-1] if earlier else None
    ratio, low, high, p = (math.nan,) * 4
    if before is not None:
        a, b = this.faults / wider, before.faults / wider
        ratio, low, high = rate_ratio(a, this.exposure, b, before.exposure, level)
        p = rate_ratio_p(a, this.exposure, b, before.exposure)
    exposure = sum(c.exposure for c in earlier)
    enough = len(earlier) >= LEAST_MONTHS and exposure > 0
    found, chances = [], []
    for cause, by_month in causes.items():
        mine, rest = by_month.get(this.month, 0), sum(by_month.get(c.month, 0) for c in earlier)
        usual = rest / exposure * this.exposure if enough else None
        chances.append(
            rate_ratio_p(mine / wider, this.exposure, rest / wider, exposure) if enough else math.nan
        )
        found.append((cause, mine, by_month.get(before.month, 0) if before else 0, usual))
    adjusted = holm(chances).tolist() if chances else []
    moved = tuple(CauseMoved(*row, _known(q)) for row, q in zip(found, adjusted, strict=True))
    if not (math.isfinite(ratio) and ratio > 0):
        ratio = low = high = math.nan
    return MonthBefore(this, before, _known(ratio), _known(low), _known(high), _known(p), wider, moved)


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
