"""Tables of the database to Parquet files and back, in constant memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import sqlalchemy as sa

ROWS_AT_ONCE = 50_000
Told = Callable[[int], None]
"""Called with the number of rows that have been dealt with."""

_ARROW = {
    sa.BigInteger: pa.int64(), sa.SmallInteger: pa.int16(), sa.Integer: pa.int64(), sa.Double: pa.float64(),
    sa.Float: pa.float64(), sa.Text: pa.string(), sa.String: pa.string(), sa.LargeBinary: pa.binary(),
    sa.Boolean: pa.bool_(),
}  # fmt: skip


def arrow_schema(table: sa.Table) -> pa.Schema:
    """Columns as Arrow has them. Raises KeyError for a type that no table of ours has."""
    return pa.schema(
        [pa.field(c.name, _arrow_type(c.type), nullable=bool(c.nullable)) for c in table.columns]
    )


def _arrow_type(kind: sa.types.TypeEngine[Any]) -> pa.DataType:
    for known in type(kind).__mro__:
        if known in _ARROW:
            return _ARROW[known]
    raise KeyError(f"no Arrow type for {kind!r}")


def write_table(connection: sa.Connection, table: sa.Table, path: Path, told: Told) -> int:
    """Write every row, in the order of the primary key. Returns how many."""
    schema, rows = arrow_schema(table), 0
    query = sa.select(table).order_by(*table.primary_key.columns)
    streamed = connection.execution_options(yield_per=ROWS_AT_ONCE).execute(query)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for part in streamed.partitions():
            columns = list(zip(*part, strict=True))
            arrays = [pa.array(c, type=f.type) for c, f in zip(columns, schema, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            rows += len(part)
            told(len(part))
    return rows


def read_table(connection: sa.Connection, table: sa.Table, path: Path, told: Told) -> int:
    """Insert every row of a file into an empty table. Returns how many."""
    rows = 0
    for columns, part in _parts(path):
        _insert(connection, table.name, columns, part)
        rows += len(part)
        told(len(part))
    return rows


def _insert(connection: sa.Connection, table: str, columns: list[str], rows: list[tuple[Any, ...]]) -> None:
    """Through the driver itself: SQLAlchemy's own way is several times slower on millions of samples."""
    driver: Any = connection.connection.driver_connection
    names = ", ".join(f'"{column}"' for column in columns)
    if connection.dialect.name == "sqlite":
        places = ", ".join("?" * len(columns))
        driver.executemany(f'INSERT INTO "{table}" ({names}) VALUES ({places})', rows)  # noqa: S608 - our names
        return
    with driver.cursor() as cursor, cursor.copy(f'COPY "{table}" ({names}) FROM STDIN') as copy:
        for row in rows:
            copy.write_row(row)


def _parts(path: Path) -> Iterator[tuple[list[str], list[tuple[Any, ...]]]]:
    with pq.ParquetFile(path) as file:
        for batch in file.iter_batches(ROWS_AT_ONCE):
            columns = [array.to_pylist() for array in batch.columns]
            yield batch.schema.names, list(zip(*columns, strict=True))


def follow_keys(connection: sa.Connection, table: sa.Table) -> None:
    """Let PostgreSQL number new rows from where the restored ones end (SQLite does so by itself)."""
    if connection.dialect.name != "postgresql":
        return
    for column in table.primary_key.columns:
        named = sa.func.pg_get_serial_sequence(table.name, column.name)
        if connection.scalar(sa.select(named)) is None:
            continue
        newest = connection.scalar(sa.select(sa.func.max(column)))
        if newest is not None:
            connection.execute(sa.select(sa.func.setval(named, newest)))
