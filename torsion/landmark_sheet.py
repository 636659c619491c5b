"""The landmark sheet: one A4 page from the seated photo alone, for eyes that set the axis by eye.

It names no file and shows nothing that the photo's file says of itself.
"""

import base64
import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from torsion._version import __version__
from torsion.angles import unit_vector, wrap_direction_deg
from torsion.centre import LIMBUS_MM
from torsion.flags import FLAGS
from torsion.inset import inset
from torsion.landmark_search import FAINT
from torsion.landmark_survey import LandmarkSurvey, clock_words, length_words, offset_words
from torsion.landmarks import Landmark
from torsion.photo import Ellipse, Photo
from torsion.record import cautions
from torsion.sheets import EYES, one_line, render_sheet
from torsion.wording import axis_degrees, direction_degrees, flag_words, verdict_word

__all__ = ["MOST_LANDMARKS", "landmark_sheet"]

MOST_LANDMARKS = 8
"""Landmarks that the page has room for."""

_VIEW, _PATCH = 1.5, 0.24  # half side of the eye and of a landmark's picture, in limbus radii
_EYE_PX, _PATCH_PX = 1000, 400  # 220 dots an inch in print
_DIAL = 1.74  # where degrees are written


def landmark_sheet(survey: LandmarkSurvey, *, case: str = "") -> str:
    """Write the landmark sheet.

    Parameters
    ----------
    survey : LandmarkSurvey
        With an eye; of landmarks there may be none.  Refused, the page says so and shows no axis.
    case : str, optional
        Label of the case, printed as it is.

    Returns
    -------
    str
        A whole HTML document that needs nothing from elsewhere and prints on one side of A4 in black.

    Raises
    ------
    ValueError
        If the label is longer than `torsion.sheets.LONGEST_CASE`, there are more than `MOST_LANDMARKS`
        landmarks, or no eye was found.
    ImportError
        If Jinja2 is not installed.
    """
    case = one_line(case)
    if len(survey.landmarks) > MOST_LANDMARKS:
        msg = f"the sheet has room for {MOST_LANDMARKS} landmarks, not {len(survey.landmarks)}"
        raise ValueError(msg)
    limbus = survey.prepared.limbus
    if limbus is None:
        msg = "a landmark sheet needs a photo in which an eye was found"
        raise ValueError(msg)
    refused = survey.verdict == "refuse"
    photo, axis = survey.prepared.photo, None if refused else survey.axis_deg
    fields = {
        "case": case,
        "eye": EYES[survey.eye],
        "refused": refused,
        "verdict": verdict_word(survey.verdict),
        "axis": None if axis is None else axis_degrees(axis),
        "picture": _eye_picture(photo, limbus),
        "dial": _dial(),
        "nasal_x": {"OD": _DIAL, "OS": -_DIAL, None: 0.0}[None if refused else survey.eye],
        "marks": [_mark(landmark, photo, limbus) for landmark in survey.landmarks],
        "axis_lines": [] if axis is None else [_ray(end, 1.02, 1.56) for end in (axis, axis + 180.0)],
        "cards": [_card(survey, index, limbus) for index in range(len(survey.landmarks))],
        "flags": [flag_words(name) for name in survey.flags if FLAGS[name].verdict != "accept"],
        "limbus_mm": f"{LIMBUS_MM:.2f}",
        "cautions": cautions(axis=axis is not None, pair=False),
        "version": __version__,
        "sha256": photo.sha256,
    }
    return render_sheet("landmark_sheet.html", fields)


def _card(survey: LandmarkSurvey, index: int, limbus: Ellipse) -> dict[str, Any]:
    landmark = survey.landmarks[index]
    offset = None if survey.offsets is None else survey.offsets[index]
    inner, outer = _ray(landmark.direction_deg, -0.85, -0.34), _ray(landmark.direction_deg, 0.34, 0.85)
    return {
        "number": landmark.number,
        "kind": landmark.kind + (" on the iris" if landmark.band == "iris" else ""),
        "faint": landmark.worth < FAINT,
        "direction": direction_degrees(landmark.direction_deg),
        "clock": clock_words(landmark.direction_deg),
        "offset": offset and offset_words(offset),
        "length": offset and length_words(offset),
        "picture": _patch_picture(survey.prepared.photo, landmark, limbus),
        "inner": inner,
        "outer": outer,
        "head": _arrow_head(landmark.direction_deg),
    }


def _mark(landmark: Landmark, photo: Photo, limbus: Ellipse) -> dict[str, float | int]:
    """Where a landmark and its number stand in the overview, in limbus radii, y down."""
    x, y = (landmark.x_px - limbus.x_px) / limbus.radius_px, (landmark.y_px - limbus.y_px) / limbus.radius_px
    away = unit_vector(landmark.direction_deg)
    # The number stands inwards of the landmark, away from the dial.
    side = -0.17 if landmark.radius > 0.8 else 0.17
    return {
        "number": landmark.number,
        "x": round(x, 4),
        "y": round(y, 4),
        "number_x": round(x + side * float(away[0]), 4),
        "number_y": round(y + side * float(away[1]), 4),
    }


def _dial() -> list[dict[str, Any]]:
    ticks = []
    for angle in range(0, 360, 10):
        long = angle in range(0, 360, 30)
        label = _ray(angle, _DIAL, _DIAL)
        ticks.append(
            {
                "line": _ray(angle, 1.5, 1.60 if long else 1.55),
                "label": f"{angle}°" if long else "",
                "x": label["x1"],
                "y": label["y1"],
            }
        )
    return ticks


def _ray(angle_deg: float, inner: float, outer: float) -> dict[str, float]:
    x, y = unit_vector(angle_deg)
    ends = {"x1": inner * x, "y1": inner * y, "x2": outer * x, "y2": outer * y}
    return {name: round(float(value), 4) for name, value in ends.items()}


def _arrow_head(angle_deg: float) -> str:
    """Corners of the head of an arrow that comes from the middle of the eye."""
    along, across = unit_vector(angle_deg), unit_vector(wrap_direction_deg(angle_deg + 90.0))
    corners = (-0.26 * along, -0.42 * along + 0.07 * across, -0.42 * along - 0.07 * across)
    return " ".join(f"{corner[0]:.4f},{corner[1]:.4f}" for corner in corners)


def _eye_picture(photo: Photo, limbus: Ellipse) -> str:
    return _data_uri(_cut(photo, limbus.x_px, limbus.y_px, _VIEW * limbus.radius_px, _EYE_PX))


def _patch_picture(photo: Photo, landmark: Landmark, limbus: Ellipse) -> str:
    """Surroundings of a landmark in grey, stretched to full contrast: what it looks like in print."""
    colour = _cut(photo, landmark.x_px, landmark.y_px, _PATCH * limbus.radius_px, _PATCH_PX)
    grey = colour.astype(np.float32)
    if colour.ndim == 3:  # vessels are darkest in green, a brown iris is brighter in red
        grey = grey[..., 1] if landmark.band == "limbus" else grey[..., :2].mean(axis=2)
    side = grey.shape[0]
    middle = grey[side // 5 : -side // 5, side // 5 : -side // 5]
    low, high = np.percentile(middle, [0.5, 99.0])
    stretched = np.clip(255.0 * (grey - low) / max(float(high - low), 12.0), 0.0, 255.0)
    return _data_uri(stretched.astype(np.uint8))


def _cut(photo: Photo, x_px: float, y_px: float, half_px: float, side: int) -> NDArray[np.uint8]:
    return inset(photo, x_px, y_px, half_px, side=side, beyond=(255, 255, 255))


def _data_uri(pixels: NDArray[np.uint8]) -> str:
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=88)  # made of pixels alone: no metadata
    return "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode("ascii")
