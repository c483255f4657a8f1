"""Which pages on the disk are as they would be made again, so that they need not be.

A page is decided by its question, by all that the store has written down of itself, and by the program: its own files
and the libraries that it computes and draws with. What is on record of a page is a digest of these and one of its bytes.
"""

from __future__ import annotations

import sys
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from repermit.reports_made import Made
    from repermit.studies.selection import Window
    from repermit.warehouse import Connection

LIBRARIES = ("altair", "duckdb", "jinja2", "numpy", "polars", "scipy", "vl-convert-python")


@cache
def program() -> str:
    """A digest of the program: its files, and the versions of what it stands on."""
    from importlib.metadata import version

    import repermit_reports
    from repermit.resources import PACKAGE, folder

    digest = sha256(f"{sys.version} {[version(name) for name in LIBRARIES]}".encode())
    for top in (PACKAGE, Path(repermit_reports.__file__).parent, folder("sql")):
        for path in sorted(p for p in top.rglob("*") if p.is_file() and "__pycache__" not in p.parts):
            digest.update(f"{path.relative_to(top)} {sha256(path.read_bytes()).hexdigest()}\n".encode())
    return digest.hexdigest()


class MadeBefore:
    """The pages on record of an open store, and those made now that are to be written down."""

    def __init__(self, con: Connection, store: str) -> None:
        from repermit.reports_made import known_now, pages_made

        self.known = pages_made(con)
        self.all_pages = f"{program()} {known_now(con)} {store}"
        self.new: list[Made] = []

    def as_it_would_be(self, path: Path, kind: str, name: str | None, month: Window) -> Made | None:
        """What is on record of the page at `path`, where it is what would be made now; else None."""
        made = self.known.get(self._made_of(kind, name, month))
        if made is None or not path.is_file():
            return None
        return made if sha256(path.read_bytes()).hexdigest() == made.content else None

    def add(self, path: Path, kind: str, name: str | None, month: Window, headline: str) -> None:
        """Take down the page that was put at `path`."""
        from repermit.reports_made import Made

        content = sha256(path.read_bytes()).hexdigest()
        self.new.append(Made(self._made_of(kind, name, month), content, headline))

    def _made_of(self, kind: str, name: str | None, month: Window) -> str:
        return sha256(repr((self.all_pages, kind, name, month)).encode()).hexdigest()
