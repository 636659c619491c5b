"""Strip: copies of photos that hold the eye and nothing else, with a manifest that keeps what they lose."""

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from PIL import Image

from torsion.cohort.columns import OTHER_PREFIX, level_points
from torsion.cohort.executors import Executor
from torsion.cohort.manifest import Manifest, Row, manifest_text
from torsion.cohort.places import PhotoFile, local_copy
from torsion.cohort.progress import OnProgress, reporter, silent
from torsion.errors import PhotoError
from torsion.files import write_whole
from torsion.intake import read_photo
from torsion.preparation import prepare
from torsion.raster import MIN_SIDE_PX

__all__ = ["IDENTIFYING", "MANIFEST_NAME", "Stripped", "strip_cohort"]

IDENTIFYING = (
    "An iris identifies a person: these copies are pseudonymous, not anonymous, and need the same consent "
    "and care."
)
MANIFEST_NAME = "manifest.csv"

_REACH = 2.2  # half side of the copy in limbus radii: what is measured reaches to 1.55, the lids to about 2


@dataclass(frozen=True, slots=True)
class Stripped:
    """What was written.

    Attributes
    ----------
    manifest : Path
    photos, rows : int
        Copies, and rows of the new manifest.
    left_out : dict of int to str
        Rows of the old manifest that are not in the new one, by their number, and why.
    """

    manifest: Path
    photos: int
    rows: int
    left_out: dict[int, str]


@dataclass(frozen=True, slots=True)
class _Task:
    """One photo to be copied."""

    file: PhotoFile
    target: str


@dataclass(frozen=True, slots=True)
class _Copy:
    """A copy, or the reason why there is none; its corner in the photo, and when that was taken."""

    target: str
    x_px: int = 0
    y_px: int = 0
    captured_at: str | None = None
    reason: str = ""


def strip_cohort(
    manifest: Manifest,
    folder: Path,
    *,
    executor: Executor,
    on_progress: OnProgress = silent,
) -> Stripped:
    """Write copies of all photos without metadata, cropped to the eye, under new names, with a manifest.

    Copies are PNG, so that no pixel changes.  Posture stays in the manifest, and so does the time between the
    photos, taken from the files where the manifest does not state it: a basic removal of all that might
    identify would destroy both.  Level points are moved with the crop.  Columns without a meaning here are
    left out.

    Parameters
    ----------
    manifest : Manifest
    folder : Path
        Made where it does not exist.
    executor : Executor
    on_progress : callable
        Called with a `Progress` now and then.

    Returns
    -------
    Stripped

    Raises
    ------
    OSError
        If something cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    folder = folder.resolve()  # workers may stand elsewhere
    files = {photo.location: photo for row in manifest.rows for photo in (row.seated, row.supine)}
    names = {place: str(folder / f"photo-{number:05d}.png") for number, place in enumerate(files, 1)}
    tasks = [_Task(files[place], name) for place, name in names.items()]
    copies: dict[str, _Copy] = {}
    report = reporter("copying", len(tasks), on_progress)
    for outcome in executor.run(strip_photo, tasks):
        copy = outcome.result or _Copy(outcome.task.target, reason=f"cannot be copied: {outcome.fault}")
        copies[outcome.task.target] = copy
        report(len(copies))
    lines, left_out = [], {}
    for row in manifest.rows:
        pair = tuple(copies[names[photo.location]] for photo in (row.seated, row.supine))
        reasons = list(dict.fromkeys(copy.reason for copy in pair if copy.reason))
        if reasons:
            left_out[row.number] = "; ".join(reasons)
        else:
            lines.append(_line(row, *pair))
    kept = [name for name in manifest.columns if not name.startswith(OTHER_PREFIX)]
    columns = [*kept, *(name for name in ("posture", "minutes") if name not in kept)]
    write_whole(manifest_text(columns, lines), folder / MANIFEST_NAME)
    used = {line[role] for line in lines for role in ("seated", "supine")}
    for copy in copies.values():
        if Path(copy.target).name not in used:
            Path(copy.target).unlink(missing_ok=True)
    return Stripped(folder / MANIFEST_NAME, len(used), len(lines), left_out)


def strip_photo(task: _Task) -> _Copy:
    """Write the copy of one photo; the work of one task."""
    try:
        with local_copy(task.file) as path:
            limbus = prepare(path).limbus
            photo = read_photo(path)
    except PhotoError as fault:
        return _Copy(task.target, reason=str(fault))
    if limbus is None:
        return _Copy(task.target, reason=f"no eye was found in '{task.file.name}', so nothing can be cut out")
    half = max(_REACH * limbus.radius_px, MIN_SIDE_PX / 2)
    left, right = _span(limbus.x_px, half, photo.width_px)
    top, bottom = _span(limbus.y_px, half, photo.height_px)
    stream = io.BytesIO()
    Image.fromarray(photo.pixels[top:bottom, left:right]).save(stream, "PNG")  # pixels only
    write_whole(stream.getvalue(), task.target)
    return _Copy(task.target, left, top, photo.captured_at)


def _span(centre: float, half: float, size: int) -> tuple[int, int]:
    """Whole pixels about a centre, moved into the picture; never fewer than a photo must have."""
    start, end = max(0, round(centre - half)), min(size, round(centre + half) + 1)
    start = max(0, min(start, end - MIN_SIDE_PX))
    return start, min(size, max(end, start + MIN_SIDE_PX))


def _line(row: Row, seated: _Copy, supine: _Copy) -> Mapping[str, str]:
    cells = {name: text for name, text in row.cells.items() if not name.startswith(OTHER_PREFIX)}
    for role, copy in (("seated", seated), ("supine", supine)):
        cells[role] = Path(copy.target).name
        if cells.get(f"{role}_level"):
            cells[f"{role}_level"] = _moved(cells[f"{role}_level"], copy)
    cells["posture"] = cells.get("posture") or "seated-supine"
    cells["minutes"] = cells.get("minutes") or _minutes(seated.captured_at, supine.captured_at)
    return cells


def _moved(text: str, copy: _Copy) -> str:
    x1, y1, x2, y2 = level_points(text)
    moved = (x1 - copy.x_px, y1 - copy.y_px, x2 - copy.x_px, y2 - copy.y_px)
    return " ".join(f"{number:.2f}" for number in moved)


def _minutes(seated_at: str | None, supine_at: str | None) -> str:
    """Minutes between two times as the camera had them; empty where one is missing or they go backwards."""
    if seated_at is None or supine_at is None:
        return ""
    seated, supine = datetime.fromisoformat(seated_at), datetime.fromisoformat(supine_at)
    if (seated.tzinfo is None) != (supine.tzinfo is None):
        return ""
    minutes = (supine - seated).total_seconds() / 60.0
    return f"{minutes:.1f}" if minutes >= 0.0 else ""
