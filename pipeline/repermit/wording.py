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
    from collections.abc import Callable

UNKNOWN = "–"  # noqa: RUF001 (an en dash is meant)
BEYOND_MEASURE = 1e12
"""An upper limit above this says no more than that nothing is known upwards."""
MINUS = "−"  # noqa: RUF001 (a minus sign is meant)


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
    counts = f"{whole(part) if part is None or part == round(part) else number(part)} of {whole(of)}"
    return counts if part is None or not of else f"{counts}, {percent(part / of)}"


def interval(low: float | None, high: float | None, *, as_percent: bool = False) -> str:
    """Two limits: "1.2 to 3.4"; "1.2 or more", "up to 3.4" where one is not known; "4 to 21 %" as percent.

    Both have the decimals of the upper one at three figures: "0.06 to 1.00".
    """
    return _limits(None, low, high, as_percent)[1]


def estimate(point: float | None, low: float | None, high: float | None, *, as_percent: bool = False) -> str:
    """A value with its limits, "2.1 (1.2 to 3.4)"; the limits alone where the value is not known.

    All have the decimals of the value at three figures: "0.302 (0.060 to 1.000)", "1,230 (810 to 1,870)".
    """
    value, limits = _limits(point, low, high, as_percent)
    if point is None:
        return limits
    return value if limits == UNKNOWN else f"{value} ({limits})"


def _limits(point: float | None, low: float | None, high: float | None, as_percent: bool) -> tuple[str, str]:
    """The value and its limits, written to the same place; an upper limit beyond all measure is none."""
    high = None if high is not None and high > BEYOND_MEASURE else high
    given = [value for value in (point, low, high) if value is not None]
    write = _alike(given, point if point is not None else high if high is not None else low, as_percent)
    sign = " %" if as_percent else ""
    value = UNKNOWN if point is None else write(point) + sign
    if low is None and high is None:
        return value, UNKNOWN
    if high is None:
        return value, f"{write(low or 0.0)}{sign} or more"
    return value, f"up to {write(high)}{sign}" if low is None else f"{write(low)} to {write(high)}{sign}"


def _alike(given: list[float], leading: float | None, as_percent: bool) -> Callable[[float], str]:
    """How to write several values with the same decimals: those of the leading one, at most as many as any needs.

    A value that would read as none, or a share that would read as all, and is not, keeps one figure more.
    """
    times = 100 if as_percent else 1
    lead = _exact(leading or 0.0) * times
    if as_percent:
        place = -1 if 0 < abs(lead) < Decimal("9.95") else 0
    else:
        place = lead.adjusted() - 2 if lead else -2
    rounded = [_rounded(_exact(value) * times, place) for value in given]
    decimals = max([0, *(-int(value.normalize().as_tuple().exponent) for value in rounded)])

    def write(value: float) -> str:
        exact = _exact(value) * times
        if exact and not _rounded(exact, place):
            return (
                "under 0.1"
                if as_percent and exact < Decimal("0.05")
                else _written(_rounded(exact, exact.adjusted()))
            )
        if as_percent and exact < 100 and _rounded(exact, place) == 100:
            return "over 99"
        shown = _rounded(exact, place)
        text = format(abs(shown), f",.{decimals}f")
        return MINUS + text if shown < 0 else text

    return write


def seen(count: float | None, one: str, many: str = "") -> str:
    """A count in words: "no faults seen", "1 fault", "1,240 faults", "about 12.4 faults" where it is not whole.

    `many` is `one` with an s by default.
    """
    many = many or one + "s"
    if count is None:
        return f"{many} not known"
    if count != round(count):
        return f"about {number(count)} {many}"
    return f"no {many} seen" if count == 0 else f"{whole(count)} {one if count == 1 else many}"


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
