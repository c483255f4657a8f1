"""What every layer of a chart starts from. May import nothing of the project."""

from __future__ import annotations

from typing import Any

import altair as alt


class _Plot(alt.Chart):
    """Layers put together are copied again and again, and each copy takes a few properties of its own.

    Left alone Altair copies all that is in them, rows and channels too, which took half of its time. Nothing in them is
    ever changed, so a copy of the outermost does.
    """

    def __deepcopy__(self, memo: object = None) -> _Plot:
        copy: _Plot = self.copy(deep=False)
        return copy


ROOM = 1.35
"""How much longer an axis is than the longest mark, so that the count behind it fits on a phone."""


def with_room(rows: list[dict[str, Any]], *fields: str) -> alt.Scale:
    """A scale from 0 that has room behind the largest of these values for a count."""
    most = max((row[field] for row in rows for field in fields if row[field] is not None), default=0.0)
    return alt.Scale(domain=[0, most * ROOM], nice=False) if most else alt.Scale(zero=True)


def plot(rows: list[dict[str, Any]]) -> alt.Chart:
    """A chart of these rows, to be given a mark and channels."""
    return _Plot(alt.InlineData(values=rows))
