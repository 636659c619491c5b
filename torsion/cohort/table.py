"""Table: results of a cohort as CSV, as Parquet and as a data frame, a row for each row of the manifest."""

import csv
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsion.angles import axis_difference_deg, direction_deg, mirror_axis_deg, wrap_rotation_deg
from torsion.cohort.columns import OTHER_PREFIX, column_of, level_points
from torsion.cohort.manifest import Manifest, Row
from torsion.files import MEASUREMENT_SCHEMA, read_schema, row

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "CSV_NAME", "DICTIONARY_NAME", "EYES_NAME", "PARQUET_NAME", "TABLE_NAMES",
    "Lookup", "kind_of", "read_table", "write_csv", "write_parquet",
]  # fmt: skip

CSV_NAME, PARQUET_NAME = "results.csv", "results.parquet"
EYES_NAME, DICTIONARY_NAME = "eyes.csv", "data-dictionary.csv"
TABLE_NAMES = (CSV_NAME, PARQUET_NAME, EYES_NAME, DICTIONARY_NAME)
"""Tables that a run and its report write."""

Lookup = Callable[[Row], tuple[dict[str, Any] | None, str]]
"""Gives the record of a row, or None with the reason why there is none."""

_ELSEWHERE = ("eye", "cautions")  # fields of a record: a column of the manifest; the same in every row
_NOT_HERE = ("cost", "network", "ink", "hand", "centre", "axis.offsets")  # never made in a cohort
_LEVEL = ("level.seated_deg", "level.supine_deg", "level.rotation_deg")
_CHUNK = 1000  # rows held in memory for Parquet


def write_csv(folder: Path, manifest: Manifest, result_of: Lookup) -> Path:
    """Write ``results.csv``, whole or not at all.

    Nested fields are joined by a dot, lists by ``;``, what is missing is empty.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    path = folder / CSV_NAME
    with _whole(path) as part, part.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, _columns(manifest, result_of), restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(_lines(manifest, result_of))
    return path


def write_parquet(table: Path) -> Path | None:
    """Write ``results.parquet`` beside ``results.csv``, from it, typed; None where pyarrow is not installed.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError:
        return None
    path = table.with_name(PARQUET_NAME)
    types = {"number": arrow.float64(), "boolean": arrow.bool_(), "text": arrow.string()}
    with table.open(newline="", encoding="utf-8") as stream, _whole(path) as part:
        reader = csv.DictReader(stream)
        kinds = {name: kind_of(name) for name in reader.fieldnames or ()}
        schema = arrow.schema([(name, types[kind]) for name, kind in kinds.items()])
        with parquet.ParquetWriter(part, schema) as writer:
            for lines in _chunks(reader):
                typed = [{name: _typed(line[name], kind) for name, kind in kinds.items()} for line in lines]
                writer.write_table(arrow.Table.from_pylist(typed, schema=schema))
    return path


def read_table(path: Path) -> "DataFrame":
    """Read ``results.csv`` with every column in its type; what is empty is missing.

    Returns
    -------
    DataFrame
        Numbers as float64, yes and no as boolean, all else, patients with leading zeros included, as text.
    """
    import pandas as pd

    types = {"number": "float64", "boolean": "boolean", "text": "str"}
    heading = pd.read_csv(path, nrows=0).columns
    dtypes = {name: types[kind_of(name)] for name in heading}
    return pd.read_csv(path, dtype=dtypes, keep_default_na=False, na_values=[""])


def kind_of(name: str) -> str:
    """Type of a column of the table.

    Returns
    -------
    {"number", "boolean", "text"}

    Examples
    --------
    >>> kind_of("bands.iris.score"), kind_of("view.mirrored"), kind_of("flags"), kind_of("patient")
    ('number', 'boolean', 'text', 'text')
    """
    if name == "row" or name in _LEVEL:
        return "number"
    if name == "reason" or name.startswith(OTHER_PREFIX):
        return "text"
    for field, kind in _fields().items():
        if name == field or (field.endswith(".") and name.startswith(field)):
            return kind
    return column_of(name).kind


def _lines(manifest: Manifest, result_of: Lookup) -> Iterator[dict[str, str]]:
    for pair in manifest.rows:
        record, reason = result_of(pair)
        line = {"row": str(pair.number), **pair.cells, "reason": reason}
        if record is not None:
            fields = {name: value for name, value in record.items() if name not in _ELSEWHERE}
            line |= row(fields) | _level(pair, record)
            line |= {"seated.file": pair.seated.name, "supine.file": pair.supine.name}  # as named now
        # A lone carriage return would end the line for most readers, since the csv module does not quote it.
        yield {name: text.replace("\r", " ") for name, text in line.items() if text}


def _columns(manifest: Manifest, result_of: Lookup) -> list[str]:
    """Columns in an order of their own; the data decide only what is there within an open field."""
    found: dict[str, None] = {}
    for line in _lines(manifest, result_of):
        found.update(dict.fromkeys(line))
    own = ["row", *manifest.columns, "reason"]
    fields: list[str] = []
    for field in _fields():
        fields += [name for name in sorted(found) if name.startswith(field)] if field[-1] == "." else [field]
    fields += _LEVEL if "seated_level" in manifest.columns else ()
    return list(dict.fromkeys([*own, *fields, *sorted(found)]))  # with what the schema does not name yet


@cache
def _fields() -> dict[str, str]:
    """Fields of a measurement's schema with their types; an open object ends with a dot."""
    schema = read_schema(MEASUREMENT_SCHEMA)

    def walk(node: Mapping[str, Any], path: str) -> Iterator[tuple[str, str]]:
        if "$ref" in node:
            node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
        if "oneOf" in node:
            yield from walk(next(part for part in node["oneOf"] if part.get("type") != "null"), path)
        elif "properties" in node and "additionalProperties" not in node:
            for name, inner in node["properties"].items():
                yield from walk(inner, f"{path}.{name}" if path else name)
        elif node.get("type") == "object":
            yield f"{path}.", _kind(node.get("additionalProperties", {}))
        else:
            yield path, _kind(node)

    fields = {name: kind for name, kind in walk(schema, "") if name not in _ELSEWHERE}
    return {
        name: kind
        for name, kind in fields.items()
        if name not in _NOT_HERE and not name.startswith(tuple(f"{part}." for part in _NOT_HERE))
    }


def _kind(node: Mapping[str, Any]) -> str:
    named = node.get("type", ())
    types = {named} if isinstance(named, str) else set(named)
    if "number" in types or any(isinstance(value, int | float) for value in node.get("enum", ())):
        return "number"
    return "boolean" if "boolean" in types else "text"


def _level(pair: Row, record: Mapping[str, Any]) -> dict[str, str]:
    """Tilt of the level lines, and the rotation against them: that of the eye in the head."""
    if not pair.cells.get("seated_level"):
        return {}
    seated, supine = (_tilt_deg(pair.cells[f"{role}_level"]) for role in ("seated", "supine"))
    level: dict[str, float | None] = dict.fromkeys(_LEVEL)
    level |= {"level.seated_deg": round(seated, 4), "level.supine_deg": round(supine, 4)}
    rotation, view = record["rotation_deg"], record["view"]
    if rotation is not None and view is not None:  # the view is undone in both
        line = mirror_axis_deg(supine) if view["mirrored"] else supine
        tilt = axis_difference_deg(line - view["turn_deg"], seated)
        level["level.rotation_deg"] = round(wrap_rotation_deg(rotation - tilt), 4)
    return row(level)


def _tilt_deg(text: str) -> float:
    x1, y1, x2, y2 = level_points(text)
    return axis_difference_deg(float(direction_deg(x2 - x1, y2 - y1)), 0.0)


def _typed(text: str, kind: str) -> object:
    if not text:
        return None
    return float(text) if kind == "number" else text == "true" if kind == "boolean" else text


def _chunks(lines: Iterable[dict[str, str]]) -> Iterator[list[dict[str, str]]]:
    chunk: list[dict[str, str]] = []
    for line in lines:
        chunk.append(line)
        if len(chunk) == _CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


@contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """Give a temporary place in the same folder, which takes the file's place when all is written."""
    with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as folder:
        part = Path(folder, path.name)
        try:
            yield part
            os.replace(part, path)
        except OSError as fault:
            raise OSError(fault.errno, fault.strerror, str(path)) from fault
