"""Are trailers getting better or worse: tests of trend, the power-law process, faults by age, groups compared.

Marts in, `Trends` out. May import `errors`, `statistics`, `warehouse` and its neighbours. Each trailer is
watched on its own window of service within the records; all records before the window's end are used.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.ages.histories import (
    KEYS,
    MINUTES_PER_DAY,
    ByMonth,
    Histories,
    by_month,
    histories,
    on_all_records,
)
from repermit.studies.ages.loads_or_days import Clock, loads_or_days
from repermit.studies.ages.trend_words import MIN_FAULTS, Verdict, compared_in_words, in_words
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, once, settings_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from repermit.statistics.recurrence import MeanCumulative
    from repermit.statistics.trend import SeasonalCounts, SeasonalTest

    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]

RECENT_DAYS = 90
"""What counts as now."""
AT_ONCE = 2
"""Groups answered at a time: each draws its own units again and again, with memory for all the draws."""
SEASON_DAYS = 720
"""24 months: with less, a season looks like a trend."""
COMPARED = (
    "compared_from_age_days",
    "compared_to_age_days",
    "more_than_rest",
    "more_than_rest_low",
    "more_than_rest_high",
)


@dataclass(frozen=True)
class Point:
    """The mean cumulative number of faults of a trailer by one age, with limits; None where they can't be told."""

    age_days: float
    at_risk: int
    per_trailer: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Trend:
    """One group. What can't be told is None; z above 0 is worsening.

    `season_robust_z`: the robust test with the season taken out, from which the verdict comes; its p is adjusted
    for the number of groups asked about (Holm).
    `more_than_rest`: faults a trailer less those of all other trailers of the selection, between the first age
    and the last at which enough trailers of both are watched; the limits hold for all groups at once (Bonferroni).
    """

    key: str | None
    trailers: int
    faults: int
    days: float
    laplace_z: float | None
    laplace_p: float | None
    laplace_robust_z: float | None
    season_robust_z: float | None
    season_robust_p: float | None
    season_robust_p_adjusted: float | None
    chi2_189: float | None
    chi2_189_p: float | None
    lewis_robinson_z: float | None
    power_law_shape: float | None
    power_law_shape_low: float | None
    power_law_shape_high: float | None
    power_law_fit_p: float | None
    mtbf_now_days: float | None
    mtbf_now_days_low: float | None
    mtbf_now_days_high: float | None
    compared_from_age_days: float | None
    compared_to_age_days: float | None
    more_than_rest: float | None
    more_than_rest_low: float | None
    more_than_rest_high: float | None
    verdict: Verdict
    sentence: str
    curve: MeanCumulative = field(repr=False, compare=False)

    @cached_property
    def points(self) -> tuple[Point, ...]:
        """Faults a trailer has had by age; none is made before it is asked for, as there are as many as faults."""
        rows = (self.curve.age, self.curve.at_risk, self.curve.mean, self.curve.low, self.curve.high)
        return tuple(
            Point(age, at_risk, mean, _known(low), _known(high))
            for age, at_risk, mean, low, high in zip(*(row.tolist() for row in rows), strict=True)
        )

    @property
    def compared(self) -> str:
        """How it stands against all other trailers, in words."""
        limits = self.more_than_rest, self.more_than_rest_low, self.more_than_rest_high
        return compared_in_words(*limits, self.compared_from_age_days, self.compared_to_age_days)

    @property
    def apart(self) -> bool:
        """Whether its trailers are shown to have more or fewer faults than the others."""
        low, high = self.more_than_rest_low, self.more_than_rest_high
        return low is not None and high is not None and (low > 0 or high < 0)

    def as_dict(self, by: str) -> dict[str, Any]:
        """For JSON: the key under its own name; without the points."""
        names = [name for name in self.__dataclass_fields__ if name not in ("key", "curve")]
        return {by: self.key} | {name: getattr(self, name) for name in names}


@dataclass(frozen=True)
class Trends:
    """The rows by one key, all trailers together, which clock explains their faults better, and how many faults are
    left out as they lie before their trailer's records."""

    about: About
    by: str | None
    rows: tuple[Trend, ...]
    total: Trend
    clock: Clock
    left_out: int

    def about_dict(self) -> dict[str, Any]:
        """The head of the answer for JSON, with all trailers together and the clock."""
        return self.about.as_dict() | {
            "sentence": self.total.sentence,
            "all": self.total.as_dict("key"),
            "clock": vars(self.clock),
            "before_records": self.left_out,
        }


def parse_by(text: str) -> str:
    """The key of `--by`. Raises CallError for another."""
    if text not in KEYS:
        raise CallError(f"trend cannot be told by {text!r}", hint=f"Choose one of {', '.join(KEYS)}.")
    return text


@once
def trend(con: Connection, store: str, selection: Selection, by: str | None = None) -> Trends:
    """Trend of the selection's trailers by the key `by` (None: only together)."""
    import numpy as np

    from repermit.statistics.multiple import holm

    selection = on_all_records(con, selection)
    settings = settings_of(con)
    h = histories(con, selection, by)
    cells = by_month(con, h, selection.window)
    groups = [h.key == code for code in range(len(h.names))] if by else []
    at_once = 1 - (1 - settings.level) / (
        len(groups) if len(groups) > 2 else 1
    )  # two groups ask one question
    asked = _Asked(h, cells, selection.window.end, settings.level, at_once, settings.min_trailers)
    seasonal = [asked.season.trend(mine) for mine in groups]
    adjusted = holm([test.p for test in seasonal]).tolist()
    every = np.ones(h.units, dtype=bool)
    together = asked.season.trend(every)
    compare = by != "trailer"
    with ThreadPoolExecutor(AT_ONCE) as pool:  # all together takes longest, so it goes first
        all_ = pool.submit(asked.answer, every, "all", together, together.p, compare=False)
        clock = pool.submit(loads_or_days, cells, h.trailers(every), settings.level)
        rows = [
            pool.submit(asked.answer, mine, h.names[code], seasonal[code], adjusted[code], compare=compare)
            for code, mine in enumerate(groups)
        ]
        total, found = all_.result(), tuple(row.result() for row in rows)
    return Trends(about(con, store, selection), by, found, total, clock.result(), h.left_out)


class _Asked:
    """The histories of a selection, in order of time and of age, and the season that all its trailers share."""

    def __init__(
        self, h: Histories, cells: ByMonth, end: date, level: float, at_once: float, min_trailers: int
    ) -> None:
        from repermit.statistics.recurrence import Timeline

        self.h, self.level, self.at_once, self.min_trailers = h, level, at_once, min_trailers
        self.recent_from = _minute(end) - RECENT_DAYS * MINUTES_PER_DAY
        self.season, self.recent_days = _season(cells), h.days_since(self.recent_from)
        self.since, self.until = h.since - h.born[h.unit], h.until - h.born[h.unit]
        self.age = h.fault_at - h.born[h.fault_unit]
        self.timeline = Timeline(self.age, h.trailer[h.fault_unit], self.since, self.until, h.trailer[h.unit])

    def answer(
        self, mine: BoolArray, key: str | None, seasonal: SeasonalTest, p_adjusted: float, *, compare: bool
    ) -> Trend:
        """One group of units; `p_adjusted` is the p of the seasonal test, adjusted for the groups asked about."""
        h = self.h
        tests, law, ages = self._tests(mine), self._power_law(mine), self._ages(mine)
        z, p = _known(seasonal.z), _known(p_adjusted)
        span = int(h.last[mine].max() - h.first[mine].min()) / MINUTES_PER_DAY if mine.any() else 0.0
        trailers, faults = h.trailers(mine), tests["faults"]
        verdict = _verdict(faults, z, p, span, self.level)
        now = law["mtbf_now_days"], law["mtbf_now_days_low"], law["mtbf_now_days_high"]
        return Trend(
            key=key,
            trailers=trailers,
            days=float(h.days[mine].sum()),
            season_robust_z=z,
            season_robust_p=_known(seasonal.p),
            season_robust_p_adjusted=p,
            verdict=verdict,
            sentence=in_words(verdict, faults, trailers, span, p, now),
            curve=self._curve(mine, ages),
            **tests,
            **law,
            **(self._against_rest(mine, ages) if compare else dict.fromkeys(COMPARED)),
        )

    def _own(self, mine: BoolArray) -> tuple[BoolArray, IntArray]:
        """Which faults are of the chosen units, and whose, in codes from 0."""
        import numpy as np

        faults = mine[self.h.fault_unit] if self.h.units else np.zeros(0, dtype=bool)
        return faults, (np.cumsum(mine) - 1)[self.h.fault_unit[faults]]

    def _tests(self, mine: BoolArray) -> dict[str, Any]:
        """Tests on the clock of days at risk, on which visits and gaps take no time."""
        import numpy as np

        from repermit.statistics.trend import lewis_robinson, trend_tests

        faults, unit = self._own(mine)
        days = self.h.days[mine]
        tests = trend_tests(self.h.fault_days[faults], unit, np.zeros(days.size), days)
        one = lewis_robinson(self.h.fault_days[faults], 0.0, float(days[0])) if days.size == 1 else None
        return {
            "faults": tests.events,
            "laplace_z": _known(tests.laplace_z),
            "laplace_p": _known(tests.laplace_p),
            "laplace_robust_z": _known(tests.robust_z),
            "chi2_189": _known(tests.chi2),
            "chi2_189_p": _known(tests.chi2_p),
            "lewis_robinson_z": _known(one),
        }

    def _power_law(self, mine: BoolArray) -> dict[str, Any]:
        """The power-law process by age, and days at risk over expected faults in the last days before the end."""
        import numpy as np

        from repermit.statistics.power_law import power_law

        h = self.h
        faults, unit = self._own(mine)
        age = self.age[faults] / MINUTES_PER_DAY
        start, end = ((t - h.born)[mine] / MINUTES_PER_DAY for t in (h.first, h.last))
        recent = np.maximum(h.last[mine] - self.recent_from, 0) / MINUTES_PER_DAY
        at_risk = self.recent_days[mine]
        now = bool((recent > 0).any())
        law = power_law(
            age, unit, start, end, level=self.level, recent=recent if now else None, at_risk_recent=at_risk if now else None
        )  # fmt: skip
        return {
            "power_law_shape": _known(law.shape),
            "power_law_shape_low": _known(law.low),
            "power_law_shape_high": _known(law.high),
            "power_law_fit_p": _known(law.fit_p),
            "mtbf_now_days": _known(law.mean_now) if now else None,
            "mtbf_now_days_low": _known(law.mean_now_low) if now else None,
            "mtbf_now_days_high": _known(law.mean_now_high) if now else None,
        }

    def _ages(self, mine: BoolArray) -> tuple[float, float]:
        """The longest run of ages, in minutes, at which `min_trailers` or more are at risk; all where never so many are."""
        if mine.sum() < self.min_trailers:
            return 0.0, math.inf
        return self.timeline.longest(mine[self.h.fault_unit], mine[self.h.unit], self.min_trailers)

    def _curve(self, mine: BoolArray, ages: tuple[float, float]) -> MeanCumulative:
        """Mean cumulative faults by age of the chosen units, counted over these ages; of few trailers without limits."""
        import numpy as np

        from repermit.statistics.recurrence import mean_cumulative

        h = self.h
        there, faults = mine[h.unit], mine[h.fault_unit]
        start, stop = np.maximum(self.since[there], ages[0]), np.minimum(self.until[there], ages[1])
        faults &= (self.age > ages[0]) & (self.age <= ages[1])
        kept = start < stop
        curve = mean_cumulative(
            self.age[faults] / MINUTES_PER_DAY, h.trailer[h.fault_unit[faults]],
            start[kept] / MINUTES_PER_DAY, stop[kept] / MINUTES_PER_DAY, h.trailer[h.unit[there]][kept],
            resolution=1 / MINUTES_PER_DAY, level=self.level,
        )  # fmt: skip
        none = np.full(curve.age.size, math.nan)
        return replace(curve, low=none, high=none) if curve.units < self.min_trailers else curve

    def _against_rest(self, mine: BoolArray, own: tuple[float, float]) -> dict[str, float | None]:
        """Ages from and to, difference and its limits, by the names of COMPARED; `own`: the ages of these units."""
        if min(mine.sum(), (~mine).sum()) < self.min_trailers:
            return dict.fromkeys(COMPARED)
        others = self._ages(~mine)
        since, until = max(own[0], others[0]), min(own[1], others[1])
        if not since < until < math.inf:
            return dict.fromkeys(COMPARED)
        h = self.h
        apart = self.timeline.apart(mine[h.fault_unit], mine[h.unit], since, until, self.at_once)
        if apart is None:
            return dict.fromkeys(COMPARED)
        ages = since / MINUTES_PER_DAY, until / MINUTES_PER_DAY
        return dict(zip(COMPARED, (*ages, apart.difference, apart.low, apart.high), strict=True))


def _season(cells: ByMonth) -> SeasonalCounts:
    import numpy as np

    from repermit.statistics.trend import SeasonalCounts

    units = cells.days.shape[1]
    unit = np.tile(np.arange(units), cells.month.size)
    return SeasonalCounts(cells.faults.ravel(), cells.days.ravel(), unit, np.repeat(cells.month, units))


def _minute(day: date) -> int:
    import numpy as np

    return int(np.datetime64(day, "m").astype(np.int64))


def _known(value: float | None) -> float | None:
    return None if value is None or value != value else float(value)


def _verdict(faults: int, z: float | None, p: float | None, span_days: float, level: float) -> Verdict:
    if span_days < SEASON_DAYS:
        return "season_not_separable"
    if z is None or p is None or p >= 1 - level or faults < MIN_FAULTS:
        return "no_change_shown"
    return "worse" if z > 0 else "better"
