"""The statements of lives put into the words of another database; the only door to sqlglot."""

import re

import sqlglot
from sqlglot import exp

from wearlab.history.steps import MACROS, read_step

_MACRO = re.compile(r"create or replace temp macro (\w+)\(([^)]*)\) as\s(.*)", re.DOTALL)
_Macros = dict[str, tuple[list[str], exp.Expr]]


def translate(name: str, *, into: str = "spark") -> str:
    """Return the statement of ``sql/lives/<name>.sql`` in another dialect, its macros written out.

    A value that the statement asks for by ``$name`` is asked for as that dialect does it (Spark: ``:name``).
    """
    macros = dict(_read_macro(macro) for macro in MACROS)
    statement = sqlglot.parse_one(read_step(name), read="duckdb")
    return statement.transform(lambda node: _write_out(node, macros)).sql(dialect=into)


def _read_macro(name: str) -> tuple[str, tuple[list[str], exp.Expr]]:
    found = _MACRO.fullmatch(read_step(f"macro_{name}").strip())
    if found is None:
        raise ValueError(f"macro_{name}.sql is no macro")
    parameters = [part.strip() for part in str(found[2]).split(",")]
    return str(found[1]), (parameters, sqlglot.parse_one(str(found[3]), read="duckdb"))


def _write_out(node: exp.Expr, macros: _Macros) -> exp.Expr:
    if not (isinstance(node, exp.Anonymous) and node.name in macros):
        return node
    parameters, body = macros[node.name]
    given = {
        name: argument.transform(lambda inner: _write_out(inner, macros))
        for name, argument in zip(parameters, node.expressions, strict=True)
    }
    return exp.paren(body.transform(lambda inner: _argument(inner, given)))


def _argument(node: exp.Expr, given: dict[str, exp.Expr]) -> exp.Expr:
    if isinstance(node, exp.Column) and not node.table and node.name in given:
        return exp.paren(given[node.name].copy())
    return node
