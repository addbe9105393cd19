"""Rows of the data dictionary's tables as Parquet files. Needs pyarrow, an extra; `store.export` calls it.

Columns have the dictionary's types: 64-bit integers, doubles, time stamps in microseconds of UTC, lists of
structs. `site` is no column here but the directory's name, as `day` is, so that an engine that reads many
of these files at once adds both. Each column carries unit and layer as its metadata; meanings stand in the
dictionary alone, since in the files of a day they would weigh more than the data.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa
from pyarrow import parquet

from store.clock import NS_PER_US
from store.columns import Values
from store.dictionary import LIST_FIELDS, SITE, Column, Table, Type

ROW_GROUP_ROWS = 10_000  # more than a day of six trains
_BATCH_ROWS = 500  # a train's row with its buckets weighs some 10 kB until it is in a column

_TYPES = {
    Type.TEXT: pa.string(),
    Type.INTEGER: pa.int64(),
    Type.REAL: pa.float64(),
    Type.TRUTH: pa.bool_(),
    Type.TIME: pa.timestamp("us", tz="UTC"),
    **{
        type_: pa.list_(pa.struct([(name, pa.int64()) for name in names]))
        for type_, names in LIST_FIELDS.items()
    },
}


def schema_of(table: Table) -> pa.Schema:
    """The Parquet schema of a table."""
    return pa.schema([_field(column) for column in _columns(table)])


def write(path: Path, table: Table, rows: Iterator[Values]) -> int:
    """Write the rows to a new file and return how many they were."""
    schema = schema_of(table)
    count = 0
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        waiting: list[pa.RecordBatch] = []
        while batch := list(islice(rows, _BATCH_ROWS)):
            arrays = [_array(column, [row[column.name] for row in batch]) for column in _columns(table)]
            waiting.append(pa.record_batch(arrays, schema=schema))
            count += len(batch)
            if sum(batch.num_rows for batch in waiting) >= ROW_GROUP_ROWS:
                writer.write_table(pa.Table.from_batches(waiting))
                waiting = []
        if waiting:
            writer.write_table(pa.Table.from_batches(waiting))
    return count


def _columns(table: Table) -> tuple[Column, ...]:
    return tuple(column for column in table.columns if column.name != SITE.name)


def _field(column: Column) -> pa.Field:
    about = {name: text for name, text in (("unit", column.unit), ("layer", column.layer)) if text}
    return pa.field(column.name, _TYPES[column.type], metadata=about)


def _array(column: Column, values: Sequence[Any]) -> pa.Array:
    if column.type.nested:
        return _lists(column.type, values)
    if column.type is Type.TIME:
        values = [None if value is None else value // NS_PER_US for value in values]
    return pa.array(values, type=_TYPES[column.type])


def _lists(type_: Type, values: Sequence[Iterable[tuple[int, ...]] | None]) -> pa.Array:
    """Lists of structs, built column by column: a dict for each entry would cost ten times the memory."""
    offsets = [0]
    entries: list[tuple[int, ...]] = []
    for value in values:
        entries += value or ()
        offsets.append(len(entries))
    names = LIST_FIELDS[type_]
    by_field = list(zip(*entries, strict=True)) or [()] * len(names)
    structs = pa.StructArray.from_arrays(
        [pa.array(field, type=pa.int64()) for field in by_field], names=list(names)
    )
    missing = pa.array([value is None for value in values], type=pa.bool_())
    return pa.ListArray.from_arrays(
        pa.array(offsets, type=pa.int32()), structs, type=_TYPES[type_], mask=missing
    )
