"""How far an ingest has come, for whoever watches it from another thread. May import `warehouse`."""

from __future__ import annotations

import time
from collections.abc import Callable

from repermit.warehouse import Connection, progress_of

READ, JUDGED, DECIDED, STORED = 0.16, 0.51, 0.70, 1.0
"""Of the time that a table takes: what is over once its rows are read, judged, decided and stored (measured of 1.5 million loads)."""
ROWS = 0.75
"""Of the time of an ingest: what is over once the rows of all files are stored; the tables are built in the rest."""


class Pace:
    """Told by the ingest where it stands; tells how much is done, of 1, which never goes back.

    Within a step it goes as far as the engine says that its query is, or, as that says nothing of joins, as the steps
    before let expect. `size` is the bytes of the new files.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.size = self._before = self._table = 0
        self._from = self._to = self._done = 0.0
        self._query: Callable[[], float] = lambda: 0.0
        self._clock = clock
        self._began = self._since = clock()

    def watch(self, con: Connection, size: int) -> None:
        """This connection does the work, on files of `size` bytes."""
        self.size, self._query = size, progress_of(con)

    def table(self, size: int) -> None:
        """A table begins, of files of `size` bytes."""
        self._before, self._table = self._before + self._table, size
        self._to = self._share(0.0)

    def step(self, until: float) -> None:
        """The next step of the table begins, at whose end `until` of its time is over."""
        self._from, self._to, self._since = self._to, self._share(until), self._clock()

    def build(self) -> None:
        """All rows are stored; the tables are built."""
        self._from, self._to, self._since = ROWS, 1.0, self._clock()

    def _share(self, of_table: float) -> float:
        return ROWS * (self._before + of_table * self._table) / max(self.size, 1)

    def done(self) -> float:
        """How much of the work is done, of 1."""
        start, step, since = self._from, self._to - self._from, self._since
        expected_s = (since - self._began) * step / start if start else 0.0
        waited = min((self._clock() - since) / expected_s, 0.95) if expected_s else 0.0
        self._done = max(self._done, start + step * max(self._query(), waited))
        return self._done
