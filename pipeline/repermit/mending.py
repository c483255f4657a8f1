"""The file in which rows that were set aside are mended: its header, and cells that open inertly in a spreadsheet.

May import nothing of the package. `quarantine --out` writes such a file, `ingest` reads it.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Any

ABOUT = ("waiting_id", "table", "drop", "file", "line", "reasons", "nearest", "raw")
"""The columns that tell which row waits and why, and whether a person drops it; those of the contract follow."""
LONGEST = 10_001
"""Characters of a cell that are shown: one more than any column may have, so that a longer one never passes."""
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


def inert(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that starts like one gets an apostrophe before it.

    So does text that starts like one after apostrophes of its own, so that `bare` gives back every text.
    """
    return "'" + value if isinstance(value, str) and _FORMULA.match(value) else value


def bare(text: str) -> str:
    """What `inert` made its cell from."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def is_header(cells: Collection[str]) -> bool:
    """Whether a header is that of a file to mend: a person may have removed what only tells about the row."""
    return {"waiting_id", "table"} <= set(cells)
