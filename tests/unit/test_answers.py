"""What is asked twice of a store that is open for reading is answered once, and never from another store."""

from __future__ import annotations

from collections.abc import Callable

import duckdb
import pytest

from repermit.warehouse import Connection, kept_answers, once, one, promise, unchanging


def counting() -> tuple[list[int], Callable[..., int]]:
    asked: list[int] = []

    @once
    def total(con: Connection, more: int = 0) -> int:
        asked.append(more)
        return int(one(con, "select coalesce(sum(n), 0) from numbers")) + more

    return asked, total


def numbers(*values: int) -> Connection:
    con = duckdb.connect()
    con.execute("create table numbers (n integer)")
    for value in values:
        con.execute("insert into numbers values (?)", [value])
    return con


def test_a_store_that_may_be_written_is_asked_every_time() -> None:
    asked, total = counting()
    con = numbers(1)
    assert total(con) == 1
    con.execute("insert into numbers values (2)")
    assert total(con) == 3
    assert asked == [0, 0]


def test_asked_once_a_connection_and_arguments() -> None:
    asked, total = counting()
    first, second = numbers(1), numbers(5)
    with unchanging(first), unchanging(second):
        assert [total(first), total(first, 2), total(first), total(second), total(first, more=2)] == [
            1,
            3,
            1,
            5,
            3,
        ]
    assert asked == [0, 2, 0, 2]


def test_nothing_is_kept_once_it_may_change_again() -> None:
    asked, total = counting()
    con = numbers(1)
    with unchanging(con):
        assert total(con) == 1
    con.execute("insert into numbers values (2)")
    with unchanging(con):
        assert total(con) == 3
    assert asked == [0, 0]


def test_what_was_promised_is_waited_for_once_and_only_when_asked() -> None:
    asked, total = counting()
    waited: list[int] = []

    def worked_out_elsewhere() -> int:
        waited.append(1)
        return 7

    con = numbers(1)
    with unchanging(con):
        promise(con, total, (6,), worked_out_elsewhere)
        assert (kept_answers(con, total), waited) == ([], [])
        assert [total(con), total(con, 6), total(con, 6)] == [1, 7, 7]
        assert sorted(kept_answers(con, total)) == [((), 1), ((6,), 7)]
    assert total(con, 6) == 7
    assert (asked, waited) == ([0, 6], [1])


def test_a_promise_counts_for_nothing_where_it_is_answered_already_or_nothing_is_kept() -> None:
    asked, total = counting()
    con = numbers(1)
    promise(con, total, (), lambda: 7)
    assert total(con) == 1
    with unchanging(con):
        assert total(con) == 1
        promise(con, total, (), lambda: 7)
        assert total(con) == 1
    assert asked == [0, 0]


def test_what_goes_wrong_elsewhere_goes_wrong_here() -> None:
    _, total = counting()

    def lost() -> int:
        raise RuntimeError("the other process is gone")

    con = numbers(1)
    with unchanging(con):
        promise(con, total, (), lost)
        with pytest.raises(RuntimeError, match="gone"):
            total(con)
