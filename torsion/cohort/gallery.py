"""Gallery: the pairs of a cohort that are most worth a look."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.columns import POSTURES
from torsion.cohort.places import find_photo
from torsion.errors import TorsionError
from torsion.inset import inset
from torsion.intake import read_photo

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Look", "picture", "worth_a_look"]

_REACH = 1.5  # limbus radii shown about the middle of the eye: the eye, and little of the face
_SIDE_PX = 240
_ENOUGH_PX = 4 * _SIDE_PX  # longer side to read at: an eye fills a quarter of its photo, or more

Why = Literal["largest torsion", "largest turn", "lowest confidence"]


@dataclass(frozen=True, slots=True)
class Look:
    """A pair worth a look.

    Attributes
    ----------
    row : str
        Of the manifest.
    patient, eye : str
    why : {"largest torsion", "largest turn", "lowest confidence"}
        Torsion, if any pair goes from seated to supine; turns of controls otherwise.
    torsion_deg, rotation_deg, standard_uncertainty_deg : float
        Excyclo-positive, in the camera's frame, and how sure it is.
    verdict : str
    flags : tuple of str
    """

    row: str
    patient: str
    eye: str
    why: Why
    torsion_deg: float
    rotation_deg: float
    standard_uncertainty_deg: float
    verdict: str
    flags: tuple[str, ...]


def worth_a_look(data: "pd.DataFrame", *, most: int = 6) -> tuple[Look, ...]:
    """Pick the usable pairs with the largest torsion and those with the largest uncertainty.

    Controls turn by the head and the camera: beside pairs from seated to supine their turn is no torsion, and
    only their confidence counts.

    Parameters
    ----------
    data : DataFrame
        Of `torsion.cohort.observations.observations`.
    most : int, optional
        Pairs of each kind.

    Returns
    -------
    tuple of Look
        Largest torsion first, then lowest confidence; a pair is shown once.
    """
    used = data[data["usable"]]
    used = used.assign(size=used["torsion_deg"].abs())
    what: Why = "largest torsion" if (data["posture"] == POSTURES[0]).any() else "largest turn"
    ranked = used[used["posture"] == POSTURES[0]] if what == "largest torsion" else used
    largest = ranked.sort_values(["size", "row"], ascending=[False, True]).head(most)
    rest = used.drop(index=largest.index)
    least = rest.sort_values(["standard_uncertainty_deg", "row"], ascending=[False, True]).head(most)
    return tuple(
        [_look(row, what) for _, row in largest.iterrows()]
        + [_look(row, "lowest confidence") for _, row in least.iterrows()]
    )


def picture(row: "pd.Series[str]", folder: Path) -> bytes | None:
    """Both photos of a pair, cut to the eye, side by side.

    Parameters
    ----------
    row : Series
        One row of the results, with the paths ``seated, supine`` and the limbus of both.
    folder : Path
        That the paths start from.

    Returns
    -------
    bytes or None
        A PNG without metadata; None where a photo is not there, lies outside the folder, or shows no limbus.
    """
    import cv2

    eyes = [_cut(row, name, folder) for name in ("seated", "supine")]
    if any(eye is None for eye in eyes):
        return None
    both = np.concatenate([eye for eye in eyes if eye is not None], axis=1)
    encoded = cv2.imencode(".png", both[..., ::-1])[1]
    return bytes(encoded.tobytes())


def _look(row: "pd.Series[str]", why: Why) -> Look:
    return Look(
        str(row["row"]),
        str(row["patient"]),
        str(row["eye"]),
        why,
        float(row["torsion_deg"]),
        float(row["rotation_deg"]),
        float(row["standard_uncertainty_deg"]),
        str(row["verdict"]),
        tuple(name for name in str(row["flags"]).split(";") if name),
    )


def _cut(row: "pd.Series[str]", name: str, folder: Path) -> NDArray[np.uint8] | None:
    try:
        path = find_photo(str(row[name]), str(folder)).location
        x, y, radius = (float(row[f"{name}.limbus.{field}_px"]) for field in ("x", "y", "radius"))
        if not np.isfinite([x, y, radius]).all():
            return None
        photo = read_photo(path, max_side_px=_ENOUGH_PX)
    except (TorsionError, OSError, KeyError, ValueError):
        return None
    cut = inset(photo, x, y, _REACH * radius, side=_SIDE_PX, beyond=(226, 226, 220))
    return np.asarray(np.repeat(cut[..., None], 3, axis=2) if cut.ndim == 2 else cut, np.uint8)
