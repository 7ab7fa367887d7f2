"""Lets the settings file use the core's frozen dataclasses as its tables, with ranges checked."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from typing import Annotated, Any, Literal, get_origin, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, create_model
from pydantic_core import CoreSchema, core_schema

from hissmark.engine.ranges import is_number, range_of


class Table(BaseModel):
    """A table of site.toml: unknown keys are refused, nothing is converted behind the writer's back."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class FromTable:
    """Annotation: read this dataclass from a table that has the dataclass's fields as keys."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        schema = handler.generate_schema(table_of(source))
        written = core_schema.plain_serializer_function_ser_schema(dataclasses.asdict)
        return core_schema.no_info_after_validator_function(_builder(source), schema, serialization=written)


def _builder(source: Any) -> Callable[[BaseModel], Any]:
    def build(table: BaseModel) -> Any:
        return source(**{name: getattr(table, name) for name in type(table).model_fields})

    return build


@cache
def table_of(source: Any) -> type[BaseModel]:
    """The table that stands for dataclass `source`."""
    hints = get_type_hints(source)
    columns = {
        f.name: (_checked(source, f.name, hints[f.name]), _default(f)) for f in dataclasses.fields(source)
    }
    fields: dict[str, Any] = columns
    return create_model(source.__name__, __base__=Table, **fields)


def _checked(source: Any, name: str, kind: Any) -> Any:
    if is_number(kind):
        low, high = range_of(source, name)
        return Annotated[kind, Field(ge=low, le=high)]
    if kind is str:
        return Annotated[str, Field(min_length=1)]
    if dataclasses.is_dataclass(kind):
        return Annotated[kind, FromTable()]
    if get_origin(kind) is Literal:
        return kind
    return Annotated[kind, Field(strict=False)]


def _default(field: dataclasses.Field[Any]) -> Any:
    if field.default is not dataclasses.MISSING:
        return field.default
    return ...


def limits_of(kind: Any, name: str) -> tuple[float, float]:
    """Lowest and highest value of number `name` in a settings class, whether model or dataclass."""
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return range_of(kind, name)
    marks = kind.model_fields[name].metadata
    lows = [float(m.ge if hasattr(m, "ge") else m.gt) for m in marks if hasattr(m, "ge") or hasattr(m, "gt")]
    highs = [float(m.le) for m in marks if hasattr(m, "le")]
    return max(lows, default=0.0), min(highs, default=float("inf"))
