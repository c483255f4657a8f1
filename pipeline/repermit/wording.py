"""Writes values and names as text for people: numbers, intervals, shares, amounts, dates, words of the contract.

May import nothing of the project. Every function takes None for *not known* and gives an en dash for it; a
value that is not finite raises ValueError, as an undefined value must arrive as None. Halves round away from
zero. Texts hold ordinary spaces.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

UNKNOWN = "–"  # noqa: RUF001 (an en dash is meant)
BEYOND_MEASURE, BEYOND_TIMES = 1e12, 1000
"""An upper limit above this, or above a millionth of it and so many times the value, says only that nothing is known upwards."""
MOST_FIGURES = 4
"""Figures of a limit that has the decimals of its value; one that would need more has three."""
MINUS = "−"  # noqa: RUF001 (a minus sign is meant)
NAMED = 5
"""Of many alike a sentence names so many and counts the others."""


def number(value: float | None, figures: int = 3) -> str:
    """`value` to so many significant figures, thousands separated, no trailing zeros: 1234.5 is "1,230"."""
    if value is None:
        return UNKNOWN
    exact = _exact(value)
    return _written(_rounded(exact, exact.adjusted() - figures + 1) if exact else exact)


def whole(value: float | None) -> str:
    """A count, or an amount rounded to a whole number, thousands separated and never shortened: "12,346"."""
    return UNKNOWN if value is None else _written(_rounded(_exact(value), 0))


def amount(value: float | None) -> str:
    """Money, hours or days without their unit: whole ("1,240"), below ten with one decimal ("2.5")."""
    if value is None:
        return UNKNOWN
    return _written(_rounded(_exact(value), -1 if abs(value) < 9.95 else 0))


def percent(fraction: float | None) -> str:
    """A fraction as "12 %", below ten with one decimal; 0 and 100 only where it is exactly so."""
    if fraction is None:
        return UNKNOWN
    hundredfold = _exact(fraction) * 100
    if 0 < hundredfold < Decimal("0.1"):
        return "under 0.1 %"
    if 99 < hundredfold < 100:
        return "over 99 %"
    return _written(_rounded(hundredfold, -1 if abs(hundredfold) < Decimal("9.95") else 0)) + " %"


def chance(p: float | None) -> str:
    """How often chance alone does as much, to two figures; "under 0.001" where it is less."""
    return "under 0.001" if p is not None and p < 0.001 else number(p, 2)


def share(part: float | None, of: float | None) -> str:
    """A share with its count, "6 of 50, 12 %"; a weighted count to three figures.

    Without a percentage where `of` is zero or either is not known.
    """
    counts = f"{tally(part)} of {whole(of)}"
    return counts if part is None or not of else f"{counts}, {percent(part / of)}"


def interval(low: float | None, high: float | None, *, as_percent: bool = False) -> str:
    """Two limits: "1.2 to 3.4"; "1.2 or more", "up to 3.4" where one is not known; "4 to 21 %" as percent.

    Both have the decimals of the upper one at three figures: "0.06 to 1.00".
    """
    return _limits(None, low, high, as_percent)[1]


def estimate(point: float | None, low: float | None, high: float | None, *, as_percent: bool = False) -> str:
    """A value with its limits, "2.1 (1.2 to 3.4)"; the limits alone where the value is not known.

    All have the decimals of the value at three figures: "0.302 (0.060 to 1.000)", "1,230 (810 to 1,870)"; a limit that
    would need more than four has three of its own: "324 (58 to 12,800)". Limits that are counts are whole: "0.62 (0 to 3)".
    """
    value, limits = _limits(point, low, high, as_percent)
    if point is None:
        return limits
    return value if limits == UNKNOWN else f"{value} ({limits})"


def _limits(point: float | None, low: float | None, high: float | None, as_percent: bool) -> tuple[str, str]:
    """The value and its limits, written to the same place; an upper limit beyond all measure is none."""
    if high is not None and (
        high > BEYOND_MEASURE or (point and high > max(BEYOND_TIMES * point, BEYOND_MEASURE / 1e6))
    ):
        high = None
    given = [value for value in (point, low, high) if value is not None]
    write = _alike(given, point or high or low or 0.0, as_percent)
    limit = whole if _counts(point, low, high) and not as_percent else write
    sign = " %" if as_percent else ""
    value = UNKNOWN if point is None else write(point) + sign
    if low is None and high is None:
        return value, UNKNOWN
    if high is None:
        return value, f"{limit(low or 0.0)}{sign} or more"
    return value, f"up to {limit(high)}{sign}" if low is None else f"{limit(low)} to {limit(high)}{sign}"


def _counts(point: float | None, low: float | None, high: float | None) -> bool:
    """Whether both limits are counts beside a value too small to be told in tens."""
    both = low is not None and high is not None and low == round(low) and high == round(high)
    return both and (point is None or abs(point) < 1000)


def _alike(given: list[float], leading: float, as_percent: bool) -> Callable[[float], str]:
    """How to write several values with the same decimals: those of the leading one, at most as many as any needs.

    None at all is "0". A value that would read as none and is not keeps one figure more, or is "under" what shows.
    """
    times = 100 if as_percent else 1
    lead = _exact(leading) * times
    if as_percent:
        place = -1 if 0 < abs(lead) < Decimal("9.95") else 0
    else:
        place = lead.adjusted() - 2 if lead else -2

    def digits(value: float) -> int:
        return 0 if as_percent or not value else _exact(value).adjusted() - place + 1

    rounded = [_rounded(_exact(value) * times, place) for value in given if digits(value) <= MOST_FIGURES]
    decimals = max([0, *(-int(value.normalize().as_tuple().exponent) for value in rounded)])

    def write(value: float) -> str:
        exact = _exact(value) * times
        if not exact or digits(value) > MOST_FIGURES:
            return number(value)
        shown = _rounded(exact, place)
        if not shown:
            return _hardly(exact, place, as_percent)
        if as_percent and exact < 100 and shown == 100:
            return "over 99"
        text = format(abs(shown), f",.{decimals}f")
        return MINUS + text if shown < 0 else text

    return write


def _hardly(exact: Decimal, place: int, as_percent: bool) -> str:
    """What rounds to none and is not: one figure of it, else what it is under."""
    if as_percent:
        return "under 0.1" if exact < Decimal("0.05") else _written(_rounded(exact, exact.adjusted()))
    if exact.adjusted() >= place - 2:
        return _written(_rounded(exact, exact.adjusted()))
    least = _written(Decimal(1).scaleb(place))
    return f"over {MINUS}{least}" if exact < 0 else f"under {least}"


def seen(count: float | None, one: str, many: str = "") -> str:
    """A count in words: "no faults seen", "1 fault", "1,240 faults", "about 12.4 faults" where it is not whole.

    `many` is `one` with an s by default.
    """
    many = many or one + "s"
    if count is None:
        return f"{many} not known"
    if count != round(count):
        return f"about {tally(count)} {many}"
    return f"no {many} seen" if count == 0 else f"{whole(count)} {one if count == 1 else many}"


def tally(value: float | None) -> str:
    """A count that may be a sum of shares: whole from 100 up, so that it stands beside other counts, else to three figures."""
    return number(value) if value is None or abs(value) < 99.95 else whole(value)


def named(told: Sequence[str], joined: str = ", ", most: int = NAMED) -> str:
    """The first of many in a sentence, and how many more there are: "a, b, c, d, e, and 111 more"."""
    more = len(told) - most
    return joined.join([*told[:most], *([f"and {whole(more)} more"] if more > 0 else [])])


def day(value: date | datetime | None) -> str:
    """A day as "2024-03-01"; a moment as "2024-03-01 14:05" in UTC (without a zone it is taken as UTC)."""
    if value is None:
        return UNKNOWN
    if isinstance(value, datetime):
        moment = value.astimezone(UTC) if value.tzinfo else value
        return moment.strftime("%Y-%m-%d %H:%M")
    return value.isoformat()


def words(name: str | None, missing: str = "not recorded") -> str:
    """A name of the contract as people say it: `bad_crimp` is "bad crimp"."""
    if name is None:
        return missing
    return "visit, no fault found" if name == "none_found" else name.replace("_", " ")


def position_words(position: int | None) -> str:
    """A position in the chain, in words short enough for an axis."""
    return "not known" if position is None else "trailer level" if position == 0 else str(position)


def _exact(value: float) -> Decimal:
    if not math.isfinite(value):
        raise ValueError(f"{value} can't be shown: give None where a value is not defined")
    return Decimal(repr(value) if isinstance(value, int) else repr(float(value)))


def _rounded(value: Decimal, exponent: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(exponent), ROUND_HALF_UP)


def _written(value: Decimal) -> str:
    text = format(abs(value), ",f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return MINUS + text if value < 0 and text != "0" else text
