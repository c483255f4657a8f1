"""Sensor lives: how long sensors last, whether they fail early, at random or worn out, and whether to replace before.

Marts in, `Lives` out. May import `errors`, `statistics`, `warehouse` and its neighbours.

Only a replacement with cause sensor_failed ends a life as a failure; other replacements, leaving service and the
window's end end it without one. Where the cause of a replacement after a refusal is not recorded it counts as a
failure with the share that failures have among the recorded ones; where the position is not recorded, as that share
among the trailer's positions, none of which is followed any further until its next replacement.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.ages.life_costs import Costs, costs_of, replacement
from repermit.studies.ages.life_words import sentence
from repermit.studies.frequency.like_for_like import clearly_more
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, one, records, settings_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from repermit.statistics.weibull import WeibullFit

    FloatArray = NDArray[np.float64]

Verdict = Literal["early", "random", "wear_out", "not_shown", "too_few"]

KEYS = {
    "system": "system",
    "position": "position",
    "lot": "part_lot",
    "fleet": "fleet",
    "kind": "sensor_kind",
    "method": "method",
}
FITTED_BY = ("lot", "method")
"""Keys known only of sensors whose fitting is on record, so all of known birth."""
LEAST_FAILURES = 5
"""Fewer failures give no verdict."""
SAME = 1.5
"""Random: limits of the shape within so many times of 1, either way."""
QUARTER_DAYS = 91
US_PER_DAY = 86_400e6
SHORTEST_DAYS = 0.5
"""A sensor that failed on the day it came in counts as having lasted half a day, as many records give days only."""


@dataclass(frozen=True)
class Shape:
    """A Weibull distribution: lives and failures behind it, and (value, low, high) of shape, scale and median age."""

    lives: int
    failures: float
    shape: tuple[float | None, float | None, float | None]
    scale_days: tuple[float | None, float | None, float | None]
    median_days: tuple[float | None, float | None, float | None]
    verdict: Verdict


@dataclass(frozen=True)
class Life:
    """One row: all lives, those of known birth alone, and what follows from them. What is undefined is None.

    `failures_least` are recorded as such at this position, `failures_most` with all that may be. `left_out`: sensors
    of a lot that stands out, counted in none of these but by lot and method. `oldest_days`: the
    greatest age seen. By lot or method: `stands_out`, clearly more early failures than the other sensors of known
    birth; `in_service` at the window's end, and the failures `expected_91d` of them within 91 days, with limits.
    """

    key: str | int | None
    all: Shape
    known: Shape
    left_out: int
    failures_least: int
    failures_most: int
    oldest_days: float
    verdict: Verdict
    replace_at_days: float | None
    saving: tuple[float | None, float | None, float | None]
    flat_days: tuple[float | None, float | None]
    costs: Costs
    in_service: int | None
    expected_91d: tuple[float | None, float | None, float | None]
    stands_out: bool | None

    @property
    def sentence(self) -> str:
        """What the row says, in plain words."""
        return sentence(self)

    def as_dict(self, by: str) -> dict[str, Any]:
        """For JSON: one field a quantity."""
        found: dict[str, Any] = {
            by: self.key,
            "lives": self.all.lives,
            "failures": self.all.failures,
            "left_out": self.left_out,
            "failures_least": self.failures_least,
            "failures_most": self.failures_most,
        }
        for prefix, shape in (("", self.all), ("known_", self.known)):
            if prefix:
                found |= {"known_lives": shape.lives, "known_failures": shape.failures}
            for name, values in (
                ("weibull_shape", shape.shape),
                ("weibull_scale_days", shape.scale_days),
                ("median_days", shape.median_days),
            ):
                found |= _limited(prefix + name, values)
        found |= {"verdict": self.verdict, "replace_at_days": self.replace_at_days}
        found |= _limited("saving", self.saving)
        found |= {"flat_from_days": self.flat_days[0], "flat_to_days": self.flat_days[1]}
        if by in FITTED_BY:
            found |= {"stands_out": self.stands_out, "in_service": self.in_service}
            found |= _limited("expected_91d", self.expected_91d)
        return found | {"sentence": self.sentence}


@dataclass(frozen=True)
class Point:
    """One step of a product-limit curve, of sensors of known birth."""

    key: str | int | None
    age_days: float
    at_risk: int
    surviving: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Lives:
    """The rows by one key, the total over all, the curves of known births, and whether the curves differ.

    `lot_points`: curves of lots that stand out, whose sensors are in no row and no other curve but by lot and method. `differ_p`: how often alike groups would differ as much (log-rank test over the rows, known births); None where
    it can't be asked.
    """

    about: About
    by: str
    rows: tuple[Life, ...]
    total: Life
    points: tuple[Point, ...]
    lot_points: tuple[Point, ...]
    differ_p: float | None


PIECES = """
with pieces as (
    select KEY as key, part_lot, birth_known, one_of, ending, ended_at < $end and ended_at >= entered_at as ended,
        entered_at = observed_from as first,
        coalesce(ended_at >= $end, ending is null) as in_place, taken_out_by,
        date_diff('microsecond', fitted_at, observed_from) as gap,
        date_diff('microsecond', case when birth_known then fitted_at else observed_from end, entered_at) as entry,
        date_diff('microsecond', case when birth_known then fitted_at else observed_from end,
            least(coalesce(ended_at, $end::timestamp), $end::timestamp)) as until
    from marts.sensor_lives
    where entered_at < $end and ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
        and ($shop is null or home_shop = $shop)
)
select key, part_lot as lot, birth_known, first, in_place, case when ended then ending end as ending,
    case when ended then coalesce(one_of, 1) else 1 end as one_of, round(gap / $tenth)::double / 10 as gap,
    round(entry / $tenth)::double / 10 as entry, count(*) as n,
    round(case when ended and ending in ('failed', 'cause_missing') then greatest(until, entry + $shortest) else until end
        / $tenth)::double / 10 as until
from pieces group by all having until > entry order by all
"""

MOST = """
select KEY as key, part_lot as lot,
    count(distinct case when one_of = 1 then taken_out_by || '/' || position else taken_out_by end) as n
from marts.sensor_lives
where entered_at < $end and ended_at < $end and ending in ('failed', 'cause_missing')
    and ($fleet is null or fleet = $fleet) and ($system is null or system = $system)
    and ($shop is null or home_shop = $shop)
group by 1, 2
"""

FAILED_SHARE = """
select sum((cause = 'sensor_failed')::integer)::double / nullif(count(*), 0) from staging.repairs
where visit_kind = 'non_permit' and action = 'sensor_replaced' and cause is not null and cause <> 'none_found'
    and received_at < $end
"""


def parse_by(text: str) -> str:
    """The key of `--by`. Raises CallError for another."""
    if text not in KEYS:
        raise CallError(f"lives cannot be told by {text!r}", hint=f"Choose one of {', '.join(KEYS)}.")
    return text


def lives(con: Connection, store: str, selection: Selection, by: str) -> Lives:
    """The lives of all sensors in the selection up to the window's end, by one key."""
    import numpy as np

    if selection.terminal is not None:
        raise CallError("a sensor belongs to no terminal", hint="Leave --terminal out.")
    end = {"end": selection.window.end}
    share = one(con, FAILED_SHARE, end)
    pool = _Pool(_ask(con, PIECES, selection, by), 1.0 if share is None else float(share))
    level, costs = settings_of(con).level, costs_of(con, selection.window.end)
    fitted, bad = by in FITTED_BY, pool.bad_lots(1 - level)
    out = np.array([lot in bad and not fitted for lot in pool.lot.tolist()], dtype=bool)
    most: dict[Any, int] = defaultdict(int)
    for row in _ask_rows(con, MOST, selection, by):
        most[row["key"]] += row["n"] if fitted or row["lot"] not in bad else 0
    keys = pool.keys(known_only=fitted)
    standing, differ_p = pool.compare(pool.key, keys, 1 - level)
    named = standing if fitted else None
    rows = [pool.row(key, pool.of(key), out, most[key], level, costs, named) for key in keys]
    total = pool.row("all", pool.count > 0, out, sum(most.values()), level, costs, None)
    points = [point for key in keys for point in pool.curve(key, pool.of(key) & ~out, level)]
    apart = [point for lot in sorted(bad) if not fitted for point in pool.curve(lot, pool.lot == lot, level)]
    return Lives(about(con, store, selection), by, tuple(rows), total, tuple(points), tuple(apart), differ_p)


def standing_lots(con: Connection, selection: Selection) -> tuple[Life, ...]:
    """The lots that stand out among all sensors before the window's end, as `lives` by lot tells them."""
    end = {"end": selection.window.end}
    share = one(con, FAILED_SHARE, end)
    pool = _Pool(_ask(con, PIECES, selection, "lot"), 1.0 if share is None else float(share))
    level, costs = settings_of(con).level, costs_of(con, selection.window.end)
    bad = pool.compare(pool.key, pool.keys(known_only=True), 1 - level)[0] if pool.count.size else set()
    most = {row["key"]: row["n"] for row in _ask_rows(con, MOST, selection, "lot")} if bad else {}
    none = pool.count < 0
    return tuple(
        pool.row(key, pool.of(key), none, most.get(key, 0), level, costs, bad) for key in sorted(bad)
    )


def in_service(con: Connection, selection: Selection, lot: str) -> int:
    """How many sensors of a lot are in service at the window's end, in the selection."""
    sql = f"select coalesce(sum(n), 0)::bigint from ({PIECES.replace('KEY', 'part_lot')}) where key = $lot and in_place"
    return int(one(con, sql, _parameters(sql, selection) | {"lot": lot}))


def _parameters(sql: str, selection: Selection) -> dict[str, object]:
    return selection.parameters(sql) | (
        {"tenth": US_PER_DAY / 10, "shortest": SHORTEST_DAYS * US_PER_DAY} if "$tenth" in sql else {}
    )


def _ask_rows(con: Connection, sql: str, selection: Selection, by: str) -> list[dict[str, Any]]:
    sql = sql.replace("KEY", KEYS[by])
    return records(con, sql, _parameters(sql, selection))


def _ask(con: Connection, sql: str, selection: Selection, by: str) -> dict[str, Any]:
    sql = sql.replace("KEY", KEYS[by])
    columns: dict[str, Any] = con.execute(sql, _parameters(sql, selection)).fetchnumpy()
    return columns


class _Pool:
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

        from repermit.statistics.survival import expected_events, log_rank

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


def _limited(name: str, values: tuple[float | None, ...]) -> dict[str, float | None]:
    return dict(zip((name, f"{name}_low", f"{name}_high"), values, strict=True))
