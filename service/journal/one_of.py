"""Many identities in one condition: one bound value, however many they are.

A list spelled out, with a bound value for each, costs more to write down and to read again than to look up.
"""

import json
from typing import Any

from sqlalchemy import BigInteger, String, TypeDecorator, bindparam
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import NullType


class Identities(TypeDecorator[list[int]]):
    """Many identities as one bound value: an array on PostgreSQL, JSON on SQLite, which has no arrays."""

    impl = String
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        return dialect.type_descriptor(String() if dialect.name == "sqlite" else ARRAY(BigInteger()))

    def process_bind_param(self, value: list[int] | None, dialect: Any) -> Any:
        return json.dumps(value) if dialect.name == "sqlite" else value


class one_of(FunctionElement[Any]):  # noqa: N801 - reads as the condition it is
    """SQL condition: the column is one of the identities bound under a name.

    It has no type: SQLite knows no boolean, so a condition declared one is compared with 1, and such a comparison
    is answered without the index on the column.
    """

    name = "one_of"
    type = NullType()
    inherit_cache = True

    def __init__(self, column: Any, bound_as: str) -> None:
        super().__init__(column, bindparam(bound_as, type_=Identities()))


@compiles(one_of)
def _one_of_array(element: one_of, compiler: Any, **options: Any) -> str:
    column, identities = element.clauses
    return f"({compiler.process(column, **options)} = ANY ({compiler.process(identities, **options)}))"


@compiles(one_of, "sqlite")
def _one_of_json(element: one_of, compiler: Any, **options: Any) -> str:
    column, identities = element.clauses
    listed = f"SELECT value FROM json_each({compiler.process(identities, **options)})"
    return f"({compiler.process(column, **options)} IN ({listed}))"
