"""A rendered page as a reader without scripts meets it: its sentences, its tables, its headings, the data of its charts.

Reads the HTML itself; needs no browser and knows nothing of the package.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

BLOCKS = {"p", "li", "figcaption", "summary", "h1", "h2", "h3", "dt", "dd", "th", "td", "title", "label"}


@dataclass
class TableRead:
    """A table as text; `section` is the id of the section that it stands in."""

    id: str
    section: str
    head: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


@dataclass
class Rendered:
    """`sentences`: the text of every block outside tables. `specs`: the charts' specifications by the id of their figure."""

    sentences: list[str] = field(default_factory=list)
    tables: list[TableRead] = field(default_factory=list)
    headings: list[int] = field(default_factory=list)
    stills: dict[str, str] = field(default_factory=dict)
    figures: dict[str, str] = field(default_factory=dict)
    """The section of each figure."""
    specs: dict[str, Any] = field(default_factory=dict)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.page = Rendered()
        self.text: list[str] = []
        self.section = self.figure = ""
        self.data = self.quiet = self.in_table = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in attrs}
        if tag in BLOCKS:
            self.text = []
        if tag in ("script", "style"):
            self.data, self.quiet = has.get("type") == "application/json", True
            self.text = []
        elif tag == "section":
            self.section = has["id"]
        elif tag == "figure":
            self.figure = has["id"]
            self.page.figures[self.figure] = self.section
        elif tag == "img":
            self.page.stills[self.figure] = has["src"]
        elif tag == "table":
            self.page.tables.append(TableRead(has["id"], self.section))
            self.in_table = True
        elif tag == "tr" and self.page.tables[-1].head:
            self.page.tables[-1].rows.append([])
        elif re.fullmatch("h[1-6]", tag):
            self.page.headings.append(int(tag[1]))

    def handle_data(self, data: str) -> None:
        if not self.quiet or self.data:
            self.text.append(data)

    def handle_endtag(self, tag: str) -> None:
        text = " ".join("".join(self.text).replace("\N{NO-BREAK SPACE}", " ").split())
        if tag == "script" and self.data:
            self.page.specs = json.loads("".join(self.text))["specs"]
        if tag in ("script", "style"):
            self.data = self.quiet = False
        elif tag == "table":
            self.in_table = False
        elif tag in ("th", "td") and self.in_table:
            table = self.page.tables[-1]
            (table.rows[-1] if table.rows else table.head).append(text)
        elif tag in BLOCKS and text:
            self.page.sentences += re.split(r"(?<=[.;:?])\s+(?=[A-Z0-9])", text)
            self.text = []


def read(path: Path) -> Rendered:
    """The page of a file."""
    reader = _Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    return reader.page


# --- how numbers are written ---

_DATE = r"\b\d{4}-\d\d(?:-\d\d(?: \d\d:\d\d)?)?\b"
_YEAR = r"\b(?:19|20)\d\d\b"
_STANDARD = r"\b(?:ISO|IEC|EN|MIL-HDBK)[ -]\d[\d-]*(?::\d{4})?"
_NAME = r"\S*[A-Za-z_/'\"&<>]\S*\d\S*|\S*\d\S*[A-Za-z_/'\"&<>]\S*"
"""What holds a letter or a sign of a path beside its digits is a name: a serial, a file, a fingerprint."""
_PLAIN = re.compile(r"(?<![\d.,])\d+(?:,\d+)*(?:\.\d+)?")
_COUNTED = re.compile(
    r"\d (?:of|in|from) \d|\bof \d|\d (?:faults?|refusals?|tests|fixes|times|visits|shops|trailers|hours)\b"
)
_CUSTOMARY = re.compile(r"\b(?:95|99\.8|80) % (?:\w+ )?(?:limits|range|of such)|\((?:80|95) %\)")
FIGURES = 4
"""Of a number with decimals: three, and one more where a limit has the decimals of its value."""


def _without_names(text: str) -> str:
    for pattern in (_STANDARD, _DATE, _YEAR, _NAME):
        text = re.sub(pattern, "", text)
    return text


def ill_written(text: str) -> Iterator[str]:
    """What is wrong with the numbers of a text, one by one."""
    bare = _without_names(text)
    for number in _PLAIN.findall(bare):
        whole, _, decimals = number.partition(".")
        if len(whole) > 3 and not re.fullmatch(r"\d{1,3}(,\d{3})+", whole):
            yield f"{number}: thousands are not separated"
        if decimals and len((whole + decimals).replace(",", "").lstrip("0")) > FIGURES:
            yield f"{number}: more than three significant figures"
    if re.search(r"\d ?[\N{EN DASH}\N{EM DASH}] ?\d|\d - ?\d|\d-\d", bare):
        yield "an interval with a dash"
    if re.search(r"\d%", bare):
        yield "no space before a percent sign"


def bare_percent(sentence: str) -> bool:
    """Whether a sentence has a percentage and neither count nor limits beside it."""
    rest = _CUSTOMARY.sub("", sentence)
    return (
        bool(re.search(r"\d %", rest))
        and not _COUNTED.search(rest)
        and not re.search(r"\(.* to .* %\)", rest)
    )


def violations(page: Rendered) -> list[str]:
    """Every number of the page that is not written as numbers are, and every percentage of an unknown number."""
    found = [f"{sentence}: {what}" for sentence in page.sentences for what in ill_written(sentence)]
    found += [f"{s}: a bare percentage" for s in page.sentences if bare_percent(s)]
    for table in page.tables:
        for row in [table.head, *table.rows]:
            found += [f"{table.id}, {cell}: {what}" for cell in row for what in ill_written(cell)]
        for row in table.rows:
            if any(re.search(r"\d %", cell) for cell in row) and not any(
                re.fullmatch(r"[\d,.]+(?: of [\d,]+(?:, .*%)?)?", cell) for cell in row
            ):
                found.append(f"{table.id}, {row}: a percentage without a count in its row")
    return found


# --- what a chart tells when pointed at ---

Told = list[tuple[str, Any]]


def details(spec: Any) -> Iterator[Told]:
    """What each mark of a chart tells when pointed at: the names and values of its tooltip."""
    datasets = spec.get("datasets", {})

    def walk(part: Any, data: Any) -> Iterator[Told]:
        data = part.get("data", data)
        tips = part.get("encoding", {}).get("tooltip", [])
        if tips:
            assert data is not None
            for row in data.get("values") or datasets[data["name"]]:
                yield [(tip.get("title") or tip["field"], row.get(tip["field"])) for tip in tips]
        for inner in part.get("layer", []) + ([part["spec"]] if "spec" in part else []):
            yield from walk(inner, data)

    yield from walk(spec, None)


def _tells(value: Any, text: str, numbers: list[tuple[float, float]]) -> bool:
    """Whether a row of a table, as text and as numbers with their precision, holds a value."""
    if value is None:
        return True
    if isinstance(value, str):
        return all(word in text for word in value.lower().split())
    return any(abs(value * times - n) <= precision for n, precision in numbers for times in (1, 100))


def _row_read(text: str) -> tuple[str, list[tuple[float, float]]]:
    """A row with its head, as text and as numbers, each with what its writing leaves open."""
    numbers = []
    for bound, number in re.findall(
        r"(over |under )?(-?\d[\d,]*(?:\.\d+)?)", text.replace("\N{MINUS SIGN}", "-")
    ):
        value = float(number.replace(",", ""))
        if bound:
            ends = (value, 100.0) if bound == "over " else (0.0, value)
            numbers.append((sum(ends) / 2, (ends[1] - ends[0]) / 2))
        else:
            numbers.append((value, max(0.5001 * 10.0 ** -len(number.partition(".")[2]), 0.0051 * abs(value))))
    return text.lower(), numbers


def untold(page: Rendered) -> list[str]:
    """Every mark that tells something when pointed at that no row of the tables beside its chart tells as well."""
    found = []
    for id_, spec in page.specs.items():
        rows = [
            _row_read(" | ".join([*row, *table.head]))
            for table in page.tables
            if table.section == page.figures[id_]
            for row in table.rows
        ]
        found += [
            f"{id_}: {told}"
            for told in details(spec)
            if not any(all(_tells(value, text, numbers) for _, value in told) for text, numbers in rows)
        ]
    return found
