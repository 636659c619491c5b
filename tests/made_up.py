"""Results made up by hand, so that records and figures are tested without a measurement."""

from dataclasses import replace

import numpy as np

from torsion.axis import AxisTransfer, Incision
from torsion.confidence import Answer
from torsion.masks import EyePicture
from torsion.measurement import Measurement, PreparedPhoto
from torsion.orientation import View
from torsion.photo import Ellipse, photo_from_array


def grey_photo(name="seated.png", *, shape=(240, 320), value=120, **given):
    return photo_from_array(np.full((*shape, 3), value, np.uint8), name=name, **given)


def eye_picture(half=62, px=40.0):
    side = 2 * half + 1
    valid = np.zeros((side, side), bool)
    valid[half:] = True  # the lower half is free
    rgb, texture = np.zeros((side, side, 3), np.uint8), np.zeros((side, side), np.float32)
    return EyePicture(
        rgb, texture, valid, np.ones_like(valid), px, (0.0, 0.0, 0.4), valid.copy(), valid.copy(), 0.0
    )


def prepared_photo(name="seated.png", *, flags=(), verdict="accept", **measures):
    measures = {"limbus_radius_px": 80.0, "iris_valid": 0.8, "limbus_valid": 0.4, "focus": 0.3} | measures
    return PreparedPhoto(
        grey_photo(name),
        Ellipse(160.123456, 120.0, 84.0, 80.0, 10.0),
        Ellipse.circle(161.0, 121.0, 30.0),
        eye_picture(),
        measures,
        flags,
        verdict,
    )


def no_eye(name="cat.png"):
    return PreparedPhoto(grey_photo(name), None, None, None, {"focus": None}, ("no_eye",), "refuse")


def accepted(**changes):
    """Return a measurement with everything that one can have."""
    band = Answer(6.40001, 0.03, 0.8, 0.6)
    made = Measurement(
        rotation_deg=6.377512345,
        standard_uncertainty_deg=0.02,
        interval_95_deg=(6.3383, 6.4167),
        direction="excyclotorsion",
        verdict="accept",
        flags=("frame_unknown",),
        view=View(0, False),
        bands={"iris": band, "limbus": None},
        seated=prepared_photo("seated.png"),
        supine=prepared_photo("supine.png"),
        eye="OD",
        axis=AxisTransfer(
            90.0, 96.377512345, None, None, 0.02, None, (96.3383, 96.4167), "registration only", "unknown"
        ),
        incision=Incision(120.0, 126.3775),
        evidence=0.8,
        margin=0.2,
    )
    return replace(made, **changes)


def refused(**changes):
    return accepted(
        rotation_deg=21.8,
        verdict="refuse",
        flags=("eyes_do_not_match", "frame_unknown"),
        axis=AxisTransfer(90.0, None, None, None, 0.04, None, None, "registration only", "unknown"),
        incision=Incision(120.0, None),
        **changes,
    )


def nothing_found():
    return accepted(
        rotation_deg=None,
        standard_uncertainty_deg=None,
        interval_95_deg=None,
        direction=None,
        verdict="refuse",
        flags=("no_eye",),
        view=None,
        bands={"iris": None, "limbus": None},
        supine=no_eye(),
        axis=None,
        incision=None,
        evidence=None,
        margin=None,
    )
