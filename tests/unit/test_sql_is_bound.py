"""What comes from outside enters SQL as a parameter, or through `literal` or `quote`; nowhere else.

Outside are the names and headers of files, what a mapping file says, and what a person asks for. The check reads the
source: within a function it follows such a value from the attribute or argument that holds it through assignments,
loops and methods of text, and looks for it in f-strings that are SQL. A function that is called is checked by itself.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from test_house import PACKAGE, modules

OUTSIDE = {
    # of a file
    "path", "readable", "cells", "raw", "file", "file_name", "delimiter",
    # of a mapping
    "files", "headers", "constant", "patterns", "pattern", "words", "when_given", "zone", "zones", "aliases", "alias", "encoding",
    # of a question
    "fleet", "terminal", "shop", "system", "store",
}  # fmt: skip
"""Attributes and arguments that hold what comes from outside."""
OUTSIDE_OF = {("source", "name"), ("source", "header"), ("mapping", "path"), ("selection", "fleet")}
"""And those that do so of such a thing alone."""
SQL = re.compile(
    r"\b(select|insert into|update \w|delete from|create (or|temp|view|table|schema)|attach|from read_csv|case when|regexp_|"
    r"try_strptime|set \w+ =|is not distinct from)\b|^\s*(and|where|union all)\b"
)
ROOMS = {"warehouse", "judging", "as_of", "reports_made", "ingest", "validate", "studies"}


class Function:
    """The names that hold something from outside, in one function."""

    def __init__(self, node: ast.FunctionDef) -> None:
        self.node = node
        arguments = [*node.args.args, *node.args.kwonlyargs]
        self.names = {a.arg for a in arguments if a.arg in OUTSIDE}
        before = None
        while before != self.names:  # until nothing more is reached
            before = set(self.names)
            for part in ast.walk(node):
                if isinstance(part, ast.Assign):
                    for target in part.targets:
                        self.give(target, part.value)
                elif isinstance(part, (ast.For, ast.comprehension)):
                    self.give(part.target, part.iter)
                elif isinstance(part, ast.NamedExpr):
                    self.give(part.target, part.value)

    def give(self, target: ast.expr, value: ast.expr) -> None:
        if (
            isinstance(target, ast.Tuple)
            and isinstance(value, ast.Tuple)
            and len(target.elts) == len(value.elts)
        ):
            for one, other in zip(target.elts, value.elts, strict=True):
                self.give(one, other)
        elif self.outside(value):
            self.names |= {n.id for n in ast.walk(target) if isinstance(n, ast.Name)}

    def outside(self, node: ast.expr) -> bool:
        """Whether the expression gives what comes from outside as it is."""
        match node:
            case ast.Attribute(value=ast.Name(id=base), attr=name) if (base, name) in OUTSIDE_OF:
                return True
            case ast.Attribute(attr=name):
                return name in OUTSIDE
            case ast.Name(id=name):
                return name in self.names
            case ast.Call(func=ast.Attribute(value=value, attr=_), args=args):
                return self.outside(value) or any(self.outside(a) for a in args if _of_text(node))
            case ast.Call(func=ast.Name(id="str" | "sorted" | "list" | "tuple" | "set" | "zip"), args=args):
                return any(self.outside(a) for a in args)
            case ast.Call():
                return False  # safe, or checked by itself
            case ast.Compare() | ast.Constant() | ast.Lambda():
                return False
            case ast.IfExp(body=body, orelse=orelse):
                return self.outside(body) or self.outside(orelse)
            case ast.GeneratorExp(elt=elt) | ast.ListComp(elt=elt) | ast.SetComp(elt=elt):
                return self.outside(elt)
            case ast.DictComp(value=value):
                return self.outside(value)
        return any(self.outside(c) for c in ast.iter_child_nodes(node) if isinstance(c, ast.expr))

    def offences(self) -> Iterator[str]:
        told = {
            id(inner)
            for part in ast.walk(self.node)
            if isinstance(part, ast.Raise)
            for inner in ast.walk(part)
        }
        for part in ast.walk(self.node):
            if isinstance(part, ast.JoinedStr) and id(part) not in told:
                text = "".join(str(v.value) for v in part.values if isinstance(v, ast.Constant))
                if SQL.search(text):
                    for value in part.values:
                        if isinstance(value, ast.FormattedValue) and self.outside(value.value):
                            yield f"{self.node.name}, line {value.lineno}: {ast.unparse(value.value)}"


def _of_text(call: ast.Call) -> bool:
    """Whether it is a method of text that gives its arguments back."""
    return isinstance(call.func, ast.Attribute) and call.func.attr in ("join", "format", "replace", "sub")


def offences(source: str) -> list[str]:
    """Where the source lets something from outside into SQL as it is."""
    functions = (n for n in ast.walk(ast.parse(source)) if isinstance(n, ast.FunctionDef))
    return [found for node in functions for found in Function(node).offences()]


def test_nothing_from_outside_enters_sql_as_it_is() -> None:
    wrong = [
        f"{path.relative_to(PACKAGE)}: {found}"
        for room, path in modules()
        if room in ROOMS
        for found in offences(path.read_text(encoding="utf-8"))
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    "body",
    [
        """return f"select * from read_csv('{source.path}')" """,
        "return f'select {source.name} as a'",
        "path = re.sub('x', 'y', str(source.readable))\n    return f'select {path.strip()}'",
        "for theirs, ours in how.words:\n        con.execute(f'update t set a = {ours}')",
        "return ' '.join(f'case when {text} then {word}' for word, _ in how.words)",
        "cells = ', '.join(h for h in source.header)\n    return f'create table t ({cells})'",
        "name = source.cells[0] if a else 'b'\n    return f'select {name}'",
        "told = f'{how.constant}!'\n    return f'insert into t values ({told})'",
    ],
)
def test_the_check_sees_what_is_not_bound(body: str) -> None:
    assert offences(f"def f(con, source, how, text, a):\n    {body}\n")


@pytest.mark.parametrize(
    "body",
    [
        "return f'select {literal(source.path)}'",
        "return ', '.join(f'select {quote(h)}' for h in source.header)",
        "raise CallError(f'select from {source.path} and see')",
        "return con.execute(f'select a from {table.name} where b = ?', [source.path])",
        "return f'select {len(source.cells)}'",
    ],
)
def test_the_check_lets_pass_what_is_bound(body: str) -> None:
    assert not offences(f"def f(con, source, table):\n    {body}\n")


@pytest.mark.parametrize("room", ["ingest/translate.py", "ingest/lines.py", "warehouse/stores.py"])
def test_without_its_quotes_the_house_would_not_pass(room: str) -> None:
    """Where every `literal(x)` of the room were a plain `x`, the check would say so."""
    source = (PACKAGE / room).read_text(encoding="utf-8")
    assert not offences(source)
    assert offences(re.sub(r"\bliteral\(", "str(", source))
