"""What a page is made of: plain frozen data, filled by `pages/` and turned into HTML by `render`.

May import nothing of the project. All texts are plain text, never markup: whatever stands in them is shown as
it is. A blank line in a lede starts a new paragraph. Ids are lower-case letters, digits and hyphens, once a
page; they never come from data.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

if TYPE_CHECKING:
    import altair

Kind = Literal["text", "link", "integer", "number", "money", "share", "percent", "p", "interval", "date"]


@dataclass(frozen=True)
class Column:
    """One column. The kind says what its cells hold; None in a cell is *not known*.

    text: str. link: (text, name of a file beside the page). integer: a count, shown whole. number: three significant figures. money: an amount, also
    hours and days. share: (part, of). percent: a fraction. p: how often chance alone does as much, a fraction. interval: (low, high) or (value, low, high), as
    fractions where `unit` is "%". date: a date, or a datetime shown in UTC.
    `help` is one sentence on what the column means, shown under the table.
    """

    name: str
    label: str
    unit: str = ""
    kind: Kind = "text"
    help: str = ""

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind):
            raise ValueError(f"column {self.name}: there is no kind {self.kind!r}")


@dataclass(frozen=True)
class Table:
    """Rows in the order to show; the first column names the row. `folded`: one click away, though no picture stands for it."""

    id: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]
    folded: bool = False

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"table {self.id}: a row of {len(row)} under {len(self.columns)} columns")


@dataclass(frozen=True)
class Figure:
    """A chart and the sentence that says what it shows, for those who can't see it and for those who can.

    `roomy`: its cells hold text, so it keeps its width on a phone, where its box scrolls.
    """

    id: str
    chart: altair.TopLevelMixin
    says: str
    roomy: bool = False


@dataclass(frozen=True)
class Section:
    """One question: title, the answer in words, the picture, the table behind it, what to bear in mind.

    `drawn`: the numbers of the picture, where the table tells something else.
    """

    id: str
    title: str
    lede: str
    figure: Figure | None = None
    table: Table | None = None
    notes: tuple[str, ...] = ()
    drawn: Table | None = None

    @property
    def tables(self) -> tuple[Table, ...]:
        """Its tables, in order."""
        return tuple(table for table in (self.drawn, self.table) if table)


@dataclass(frozen=True)
class Page:
    """A whole page. `headline` is one sentence with the number, its interval and whether it is news.

    `data_used` holds sentences and tables (files, rows, set aside). On a page of kind "shop" or "card" the cautions
    come before everything but the headline and the lede. `dated` says how new its records are, not when it was made:
    the same data give the same page. `glossary` holds words and what they mean here.
    """

    kind: str
    title: str
    subtitle: str
    headline: str
    lede: str
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]
    data_used: tuple[str | Table, ...]
    methods: tuple[str, ...]
    assumptions: tuple[str, ...]
    dated: str
    glossary: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        parts: list[Any] = [*self.sections, *(used for used in self.data_used if isinstance(used, Table))]
        parts += [section.figure for section in self.sections if section.figure]
        parts += [table for section in self.sections for table in section.tables]
        ids = Counter(part.id for part in parts)
        for id_, times in ids.items():
            if not re.fullmatch(r"[a-z][a-z0-9-]*", id_):
                raise ValueError(f"the id {id_!r} is not made of lower-case letters, digits and hyphens")
            if times > 1:
                raise ValueError(f"the id {id_} is used {times} times on one page")
