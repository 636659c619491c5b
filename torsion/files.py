"""Files: a record as text, as a row of a table, under its schema; written whole or not at all, and read back.

The same record gives the same bytes.
"""

import json
import os
import re
import secrets
import shutil
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from torsion.errors import TorsionError

__all__ = [
    "BUDGET_SCHEMA",
    "INSPECTION_SCHEMA",
    "MEASUREMENT_SCHEMA",
    "PLAN_SCHEMA",
    "RECHECK_SCHEMA",
    "RESIDUAL_SCHEMA",
    "read_json",
    "read_schema",
    "row",
    "to_json",
    "write_whole",
]

MEASUREMENT_SCHEMA = "torsion/measurement/1"
INSPECTION_SCHEMA = "torsion/inspection/1"
PLAN_SCHEMA = "torsion/plan/1"
RESIDUAL_SCHEMA = "torsion/residual/1"
RECHECK_SCHEMA = "torsion/recheck/1"
BUDGET_SCHEMA = "torsion/budget/1"
_UNREAD = re.compile("[\udc80-\udcff]+")  # bytes of a name that are no letters in this locale (PEP 383)
_SCHEMA_FILES = {
    schema: f"{schema.split('/')[1]}-1.json"
    for schema in (
        MEASUREMENT_SCHEMA, INSPECTION_SCHEMA, PLAN_SCHEMA, RESIDUAL_SCHEMA, RECHECK_SCHEMA, BUDGET_SCHEMA,
        "torsion/ink/1", "torsion/landmarks/1", "torsion/level/1", "torsion/validation/1",
    )
}  # fmt: skip


def to_json(record: Mapping[str, Any]) -> str:
    """Text of a record: UTF-8, two spaces of indentation, a newline at the end, no NaN.

    Names of files are read as UTF-8 whatever the locale; a question mark stands for what is no text in it.

    Raises
    ------
    ValueError
        If a number in it is not finite.
    TypeError
        If a value in it is not plain.
    """
    text = json.dumps(record, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    return _UNREAD.sub(_read_again, text).encode(errors="replace").decode()


def _read_again(unread: re.Match[str]) -> str:
    return unread[0].encode(errors="surrogateescape").decode(errors="surrogateescape")


def write_whole(data: str | bytes, path: str | os.PathLike[str]) -> None:
    """Write a file whole or not at all: a reader never meets half of it, a failure leaves the old one.

    What is no file, a device or a pipe, stays what it is and is written into.

    Raises
    ------
    OSError
        If the folder does not exist or cannot be written to.
    """
    target = Path(path)
    raw = data.encode(errors="replace") if isinstance(data, str) else data
    if target.exists() and not target.is_file():
        target.write_bytes(raw)
        return
    aside = target.with_name(f".{target.name}.{secrets.token_hex(8)}")
    try:
        file = aside.open("xb")  # who may read it is for the system to say, as of any new file
    except OSError as fault:  # names the file that was asked for, not the one beside it
        raise OSError(fault.errno, fault.strerror, str(target)) from fault
    try:
        with file:
            if target.exists():
                shutil.copymode(target, aside)  # a file that was closed to others stays so
            file.write(raw)
        os.replace(aside, target)
    except OSError as fault:
        raise OSError(fault.errno, fault.strerror, str(target)) from fault
    finally:
        aside.unlink(missing_ok=True)


def read_json(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a record that `to_json` wrote, now or by an earlier version; unknown fields are kept.

    Raises
    ------
    OSError
        If the file cannot be read.
    TorsionError
        If it holds no record of a schema known here.
    """
    try:
        found = json.loads(Path(path).read_text(encoding="utf-8"))
    except ValueError as fault:
        msg = f"'{path}' holds no JSON: {fault}"
        raise TorsionError(msg) from fault
    schema = found.get("schema") if isinstance(found, dict) else None
    if schema not in _SCHEMA_FILES:
        msg = f"'{path}' must state one of the schemas {', '.join(_SCHEMA_FILES)}, not {schema!r}"
        raise TorsionError(msg)
    return dict(found)


def read_schema(name: str) -> dict[str, Any]:
    """Read the shipped JSON Schema (draft 2020-12) of a record.

    Raises
    ------
    ValueError
        If no record follows a schema of that name.

    Examples
    --------
    >>> read_schema("torsion/measurement/1")["$schema"]
    'https://json-schema.org/draft/2020-12/schema'
    """
    if name not in _SCHEMA_FILES:
        msg = f"schema must be one of {', '.join(_SCHEMA_FILES)}, not {name!r}"
        raise ValueError(msg)
    file = resources.files("torsion") / "schemas" / _SCHEMA_FILES[name]
    return dict(json.loads(file.read_text(encoding="utf-8")))


def row(record: Mapping[str, Any]) -> dict[str, str]:
    """Flatten a record into one row of a table.

    Nested fields are joined by a dot, lists by ``;``, a value that is missing is empty.

    Examples
    --------
    >>> row({"bands": {"iris": {"score": 0.5}, "limbus": None}, "flags": ["uncertain", "small_eye"]})
    {'bands.iris.score': '0.5', 'bands.limbus': '', 'flags': 'uncertain;small_eye'}
    """
    flat: dict[str, str] = {}
    for name, value in record.items():
        if isinstance(value, Mapping):
            flat.update({f"{name}.{inner}": text for inner, text in row(value).items()})
        elif isinstance(value, list | tuple):
            flat[name] = ";".join(_cell(item) for item in value)
        else:
            flat[name] = _cell(value)
    return flat


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, str | int | float) else json.dumps(value, ensure_ascii=False)
