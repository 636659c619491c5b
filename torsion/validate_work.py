"""Work of a validation: photos prepared, changed on purpose where a check asks for it, and measured."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.light import light, measure_light
from torsion.cohort.places import PhotoFile, local_copy
from torsion.errors import PhotoError
from torsion.intake import read_photo
from torsion.measurement import Measurement
from torsion.photo import Photo
from torsion.preparation import ENOUGH_SIDE_PX, PreparedPhoto, prepare
from torsion.turned_ring import turned_eye
from torsion.validate_checks import Answered, Check, Task

__all__ = ["prepare_photo", "work"]


def prepare_photo(path: Path) -> PreparedPhoto | str:
    """Prepare a photo once for all its pairs, or say why that is not possible."""
    try:
        with local_copy(PhotoFile(path.name, str(path))) as place:
            return light(prepare(_read(place)))
    except PhotoError as fault:
        return str(fault)


def work(task: Task) -> list[Answered]:
    """Measure the checks of a task."""
    kind, turned_deg = task.partners[0][0].kind, task.partners[0][0].turned_deg
    second: PreparedPhoto | str = task.second
    if kind in ("mirrored", "turned"):
        photo = _read(task.path)
        if kind == "mirrored":
            second = prepare(_with_pixels(photo, photo.pixels[:, ::-1]))
        else:
            second = _turned(photo, task.second, turned_deg)
    if isinstance(second, str):
        return [Answered(check, None, fault=second) for check, _ in task.partners]
    whole = second if second is not task.second else None
    return [
        _answered(check, measure_light(first, second, whole=lambda: whole or prepare(_read(task.path))))
        for check, first in task.partners
    ]


def _read(path: str | Path) -> Photo:
    """Read a photo without what its file says beside the picture.

    Pairs have no order here, so no time; and which eye it is would tell different eyes apart by the file.
    """
    return replace(read_photo(path, max_side_px=ENOUGH_SIDE_PX), captured_at=None, eye=None)


def _with_pixels(photo: Photo, pixels: NDArray[np.uint8]) -> Photo:
    pixels = np.ascontiguousarray(pixels)
    pixels.setflags(write=False)
    return replace(photo, pixels=pixels)


def _turned(photo: Photo, prepared: PreparedPhoto, turned_deg: float) -> PreparedPhoto | str:
    """Prepare the photo with its eye turned; or the reason why it was not."""
    found = prepared.limbus and prepared.limbus.scaled(1.0 / photo.decoded_scale)
    made = turned_eye(photo.pixels, found, angle_deg=turned_deg)
    return made if isinstance(made, str) else prepare(_with_pixels(photo, made))


def _answered(check: Check, found: Measurement) -> Answered:
    iris, limbus = found.bands.get("iris"), found.bands.get("limbus")
    apart = uncertainty = None
    if iris and limbus and not {"iris_only", "limbus_only"} & set(found.flags):
        apart = iris.rotation_deg - limbus.rotation_deg
        uncertainty = float(np.hypot(iris.standard_uncertainty_deg, limbus.standard_uncertainty_deg))
    return Answered(
        check,
        found.verdict,
        found.rotation_deg,
        found.standard_uncertainty_deg,
        found.evidence,
        found.margin,
        apart,
        uncertainty,
        found.flags,
    )
