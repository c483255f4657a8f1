"""The contract in words: for `repermit contract` and the README's tables. May import `contract` only."""

from __future__ import annotations

import textwrap
from typing import Any

from repermit.contract import KINDS, Column, Table


def _kind(column: Column) -> str:
    if column.listed:
        return "one of " + ", ".join(column.listed)
    words = KINDS[column.kind].words
    if column.low is not None and column.high is not None:
        words += f", {column.low} to {column.high}"
    elif column.low is not None:
        words += f", {column.low} or more"
    return words + (f" ({column.unit})" if column.unit else "")


def _need(column: Column, table: Table) -> str:
    if column.required:
        return "required"
    if column.name in table.any_of:
        return "one of " + " or ".join(table.any_of)
    return f"empty = {column.default}" if column.default else ""


def _own_rules(table: Table) -> list[tuple[str, str]]:
    from_columns = {rule.name for column in table.all_columns for rule in column.rules()}
    return [
        (rule.name, rule.text + ("" if rule.blocks else "; advisory"))
        for rule in table.rules()
        if rule.name not in from_columns
    ]


def _hung(lead: str, words: str, indent: str | None = None) -> str:
    """The words after their lead, over as many lines as a terminal of 80 columns needs."""
    indent = " " * len(lead) if indent is None else indent
    return textwrap.fill(words, 80, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False)


def text(table: Table) -> str:
    """A table for the terminal."""
    lines = [_hung("", f"{table.name}: {table.grain}", "  "), f"  key: {', '.join(table.key)}"]
    width = max(len(c.name) for c in table.columns)
    for c in table.columns:
        need = _need(c, table)
        lines.append(_hung(f"  {c.name:<{width}}  ", c.text + (f" [{need}]" if need else "")))
        lines.append(_hung(f"  {'':<{width}}    ", _kind(c)))
    lines += [_hung("  rule ", f"{name}: {words}", "    ") for name, words in _own_rules(table)]
    return "\n".join(lines)


def markdown(table: Table) -> str:
    """A table for the README."""
    lines = [
        f"#### `{table.name}.csv`",
        "",
        f"{table.grain[0].upper()}{table.grain[1:]}. Key: {', '.join(f'`{k}`' for k in table.key)}.",
        "",
        "| column | what | how | needed |",
        "|---|---|---|---|",
    ]
    lines += [f"| `{c.name}` | {c.text} | {_kind(c)} | {_need(c, table)} |" for c in table.columns]
    if rules := _own_rules(table):
        lines += ["", "Rules: " + "; ".join(f"`{name}`, {words}" for name, words in rules) + "."]
    return "\n".join(lines)


def as_dict(table: Table) -> dict[str, Any]:
    """A table for machines."""
    return {
        "name": table.name,
        "grain": table.grain,
        "key": list(table.key),
        "columns": [
            {
                "name": c.name,
                "kind": c.kind,
                "text": c.text,
                "required": c.required,
                "listed": list(c.listed) or None,
                "default": c.default,
                "low": c.low,
                "high": c.high,
                "unit": c.unit or None,
            }
            for c in table.all_columns
        ],
        "rules": [
            {"name": r.name, "holds": r.holds, "text": r.text, "blocks": r.blocks, "needs": r.needs}
            for r in table.rules()
        ],
    }
