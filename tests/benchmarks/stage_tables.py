"""The results of `stages.py` as tables: Markdown for the README, CSV for other programs. Standard library only."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

BEGINS, ENDS = "<!-- benchmark -->", "<!-- /benchmark -->"
MILLION = 1_000_000
FLOOR = "bare typed load"
QUESTIONS = (
    "rates --by position,cause", "fixes --by action", "trend --by fleet", "life --by system", "located", "lanes",
    "where-first", "outlook", "episode Q-0000001",
)  # fmt: skip
"""Every question once."""
SUMS = {
    "ingest and validate": ("ingest", "validate"),
    "every question once": QUESTIONS,
    "one more month and every question": ("one more month", *QUESTIONS),
}
"""Lines that add stages up, and what they add; the greatest memory of them."""
JUDGED_AT = 14 * MILLION
BUSY = 0.5
"""A load above this before the first stage is told: seconds on the clock then say too much."""
BESIDE = (FLOOR, "by hand", "by hand with one more month")
LASTS_S = 1.0
"""Growth is judged of stages that last so long."""

Row = dict[str, Any]
Found = dict[tuple[int, str], Row]


def found_of(results: Row) -> Found:
    """What was measured, by size and stage, the sums with it; nothing that failed."""
    found = {(r["rows"], r["stage"]): r for r in results["stages"] if not r["failed"]}
    for rows in {size for size, _ in found}:
        for name, parts in SUMS.items():
            if all((rows, part) in found for part in parts):
                each = [found[rows, part] for part in parts]
                summed = {key: sum(r[key] for r in each) for key in ("seconds", "processor_s")}
                found[rows, name] = summed | {"peak_mb": max(r["peak_mb"] for r in each)}
    return found


def growth(found: Found, stage: str, small: int, large: int) -> float | None:
    """The exponent by which seconds grow with rows."""
    ends = [found.get((rows, stage)) for rows in (small, large)]
    if ends[0] is None or ends[1] is None or small == large:
        return None
    return math.log(ends[1]["seconds"] / ends[0]["seconds"]) / math.log(large / small)


def tables(results: Row) -> str:
    """All of it as Markdown: the machine, the stages by size, what was wanted, and the agreement with the script by hand."""
    found, sizes = found_of(results), sorted({r["rows"] for r in results["stages"]})
    if not sizes:
        return "Nothing was measured.\n"
    parts = [
        machine_words(results),
        by_stage(results, found, sizes),
        wanted(found, sizes),
        agreement_words(results),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def machine_words(results: Row) -> str:
    """Where and with what it was measured."""
    m = results["machine"]
    versions = ", ".join(f"{name} {v}" for name, v in (m["versions"] | (m["by_hand"] or {})).items())
    files = "; ".join(
        f"{int(rows) / MILLION:g} million load rows are {mb:,.0f} MB of CSV"
        for rows, mb in sorted(results["files_mb"].items(), key=lambda f: int(f[0]))
    )
    bound = sorted(
        {
            f"{r['rows'] / MILLION:g} million with REPERMIT_MEMORY={r['memory']}"
            for r in results["stages"]
            if r["memory"]
        }
    )
    return (
        f"{m['date']}, {m['cores']} cores, {m['memory_gb']} GB of memory; {versions}. {files}"
        + (f"; {', '.join(bound)}" if bound else "")
        + (f". Other work kept {m['load']} cores busy when it began" if (m.get("load") or 0) >= BUSY else "")
        + ". Seconds on the clock, each stage in a process of its own, start of the program included; of the bare load, one"
        " more month and --help the middle of several runs; in brackets the greatest memory of the process in MB. Floors:"
        " times the engine's bare typed load of the same loads file. Growth: the exponent by which seconds grow with rows; 1"
        " is in proportion."
    )


def by_stage(results: Row, found: Found, sizes: list[int]) -> str:
    """One line a stage, one column a size."""
    names = list(dict.fromkeys(r["stage"] for r in results["stages"]))
    for name, parts in SUMS.items():
        last = max(parts, key=lambda part: names.index(part) if part in names else -1)
        if last in names:
            names.insert(names.index(last) + 1, name)
    steps = list(pairwise(sizes))
    heads = ["stage", *(f"{rows / MILLION:g} million" for rows in sizes)]
    at = JUDGED_AT if JUDGED_AT in sizes else sizes[-1]
    heads += [
        f"floors at {at / MILLION:g}",
        *(f"growth {a / MILLION:g} to {b / MILLION:g}" for a, b in steps),
    ]
    lines = [heads, ["---"] + ["---:"] * (len(heads) - 1)]
    failed = {(r["rows"], r["stage"]): r["said"] for r in results["stages"] if r["failed"]}
    for name in names:
        cells = [cell(found.get((rows, name)), failed.get((rows, name))) for rows in sizes]
        floors = ratio(found, at, name, FLOOR)
        slopes = [growth(found, name, a, b) for a, b in steps]
        lines.append([name, *cells, number(floors, 1), *(number(s, 2) for s in slopes)])
    lines.append(["store, MB", *(store_words(results, rows) for rows in sizes), "", *([""] * len(steps))])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def store_words(results: Row, rows: int) -> str:
    """The size of the store after the first ingest."""
    sizes = [r["store_mb"] for r in results["stages"] if (r["rows"], r["stage"]) == (rows, "ingest")]
    return f"{sizes[0]:,.0f}" if sizes and sizes[0] else ""


def cell(row: Row | None, said: str | None) -> str:
    """Seconds and memory; or that it failed."""
    if said is not None:
        return f"failed: {said}".replace("|", "/")
    return f"{number(row['seconds'], 2)} ({row['peak_mb']:,.0f})" if row else ""


def number(value: float | None, digits: int) -> str:
    """With so many digits after the point."""
    return "" if value is None else f"{value:,.{digits}f}"


def ratio(found: Found, rows: int, above: str, below: str) -> float | None:
    """Seconds of one stage over those of another."""
    a, b = found.get((rows, above)), found.get((rows, below))
    return a["seconds"] / b["seconds"] if a and b else None


def wanted(found: Found, sizes: list[int]) -> str:
    """What was wanted of 14 million rows on two cores, and what came out."""
    if JUDGED_AT not in sizes:
        return ""

    def times(above: str, below: str) -> Callable[[], float | None]:
        return lambda: ratio(found, JUDGED_AT, above, below)

    def seconds(name: str) -> Callable[[], float | None]:
        return lambda: found.get((JUDGED_AT, name), {}).get("seconds")

    asked = [
        ("reading and typing, floors", 3.0, times("reading and typing", FLOOR)),
        ("ingest with marts, floors", 6.0, times("ingest", FLOOR)),
        ("ingest and validate, floors", 8.0, times("ingest and validate", FLOOR)),
        ("every question on one open store, seconds", 10.0, seconds("every question on one open store")),
        ("every question, each a command of its own, seconds", 10.0, seconds("every question once")),
        ("one more month over the whole ingest", 1 / 6, times("one more month", "ingest")),
        ("one more month over the script by hand run again", 1 / 5, times("one more month", "by hand with one more month")),
        ("all pages, seconds", 10.0, seconds("all pages")),
        ("a repeated page without new data, seconds", 3.0, seconds("page monthly again")),
        ("--help, seconds", 0.2, seconds("--help")),
    ]  # fmt: skip
    for small, large in pairwise(sizes):
        lasting = [
            name
            for rows, name in found
            if rows == large and found[rows, name]["seconds"] >= LASTS_S and name not in BESIDE
        ]
        slopes = {name: g for name in lasting if (g := growth(found, name, small, large)) is not None}
        steepest = max(slopes, key=lambda name: slopes[name], default="")
        name = f"greatest growth of a stage, {small / MILLION:g} to {large / MILLION:g} million"
        asked.append((f"{name}: {steepest}", 1.05, partial(slopes.get, steepest)))
    lines = [["at 14 million load rows", "at most", "measured", "held"], ["---", "---:", "---:", "---"]]
    for text, most, ask in asked:
        value = ask()
        held = "" if value is None else "yes" if value <= most else "**no**"
        lines.append([text, f"{most:.3g}", "not measured" if value is None else f"{value:.3g}", held])
    peak = found.get((100 * MILLION, "ingest"))
    if peak:
        held = "yes" if peak["peak_mb"] <= 2000 else "**no**"
        lines.append(["memory of an ingest of 100 million, MB", "2000", f"{peak['peak_mb']:,.0f}", held])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def agreement_words(results: Row) -> str:
    """Whether the script by hand gives the same figures."""
    told = []
    for rows, held in sorted(results["agreement"].items(), key=lambda item: int(item[0])):
        bad = [f"{a['name']} ({a['differs']})" for a in held if not a["agrees"]]
        cells, worst = sum(a["cells"] for a in held), max((a["worst"] or 0.0 for a in held), default=0.0)
        size = f"{int(rows) / MILLION:g} million rows"
        if bad:
            told.append(f"At {size} **the script by hand and the tool differ**: {'; '.join(bad)}.")
        else:
            told.append(
                f"At {size} the script by hand gives the same figures: {cells:,} cells of {len(held)} tables, counts equal,"
                f" the rest to {worst:.1g} of their size."
            )
    if not told:
        return ""
    last = list(results["agreement"].values())[-1]
    apart = "; ".join(f"{a['name']}: {a['otherwise']}" for a in last if a["otherwise"])
    return " ".join(told) + (f" Not compared, as defined otherwise: {apart}." if apart else "")


def write_csv(path: Path, results: Row) -> None:
    """One line a size and stage."""
    names = [
        "rows",
        "stage",
        "seconds",
        "processor_s",
        "peak_mb",
        "store_mb",
        "memory",
        "code",
        "failed",
        "said",
    ]
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(results["stages"])


def write_readme(readme: Path, text: str) -> None:
    """Put the tables between the marks."""
    before, rest = readme.read_text().split(BEGINS, 1)
    after = rest.split(ENDS, 1)[1]
    readme.write_text(f"{before}{BEGINS}\n{text}{ENDS}{after}")
