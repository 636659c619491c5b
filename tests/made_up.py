"""Results made up by hand, so that records and figures are tested without a measurement."""

from dataclasses import replace
from functools import cache

import numpy as np

import synthetic
from torsion.aids import Aids, carried_centre, hand_check
from torsion.axis import AxisTransfer, Incision
from torsion.axis_ways import AxisWay
from torsion.confidence import Answer
from torsion.deformation import PARAMETERS
from torsion.eye_picture import EyePicture
from torsion.intake import photo_from_array
from torsion.landmark_pairs import LandmarkPair
from torsion.landmarks import Landmark
from torsion.marking import Marking
from torsion.marks import Mark
from torsion.measurement import Measurement
from torsion.network import Network, NetworkPair, NetworkPhoto
from torsion.orientation import View
from torsion.photo import Ellipse
from torsion.preparation import PreparedPhoto

TURN = np.radians(6.4)
# About the centre of the made-up limbus, counter-clockwise in a picture whose y runs down.
MATRIX = np.array([[np.cos(TURN), np.sin(TURN), 0.0], [-np.sin(TURN), np.cos(TURN), 0.0]])
MATRIX[:, 2] = (160.123456, 120.0) - MATRIX[:, :2] @ (160.123456, 120.0)


@cache
def drawn_eye(seed=1):
    """Return an invented right eye; its textures, most of the work, are drawn once for all who share it."""
    return synthetic.random_eye(np.random.default_rng(seed), laterality="OD")


def grey_photo(name="seated.png", *, shape=(240, 320), value=120, **given):
    return photo_from_array(np.full((*shape, 3), value, np.uint8), name=name, **given)


def eye_picture(half=62, px=40.0):
    side = 2 * half + 1
    valid = np.zeros((side, side), bool)
    valid[half:] = True  # the lower half is free
    rgb, texture = np.zeros((side, side, 3), np.uint8), np.zeros((side, side), np.float32)
    return EyePicture(
        rgb, texture, valid, np.ones_like(valid), px, (0.0, 0.0, 0.4), valid.copy(), valid.copy(), 0.0, 0.0
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
        flags=("eyes_do_not_match",),
        axis=AxisTransfer(90.0, None, None, None, 0.04, None, None, "registration only", "unknown"),
        incision=Incision(120.0, None),
        **changes,
    )


def blurred(*roles, **changes):
    """Return a measurement for review, since the photos of these roles are out of focus."""
    flags = ("out_of_focus",)
    photos = {role: prepared_photo(f"{role}.png", flags=flags, verdict="review") for role in roles}
    return accepted(verdict="review", flags=flags, **photos, **changes)


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


def registered(**changes):
    """Return an accepted measurement with the map that it was measured by."""
    return accepted(**({"matrix": MATRIX, "start_deg": 6.0, "parameters": np.zeros(PARAMETERS)} | changes))


def network():
    """Return what is known of two seated and two supine photos, of which the last disagrees."""
    roles = ("seated", "seated", "supine", "supine")
    photos = [
        NetworkPhoto(role, f"shot {place}.jpg", "0" * 64, "accept", (), place != 3, None, 0.0)
        for place, role in enumerate(roles)
    ]
    photos[3] = replace(photos[3], left_out="disagrees")
    pairs = tuple(
        NetworkPair(first, second, 0.0, 0.1, "accept", (), second != 3, 0.0 if second != 3 else None)
        for first, second in ((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3))
    )
    return Network(tuple(photos), pairs, 3, 3, (3,), 0.07)


def ink_mark(direction_deg, **changes):
    """Return a violet mark, read in the supine photo of `registered`."""
    mark = Mark(
        direction_deg, 4.0, 5.0, 0.4, 0.1, None, None, False, "violet", "supine", direction_deg + 6.4, 1.3,
        1.0, False, True,
    )  # fmt: skip
    return replace(mark, **changes)


def marking(made, *marks, lost=(), flags=("no_ink",)):
    case = "supine_marked" if marks else "none"
    flags = (*made.flags, *(() if marks else flags))
    return Marking(
        case, marks, tuple(lost), None, (), (), "accept", flags, made.seated, made.supine, made, made.eye
    )


def picked(made, *, off_deg=0.0, count=5):
    """Return pairs on the limbus, all turned further than the map by an angle, each a little off."""
    turn, limbus = np.radians(off_deg), made.seated.limbus
    further = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    middle = made.matrix @ (limbus.x_px, limbus.y_px, 1.0)
    pairs = []
    for number, angle in enumerate(np.radians(np.linspace(10.0, 300.0, count))):
        first = np.array([limbus.x_px + 80.0 * np.cos(angle), limbus.y_px - 80.0 * np.sin(angle)])
        second = further @ (made.matrix @ (*first, 1.0) - middle) + middle + 0.2 * (-1.0) ** number
        pairs.append(LandmarkPair("ABCDEFGH"[number], *first, *second))
    return pairs


def aids(made, *, off_deg=0.0, crowded=False):
    """Return all that can go with a measurement; crowded, as much of it as there can be."""
    seen = Landmark(4, "vessel", "limbus", 85.0, 160.0, 208.0, 1.1, 0.2, 0.8, 0.5)
    ink = AxisWay("ink", 1, "violet ink", "limbus", 99.4, -3.0, -0.31, 96.4, None, 4.0)
    landmark = AxisWay("landmark", 4, "vessel", "limbus", 208.0, 68.4, 6.99, 276.4, seen)
    count, pairs = (
        (3, moved(picked(made, off_deg=off_deg))) if crowded else (1, picked(made, off_deg=off_deg))
    )
    ways = [replace(ink, number=number + 1) for number in range(count)]
    ways += [replace(landmark, kind="branching vessel", number=number) for number in range(5, 8) if crowded]
    centre = carried_centre(made, visual_axis_px=(163.0, 119.0), ring_mm=5.0)
    marks = [ink_mark(93.0)] * count
    return Aids((*ways, landmark), marking(made, *marks), hand_check(made, pairs), centre)


def moved(pairs):
    """Return pairs of which one was picked at a wrong place."""
    first, *rest = pairs
    return [replace(first, supine_x_px=first.supine_x_px + 15.0), *rest]
