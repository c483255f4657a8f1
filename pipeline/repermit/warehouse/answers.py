"""Answers that several pages ask for are made once while a store is open for reading.

May import its neighbour `queries`. A store that is open for reading does not change, so a question asked again with
the same arguments has the same answer. On any other connection nothing is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

from repermit.warehouse.queries import Connection

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")

_kept: dict[int, dict[Any, Any]] = {}


@contextmanager
def unchanging(con: Connection) -> Iterator[None]:
    """While this lasts nothing is written through the connection, and answers are kept."""
    _kept[id(con)] = {}
    try:
        yield
    finally:
        del _kept[id(con)]


def once(
    question: Callable[Concatenate[Connection, Asked], Answer],
) -> Callable[Concatenate[Connection, Asked], Answer]:
    """The question, asked once a connection and arguments. They must be hashable, the answer must not be changed.

    It may leave temporary tables only where nobody else reads them.
    """

    @wraps(question)
    def asked(con: Connection, /, *args: Asked.args, **kwargs: Asked.kwargs) -> Answer:
        kept = _kept.get(id(con))
        if kept is None:
            return question(con, *args, **kwargs)
        key = (question, args, tuple(sorted(kwargs.items())))
        if key not in kept:
            kept[key] = question(con, *args, **kwargs)
        answer: Answer = kept[key]
        return answer

    return asked


def kept_answers(
    con: Connection, question: Callable[Concatenate[Connection, Asked], Answer]
) -> list[tuple[tuple[Any, ...], Answer]]:
    """The arguments (by their places) and answers of a question asked `once`, as far as the connection keeps them."""
    asked = getattr(question, "__wrapped__", question)
    return [(key[1], answer) for key, answer in _kept.get(id(con), {}).items() if key[0] is asked]
