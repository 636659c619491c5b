"""A rotation with its standard uncertainty: typed, or read from the file that ``torsion measure`` wrote."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from torsion.angles import Eye
from torsion.cli.toric_types import numbers
from torsion.errors import TorsionError
from torsion.files import MEASUREMENT_SCHEMA, read_json

__all__ = ["StatedTurn", "left_turn", "read_turn", "right_turn"]


@dataclass(frozen=True, slots=True)
class StatedTurn:
    """A rotation with its standard uncertainty, and the file that it was read from, if it was."""

    rotation_deg: float
    standard_uncertainty_deg: float
    file: Path | None = None


def read_turn(text: str, *, of: Eye | None = None) -> StatedTurn:
    """Read a rotation and its standard uncertainty, typed or from a measurement's JSON (of that eye)."""
    try:
        rotation, uncertainty = numbers(text, 2, form="DEG,SD")
    except click.BadParameter:
        return _measured(text, of)
    return StatedTurn(rotation, uncertainty)


def right_turn(text: str) -> StatedTurn:
    """Read a rotation of the right eye."""
    return read_turn(text, of="OD")


def left_turn(text: str) -> StatedTurn:
    """Read a rotation of the left eye."""
    return read_turn(text, of="OS")


def _measured(text: str, eye: Eye | None) -> StatedTurn:
    if not Path(text).is_file() and Path(text).suffix.lower() != ".json":
        msg = f"{text!r} is neither DEG,SD (rotation and standard uncertainty) nor a file that measure wrote"
        raise click.BadParameter(msg)
    record = read_json(text)
    name = Path(text).name
    if record["schema"] != MEASUREMENT_SCHEMA:
        msg = f"'{name}' must hold a measurement ({MEASUREMENT_SCHEMA}), not {record['schema']}"
        raise TorsionError(msg)
    if eye is not None and record.get("eye") not in (None, eye):
        msg = f"'{name}' is a measurement of {record['eye']}, not of {eye}"
        raise TorsionError(msg)
    if record.get("verdict") == "refuse":
        msg = f"'{name}' holds no rotation to use: the measurement was refused"
        raise TorsionError(msg)
    rotation, uncertainty = (
        _number(record, field, name) for field in ("rotation_deg", "standard_uncertainty_deg")
    )
    return StatedTurn(rotation, uncertainty, Path(text))


def _number(record: Mapping[str, Any], field: str, name: str) -> float:
    value = record.get(field)
    if not isinstance(value, int | float) or isinstance(value, bool):
        msg = f"'{name}' is no measurement that measure wrote: its {field} must be a number, not {value!r}"
        raise TorsionError(msg)
    return float(value)
