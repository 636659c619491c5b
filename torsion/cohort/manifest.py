"""Manifest: the list of photo pairs of a cohort, read and checked as a whole before any work starts."""

import csv
import io
import os
import posixpath
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from torsion.angles import Eye
from torsion.axis import AxisFrame
from torsion.cohort.columns import COLUMNS, OTHER_PREFIX, cell_text, column_of
from torsion.cohort.places import PhotoFile, find_photo, is_remote, read_remote
from torsion.delimited import read_delimited
from torsion.errors import LibraryError, ManifestError
from torsion.photo import Turn, read_turn

__all__ = ["Manifest", "Row", "doubts", "manifest_text", "read_manifest"]

_MOST_SHOWN = 50  # mistakes listed one by one; the rest is counted


@dataclass(frozen=True, slots=True)
class Row:
    """One pair of photos.

    Attributes
    ----------
    number : int
        Counted from 1 below the heading; rows without any text do not count.
    cells : mapping of str to str
        Every cell in its normal form, by its column's name in tables of results.
    seated, supine : PhotoFile
    """

    number: int
    cells: Mapping[str, str]
    seated: PhotoFile
    supine: PhotoFile

    @property
    def eye(self) -> Eye:
        """Right or left."""
        return cast(Eye, self.cells["eye"])

    @property
    def axis_deg(self) -> float | None:
        """Planned axis, (0, 180]."""
        return self._number("axis")

    @property
    def axis_frame(self) -> AxisFrame:
        """How the first photo's frame relates to that of the keratometry."""
        return cast(AxisFrame, self.cells.get("axis_frame") or "unknown")

    @property
    def incision_deg(self) -> float | None:
        """Planned direction of the incision, [0, 360)."""
        return self._number("incision")

    @property
    def mirrored(self) -> bool:
        """Whether the second photo is known to be mirrored."""
        return self.cells.get("mirrored") == "true"

    @property
    def turned_deg(self) -> Turn:
        """Counter-clockwise turn of the second photo, where it is known."""
        return read_turn(self._number("turned") or 0)

    def _number(self, name: str) -> float | None:
        text = self.cells.get(name)
        return float(text) if text else None


@dataclass(frozen=True, slots=True)
class Manifest:
    """Pairs of a cohort.

    Attributes
    ----------
    rows : tuple of Row
        At least one.
    columns : tuple of str
        Names of the cells of every row, in order.
    """

    rows: tuple[Row, ...]
    columns: tuple[str, ...]

    @property
    def carried(self) -> tuple[str, ...]:
        """Columns without a meaning here, as the manifest names them."""
        return tuple(c.removeprefix(OTHER_PREFIX) for c in self.columns if c.startswith(OTHER_PREFIX))


def read_manifest(path: str | os.PathLike[str], *, allow_outside: bool = False) -> Manifest:
    """Read a manifest, CSV or Parquet, and check every cell of it.

    CSV may be separated by commas, semicolons or tabs, start with a byte order mark, have decimal commas and
    paths as Windows writes them.  Text is UTF-8, UTF-16 with its mark, or else Windows-1252.

    Parameters
    ----------
    path : str or path
        Local path, or URL that fsspec opens.
    allow_outside : bool, default False
        Allow photos outside the manifest's folder.

    Returns
    -------
    Manifest

    Raises
    ------
    ManifestError
        With every mistake in it, by row and column.
    OSError
        If the file cannot be read.
    """
    place = os.fspath(path)
    data = read_remote(place) if is_remote(place) else Path(place).read_bytes()
    table = _parquet_table(data) if data[:4] == b"PAR1" else _csv_table(data)
    heading = [cell.strip().casefold() for cell in table[0]] if table else []
    mistakes = _heading_mistakes(heading)
    lines = [[cell.strip() for cell in line] for line in table[1:]]
    lines = [line for line in lines if any(line)]
    if not mistakes and not lines:
        mistakes = ["there is no row below the heading"]
    rows: list[Row] = []
    if not mistakes:
        folder = posixpath.dirname(place) if is_remote(place) else os.path.dirname(os.path.abspath(place))
        for number, line in enumerate(lines, 1):
            row, wrong = _row(number, heading, line, folder, allow_outside)
            rows += [row] if row else []
            mistakes += [f"row {number}{text}" for text in wrong]
    if mistakes:
        raise ManifestError(_listed(place, mistakes))
    return Manifest(tuple(rows), tuple(rows[0].cells))


def doubts(manifest: Manifest) -> list[str]:
    """Say what looks like a mistake in rows that can be read; only names are compared, no file is opened.

    Returns
    -------
    list of str
        One sentence for each row that names the photos of an earlier one, or one file twice, and for each
        photo that stands for another patient or eye as well.
    """
    said: list[str] = []
    pairs: dict[tuple[str, ...], int] = {}
    owners: dict[str, tuple[tuple[str, str], int]] = {}
    for row in manifest.rows:
        photos, whose = {"seated": row.seated, "supine": row.supine}, (row.cells["patient"], row.eye)
        places = [photo.location for photo in photos.values()]
        first = pairs.setdefault((*whose, *places), row.number)
        if first != row.number:
            said.append(f"row {row.number}: the photos of row {first} again; statistics count them once")
        elif places[0] == places[1]:
            said.append(f"row {row.number}: seated and supine are the same file, '{row.seated.name}'")
        for role, photo in photos.items():
            owner, number = owners.setdefault(photo.location, (whose, row.number))
            if owner != whose:
                where = f"row {row.number}, column {role}"
                said.append(f"{where}: '{photo.name}' is of patient {', '.join(owner)}, in row {number}")
    return said


def manifest_text(columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> str:
    """Text of a manifest in CSV."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(columns), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def _row(
    number: int, heading: Sequence[str], line: Sequence[str], folder: str, allow_outside: bool
) -> tuple[Row | None, list[str]]:
    """Read one row; None with its mistakes where there are any."""
    if len(line) > len(heading) and any(line[len(heading) :]):
        text = f": has {len(line)} cells, but the heading has {len(heading)} (decimal commas need quotes)"
        return None, [text]
    wrong: list[str] = []
    cells: dict[str, str] = {}
    photos: dict[str, PhotoFile] = {}
    padded = [*line, *[""] * (len(heading) - len(line))]
    for name, text in zip(heading, padded, strict=False):
        column = column_of(name)
        if not name:  # a column without a name and, as the heading was checked, without use
            continue
        try:
            if column.required and not text:
                wrong.append(f", column {name}: is empty")
                continue
            cells[column.name] = column.read(text) if text else column.default
            if name in ("seated", "supine"):
                photos[name] = find_photo(text, folder, allow_outside=allow_outside)
        except ValueError as fault:
            wrong.append(f", column {name}: {fault}")
    wrong += _contradictions(cells)
    return (None if wrong else Row(number, cells, photos["seated"], photos["supine"])), wrong


def _contradictions(cells: Mapping[str, str]) -> list[str]:
    wrong = []
    if not cells.get("axis"):
        wrong += [f", column {name}: needs an axis" for name in ("axis_frame", "incision") if cells.get(name)]
    if bool(cells.get("seated_level")) != bool(cells.get("supine_level")):
        wrong.append(", column supine_level: goes with seated_level, one is empty")
    return wrong


def _heading_mistakes(heading: Sequence[str]) -> list[str]:
    required = [column.name for column in COLUMNS.values() if column.required]
    wrong = [f"the column {name} is missing" for name in required if name not in heading]
    if len(wrong) == len(required):
        found = ", ".join(heading[:8]) or "nothing"
        return [f"the first line must name the columns {', '.join(required)}, but holds {found}"]
    named = [name for name in heading if name]
    twice = {name for name in named if named.count(name) > 1}
    return wrong + [f"the column {name} is there twice" for name in sorted(twice)]


def _listed(place: str, mistakes: Sequence[str]) -> str:
    shown = [*mistakes[:_MOST_SHOWN]]
    if len(mistakes) > _MOST_SHOWN:
        shown.append(f"and {len(mistakes) - _MOST_SHOWN} more")
    heading = (
        f"'{place}' cannot be used as a manifest (row 1 is below the heading, empty rows not counted):\n"
    )
    return heading + "\n".join(f"  {text}" for text in shown)


def _csv_table(data: bytes) -> list[list[str]]:
    try:
        return read_delimited(data)
    except ValueError as fault:
        msg = f"the manifest {fault}"
        raise ManifestError(msg) from fault


def _parquet_table(data: bytes) -> list[list[str]]:
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError:
        msg = "a manifest in Parquet needs a further package: pip install 'torsion[cohort]'"
        raise LibraryError(msg) from None
    try:
        table = parquet.read_table(io.BytesIO(data))
    except arrow.ArrowException as fault:
        msg = f"the manifest is no Parquet file that can be read: {fault}"
        raise ManifestError(msg) from fault
    columns = [[cell_text(value) for value in column.to_pylist()] for column in table.columns]
    return [list(table.column_names), *[list(line) for line in zip(*columns, strict=True)]]
