"""How values are written for people."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repermit import wording


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (-0.0, "0"),
        (2.5, "2.5"),
        (0.0123456, "0.0123"),
        (999.6, "1,000"),
        (0.9996, "1"),
        (1234.5, "1,230"),
        (1235, "1,240"),
        (1234567, "1,230,000"),
        (-41.26, wording.MINUS + "41.3"),
        (1e-7, "0.0000001"),
        (2.0005, "2"),
        (None, wording.UNKNOWN),
    ],
)
def test_number_has_three_significant_figures(value: float | None, text: str) -> None:
    assert wording.number(value) == text


@given(st.floats(min_value=1e-6, max_value=1e12))
def test_number_reads_back_within_half_a_unit_of_its_third_figure(value: float) -> None:
    text = wording.number(value)
    unit = 10.0 ** (math.floor(math.log10(value)) - 2)
    assert abs(float(text.replace(",", "")) - value) <= unit / 2 * (1 + 1e-9)
    assert len(text.replace(",", "").replace(".", "").strip("0")) <= 3


@given(st.integers(min_value=-(10**15), max_value=10**15))
def test_whole_keeps_every_digit(value: int) -> None:
    assert int(wording.whole(value).replace(",", "").replace(wording.MINUS, "-")) == value


def test_amounts_are_whole_and_small_ones_have_a_decimal() -> None:
    texts = [wording.amount(value) for value in (1240.4, 1239.5, 9.96, 9.94, 2.5, 0, None)]
    assert texts == ["1,240", "1,240", "10", "9.9", "2.5", "0", wording.UNKNOWN]


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0, "0 %"),
        (0.12, "12 %"),
        (0.0123, "1.2 %"),
        (0.0996, "10 %"),
        (1e-5, "under 0.1 %"),
        (0.9999, "over 99 %"),
        (1, "100 %"),
        (1.5, "150 %"),
        (None, wording.UNKNOWN),
    ],
)
def test_percent_says_none_and_all_only_where_it_is_so(fraction: float | None, text: str) -> None:
    assert wording.percent(fraction) == text


def test_a_share_comes_with_its_count() -> None:
    assert wording.share(6, 50) == "6 of 50, 12 %"
    assert wording.share(6.43729, 1250) == "6.44 of 1,250, 0.5 %"
    assert wording.share(0, 0) == "0 of 0"
    assert wording.share(None, 50) == f"{wording.UNKNOWN} of 50"


def test_intervals_say_which_limit_is_missing() -> None:
    assert wording.interval(1.2, 3.4) == "1.2 to 3.4"
    assert wording.interval(41, None) == "41 or more"
    assert wording.interval(None, 3.689) == "up to 3.69"
    assert wording.interval(None, None) == wording.UNKNOWN
    assert wording.interval(0.04, 0.21, as_percent=True) == "4 to 21 %"
    assert wording.estimate(2.1, 1.2, 3.4) == "2.1 (1.2 to 3.4)"
    assert wording.estimate(0.12, 0.04, 0.21, as_percent=True) == "12 % (4 to 21 %)"
    assert wording.estimate(None, 41, None) == "41 or more"
    assert wording.estimate(2.1, None, None) == "2.1"


@pytest.mark.parametrize(
    ("point", "low", "high", "text"),
    [
        (0.302, 0.06, 1.0, "0.302 (0.060 to 1.000)"),
        (2, 1.25, 3.4, "2.00 (1.25 to 3.40)"),
        (12, 10, 15, "12 (10 to 15)"),
        (12.34, 1.98, 45.61, "12.3 (2.0 to 45.6)"),
        (1234.5, 812.4, 1868, "1,230 (810 to 1,870)"),
        (123, 0.42, 900, "123 (0.4 to 900)"),
        (0, 0, 3.689, "0 (0 to 3.69)"),
        (0.62, 0, 3, "0.62 (0 to 3)"),
        (73.1, 37, 120, "73.1 (37 to 120)"),
        (1234.5, 812, 1868, "1,230 (810 to 1,870)"),
        (324.2, 58.1, 12797.3, "324 (58 to 12,800)"),
        (-0.0677, -1.2883, 1.1529, f"{wording.MINUS}0.0677 ({wording.MINUS}1.29 to 1.15)"),
        (0.00138, 1e-25, 0.07613, "0.00138 (under 0.00001 to 0.07613)"),
        (0.302, -1e-25, 1.5, f"0.302 (over {wording.MINUS}0.001 to 1.500)"),
        (149000.0, 8000.0, 4.39e11, "149,000 (8,000 or more)"),
        (-6.3, -9.95, 2.66, f"{wording.MINUS}6.30 ({wording.MINUS}9.95 to 2.66)"),
        (None, 0.75, 1234, "0.8 to 1,230"),
        (None, 0.06, 1, "0.06 to 1.00"),
        (12.34, 1.98, None, "12.3 (2.0 or more)"),
        (12.34, 1.98, 9.2e95, "12.3 (2.0 or more)"),
        (12.34, None, 45.61, "12.3 (up to 45.6)"),
    ],
)
def test_a_value_and_its_limits_have_the_same_decimals(
    point: float | None, low: float | None, high: float | None, text: str
) -> None:
    assert wording.estimate(point, low, high) == text


@pytest.mark.parametrize(
    ("point", "low", "high", "text"),
    [
        (0.27, 0.042, 0.43, "27 % (4 to 43 %)"),
        (0.021, 0.004, 0.118, "2.1 % (0.4 to 11.8 %)"),
        (0.5, 0.00001, 0.9999, "50 % (under 0.1 to over 99 %)"),
        (0.5, 0.003, 1, "50 % (0.3 to 100 %)"),
        (0, 0, 0.21, "0 % (0 to 21 %)"),
        (0.12, 0.04, None, "12 % (4 % or more)"),
    ],
)
def test_shares_and_their_limits_have_the_same_decimals(
    point: float, low: float, high: float | None, text: str
) -> None:
    assert wording.estimate(point, low, high, as_percent=True) == text


@given(st.floats(1e-4, 1e6), st.floats(0, 1), st.floats(1, 50))
def test_limits_are_told_to_within_half_of_the_points_third_figure_or_of_their_own(
    point: float, below: float, above: float
) -> None:
    low, high = point * below, point * above
    text = wording.estimate(point, low, high).replace(",", "")
    unit = 10.0 ** (math.floor(math.log10(point)) - 2)
    value, limits = text.rstrip(")").split(" (")
    for told, true in zip((value, *limits.split(" to ")), (point, low, high), strict=True):
        if told.startswith("under"):
            assert 0 < true < float(told.removeprefix("under ")) <= unit * (1 + 1e-9)
            continue
        own = 10.0 ** (math.floor(math.log10(true)) - 2) if true >= 99.95 * point / 10 else unit
        assert abs(float(told) - true) <= max(unit, own) / 2 * (1 + 1e-6)
        assert (float(told) == 0) == (true == 0)


def test_events_in_words() -> None:
    assert [wording.seen(count, "fault") for count in (0, 1, 1240, None)] == [
        "no faults seen",
        "1 fault",
        "1,240 faults",
        "faults not known",
    ]
    assert wording.seen(2, "visit, no fault found", "visits, no fault found") == "2 visits, no fault found"


def test_a_count_of_shares_stands_beside_whole_counts() -> None:
    assert [wording.tally(count) for count in (5658.4, 100, 99.96, 99.94, 12.34, 0, None)] == [
        "5,658", "100", "100", "99.9", "12.3", "0", wording.UNKNOWN,
    ]  # fmt: skip
    assert wording.seen(5382.7, "fault") == "about 5,383 faults"


def test_of_many_the_first_are_named_and_the_others_counted() -> None:
    assert wording.named(["a", "b", "c", "d", "e"]) == "a, b, c, d, e"
    assert wording.named([str(n) for n in range(1, 1306)], "; ") == "1; 2; 3; 4; 5; and 1,300 more"
    assert wording.named(["a", "b", "c"], most=1) == "a, and 2 more"
    assert wording.named([]) == ""


def test_days_are_iso_and_moments_utc() -> None:
    assert wording.day(date(2024, 3, 1)) == "2024-03-01"
    assert wording.day(datetime(2024, 3, 1, 14, 5, tzinfo=UTC)) == "2024-03-01 14:05"
    assert wording.day(datetime(2024, 3, 1, 0, 5, tzinfo=timezone(timedelta(hours=2)))) == "2024-02-29 22:05"
    assert wording.day(datetime(2024, 3, 1, 14, 5)) == "2024-03-01 14:05"
    assert wording.day(None) == wording.UNKNOWN


@pytest.mark.parametrize("write", [wording.number, wording.whole, wording.amount, wording.percent])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_refused(write: object, value: float) -> None:
    assert callable(write)
    with pytest.raises(ValueError, match="can't be shown"):
        write(value)
