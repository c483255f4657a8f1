"""The pieces of sensors' lives as counts by pattern: their groups, the fit, the curve and the row of a group.

Numbers in, rows out; asks no store. May import `statistics` and its neighbours.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from repermit.studies.ages.life_costs import Costs, replacement
from repermit.studies.ages.life_row import Life, Point, Shape, Verdict
from repermit.studies.frequency.like_for_like import clearly_more

if TYPE_CHECKING:
    from repermit.statistics.weibull import WeibullFit

LEAST_FAILURES = 5
"""Fewer failures give no verdict."""
SAME = 1.5
"""Random: limits of the shape within so many times of 1, either way."""
QUARTER_DAYS = 91


class Pool:
    """The pieces of lives as counts by pattern, and what they add up to."""

    def __init__(self, columns: Mapping[str, Any], failed_share: float) -> None:
        import numpy as np

        self.key, self.lot, ending = (
            np.array(np.ma.asarray(columns[name]).tolist(), dtype=object) for name in ("key", "lot", "ending")
        )
        self.known, self.first, self.in_place = (
            np.asarray(columns[name], dtype=bool) for name in ("birth_known", "first", "in_place")
        )
        self.count, one_of, self.gap, self.entry, self.until = (
            np.asarray(columns[name], dtype=float) for name in ("n", "one_of", "gap", "entry", "until")
        )
        surely, perhaps = ending == "failed", ending == "cause_missing"
        self.failed = np.where(surely, 1.0, np.where(perhaps, failed_share, 0.0)) / one_of
        self.replaced = np.where(surely | perhaps | (ending == "replaced"), 1 / one_of, 0.0) - self.failed
        self.least = surely & (one_of == 1)
        days = float(self.count @ (self.until - self.entry)) if self.count.size else 0.0
        self.other_rate = float(self.count @ self.replaced) / days if days else 0.0

    def keys(self, known_only: bool) -> list[Any]:
        """The keys in order, those not recorded last."""
        found = set(self.key[self.known].tolist() if known_only else self.key.tolist())
        return sorted(found, key=lambda k: (k is None, isinstance(k, str), k if k is not None else 0))

    def of(self, key: Any) -> Any:
        """Which patterns have this key."""
        import numpy as np

        return np.array([k == key for k in self.key.tolist()], dtype=bool)

    def bad_lots(self, alpha: float) -> set[str]:
        """The lots that stand out. Mixed with others their sensors would look like early failure of all."""
        lots = sorted({lot for lot in self.lot[self.known].tolist() if lot is not None})
        return self.compare(self.lot, [*lots, None], alpha)[0]

    def compare(self, by: Any, keys: list[Any], alpha: float) -> tuple[set[str], float | None]:
        """Keys whose sensors of known birth fail clearly more than the rest at the same ages, and the log-rank p."""
        import numpy as np

        from repermit.statistics.log_rank import log_rank
        from repermit.statistics.survival import expected_events

        rows = np.repeat(np.flatnonzero(self.known), self.count[self.known].astype(int))
        if not rows.size or not self.failed[rows].any():
            return set(), None
        time, failed, entry = self.until[rows], self.failed[rows], self.entry[rows]
        number = {key: i for i, key in enumerate(keys)}
        group = np.array([number[key] for key in by[rows].tolist()])
        expected = np.bincount(group, expected_events(time, failed, entry=entry), len(keys))
        observed = np.bincount(group, failed, len(keys))
        test = log_rank(time, failed, group, len(keys), entry=entry) if len(keys) > 1 else None
        standing = clearly_more(
            {str(i): float(observed[i]) for i in range(len(keys))},
            {str(i): float(expected[i]) for i in range(len(keys))},
            alpha,
        )
        named = {key for key, i in number.items() if key is not None and str(i) in standing}
        return named, test.p if test and test.degrees else None

    def fit(self, mine: Any, level: float) -> WeibullFit:
        """The most likely Weibull distribution of these patterns, unknown births included."""
        from repermit.statistics.renewal import unknown_births
        from repermit.statistics.weibull import fit_weibull

        known, other = mine & self.known, mine & ~self.known
        unknown = None
        if other.any():
            unknown = unknown_births(
                self.gap[other],
                self.until[other],
                self.failed[other],
                entry=self.entry[other],
                weights=self.count[other],
                other_rate=self.other_rate,
            )
        return fit_weibull(
            self.until[known],
            self.failed[known],
            entry=self.entry[known],
            weights=self.count[known],
            unknown=unknown,
            level=level,
        )

    def row(
        self, key: Any, mine: Any, out: Any, most: int, level: float, costs: Costs, standing: set[str] | None
    ) -> Life:
        """One row over the patterns `mine` but for those left out."""
        left_out, mine = int(self.count[mine & out & self.first].sum()), mine & ~out
        fit = self.fit(mine, level)
        every = self._shape(mine, fit)
        alone = mine & self.known
        known = every if (alone == mine).all() else self._shape(alone, self.fit(alone, level))
        verdict = every.verdict if every.verdict in (known.verdict, "too_few") else "not_shown"
        advice = replacement(fit, costs) if verdict == "wear_out" else None
        fitted = standing is not None and bool((alone == mine).all())
        here = mine & self.in_place
        return Life(
            key=key,
            all=every,
            known=known,
            left_out=left_out,
            failures_least=int(self.count[mine & self.least].sum()),
            failures_most=most,
            oldest_days=float((self.until + self.gap * ~self.known)[mine].max(initial=0.0)),
            verdict=verdict,
            replace_at_days=advice.at_days if advice else None,
            saving=advice.saving if advice else (None, None, None),
            flat_days=advice.flat_days if advice else (None, None),
            costs=costs,
            in_service=int(self.count[here].sum()) if fitted else None,
            expected_91d=self._expected(here, fit) if fitted else (None, None, None),
            stands_out=key in standing if standing is not None else None,
        )

    def _shape(self, mine: Any, fit: WeibullFit) -> Shape:
        return Shape(
            int(self.count[mine & self.first].sum()),
            round(float(self.count[mine] @ self.failed[mine]), 6),
            _finite(fit.shape),
            _finite(fit.scale),
            _finite(fit.quantile(0.5)),
            verdict_of(fit),
        )

    def _expected(self, here: Any, fit: WeibullFit) -> tuple[float | None, float | None, float | None]:
        """Failures within a quarter of those in service, of known birth, given their ages."""
        import numpy as np

        age, count = self.until[here], self.count[here]

        def within(shape: float, scale: float) -> float:
            more = ((age + QUARTER_DAYS) / scale) ** shape - (age / scale) ** shape
            return float(count @ -np.expm1(-more))

        return _finite(fit.function(within)) if count.size else (0.0, 0.0, 0.0)

    def curve(self, key: Any, mine: Any, level: float) -> list[Point]:
        """The product-limit curve of the patterns `mine` of known birth."""
        import numpy as np

        from repermit.statistics.survival import product_limit

        alone = np.flatnonzero(mine & self.known)
        rows = np.repeat(alone, self.count[alone].astype(int))
        if not rows.size:
            return []
        curve = product_limit(self.until[rows], self.failed[rows], entry=self.entry[rows], level=level)
        steps = zip(curve.time, curve.at_risk, curve.survival, curve.low, curve.high, strict=True)
        found = [Point(key, 0.0, int((self.entry[rows] == 0).sum()), 1.0, 1.0, 1.0)]
        found += [
            Point(key, float(t), int(n), float(s), *_finite((low, high))) for t, n, s, low, high in steps
        ]
        if curve.until > found[-1].age_days:  # to where the oldest was seen
            last = found[-1]
            oldest = int((self.until[rows] >= curve.until).sum())
            found.append(Point(key, curve.until, oldest, last.surviving, last.low, last.high))
        return found


def verdict_of(fit: WeibullFit) -> Verdict:
    """What the limits of the shape allow to say."""
    if fit.failures < LEAST_FAILURES:
        return "too_few"
    _, low, high = fit.shape
    if low > 1:
        return "wear_out"
    if high < 1:
        return "early"
    return "random" if low >= 1 / SAME and high <= SAME else "not_shown"


def _finite(values: tuple[float, ...]) -> Any:
    import math

    return tuple(float(v) if math.isfinite(v) else None for v in values)
