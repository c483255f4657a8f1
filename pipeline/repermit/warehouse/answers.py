"""Answers that several pages ask for are made once while a store is open for reading.

May import its neighbour `queries`. A store that is open for reading does not change, so a question asked again with
the same arguments has the same answer, whoever finds it. On any other connection nothing is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any, Concatenate, NamedTuple, ParamSpec, TypeVar

from repermit.warehouse.queries import Connection

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")

_kept: dict[int, dict[Any, Any]] = {}


class _Promised(NamedTuple):
    """An answer that another process works out; calling waits for it."""

    answer: Callable[[], Any]


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
        key = _key(question, args, kwargs)
        if key not in kept:
            kept[key] = question(con, *args, **kwargs)
        elif isinstance(promised := kept[key], _Promised):
            kept[key] = promised.answer()
        answer: Answer = kept[key]
        return answer

    return asked


def promise(
    con: Connection,
    question: Callable[..., Answer],
    args: tuple[Hashable, ...],
    answer: Callable[[], Answer],
) -> None:
    """The question, asked `once` with `args` by their places, will be answered by what `answer` gives: it must be what
    the question would find on this connection. Where nothing is kept, or that question is answered, nothing changes.
    """
    if (kept := _kept.get(id(con))) is not None:
        kept.setdefault(_key(question, args, {}), _Promised(answer))


def kept_answers(
    con: Connection, question: Callable[Concatenate[Connection, Asked], Answer]
) -> list[tuple[tuple[Any, ...], Answer]]:
    """The arguments (by their places) and answers of a question asked `once`, as far as the connection keeps them."""
    mine = _key(question, (), {})[0]
    return [
        (key[1], answer)
        for key, answer in _kept.get(id(con), {}).items()
        if key[0] is mine and not isinstance(answer, _Promised)
    ]


def _key(question: Callable[..., Any], args: Hashable, kwargs: dict[str, Any]) -> tuple[Any, ...]:
    """An answer is kept under the question itself, whether it is named with or without its `once`."""
    return getattr(question, "__wrapped__", question), args, tuple(sorted(kwargs.items()))
