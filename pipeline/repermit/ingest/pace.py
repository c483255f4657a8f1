"""How far an ingest has come, for whoever watches it from another thread. May import `warehouse`."""

from __future__ import annotations

from collections.abc import Callable

from repermit.warehouse import Connection, progress_of

READ, JUDGED, DECIDED, STORED = 0.10, 0.45, 0.80, 1.0
"""Of the time that a table takes: what is over once its rows are read, judged, decided and stored (of 14 million loads)."""
ROWS = 0.80
"""Of the time of an ingest: what is over once the rows of all files are stored; the tables are built in the rest."""


class Pace:
    """Told by the ingest where it stands; tells how much is done, of 1, which never goes back.

    Within a step it goes as fast as the engine says that its query does. `size` is the bytes of the new files.
    """

    def __init__(self) -> None:
        self.size = self._before = self._table = 0
        self._from = self._to = self._done = 0.0
        self._query: Callable[[], float] = lambda: 0.0

    def watch(self, con: Connection, size: int) -> None:
        """This connection does the work, on files of `size` bytes."""
        self.size, self._query = size, progress_of(con)

    def table(self, size: int) -> None:
        """A table begins, of files of `size` bytes."""
        self._before, self._table = self._before + self._table, size
        self._to = self._share(0.0)

    def step(self, until: float) -> None:
        """The next step of the table begins, at whose end `until` of its time is over."""
        self._from, self._to = self._to, self._share(until)

    def build(self) -> None:
        """All rows are stored; the tables are built."""
        self._from, self._to = ROWS, 1.0

    def _share(self, of_table: float) -> float:
        return ROWS * (self._before + of_table * self._table) / max(self.size, 1)

    def done(self) -> float:
        """How much of the work is done, of 1."""
        start, end = self._from, self._to
        self._done = max(self._done, start + (end - start) * self._query())
        return self._done
