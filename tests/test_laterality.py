"""Which eye a picture shows: what a mirror and a turn do to it, then what says nothing."""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

import torsion
from torsion.demo import load_layers, take_photo
from torsion.errors import PhotoError
from torsion.intake import photo_from_array
from torsion.laterality import Laterality, read_laterality
from torsion.measurement import MeasureOptions
from torsion.measurement_words import side_words, view_words
from torsion.orientation import View, find_view
from torsion.photo import Ellipse

SKIN, WHITE, FLESH, BROWN = (214, 168, 140), (235, 232, 228), (225, 145, 140), (95, 60, 40)
LIMBUS = Ellipse.circle(320.0, 210.0, 80.0)


def drawn(*, flesh=FLESH, at_right=True, both=False, gain=(1.0, 1.0, 1.0), shadow=False):
    """Draw an eye by hand: skin, the opening of the lids, an iris, and flesh of 3 by 5 mm in a corner."""
    picture = np.full((420, 640, 3), SKIN, np.uint8)
    cv2.ellipse(picture, (320, 215), (185, 85), 0, 0, 360, WHITE, -1)
    for side in (1, -1):
        if both or (side > 0) == at_right:
            cv2.ellipse(picture, (320 + side * 160, 222), (34, 22), 0, 0, 360, flesh, -1)
    cv2.circle(picture, (320, 210), 80, BROWN, -1)
    cv2.circle(picture, (322 if at_right else 318, 210), 28, (15, 15, 15), -1)
    light = picture * np.array(gain)
    if shadow:
        light *= np.linspace(1.0, 0.45, 640)[None, :, None]
    return np.clip(light, 0, 255).astype(np.uint8)


def read(picture, *, limbus=LIMBUS, pupil=None):
    return read_laterality(photo_from_array(np.ascontiguousarray(picture)), limbus, pupil)


def turned_limbus(shape, quarters):
    """Where the limbus lies after turns by 90 degrees counter-clockwise."""
    height, width = shape[:2]
    x, y = LIMBUS.x_px, LIMBUS.y_px
    for _ in range(quarters):
        x, y, width, height = y, width - 1 - x, height, width
    return Ellipse.circle(x, y, LIMBUS.radius_px)


def test_the_inner_corner_of_a_right_eye_lies_to_the_right():
    assert read(drawn()).upright == "OD"
    assert read(drawn(at_right=False)).upright == "OS"


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_a_mirror_and_a_turn_are_undone(quarters, mirrored):
    picture = np.rot90(drawn(), quarters)
    limbus = turned_limbus((420, 640), quarters)
    if mirrored:  # the view counts the mirror first, so it is the last that was done
        picture, limbus = picture[:, ::-1], limbus.mirrored(picture.shape[1])
    found = read(picture, limbus=limbus)
    assert found.seen(turn_deg=90 * quarters, mirrored=mirrored) == "OD"
    if quarters in (0, 2):  # on its side, a picture and its mirror image differ in the sense of the turn
        assert found.seen(turn_deg=90 * quarters, mirrored=not mirrored) == "OS"


def test_a_mirror_flips_the_answer_and_half_a_turn_keeps_the_eye():
    upright, mirrored = read(drawn()), read(drawn()[:, ::-1], limbus=LIMBUS.mirrored(640))
    half_turn = read(np.rot90(drawn(), 2), limbus=turned_limbus((420, 640), 2))
    assert (upright.upright, mirrored.upright, half_turn.upright) == ("OD", "OS", "OS")
    assert half_turn.seen(turn_deg=180) == "OD"


def test_nothing_is_seen_without_colour():
    grey = drawn().mean(axis=2).astype(np.uint8)
    assert read(grey) == read(np.repeat(grey[..., None], 3, axis=2)) == Laterality()


def test_nothing_is_seen_without_a_limbus():
    assert read(drawn(), limbus=None) == Laterality()


@pytest.mark.parametrize(
    "picture",
    [
        drawn(both=True),
        drawn(flesh=SKIN),
        drawn(flesh=(110, 20, 20)),  # blood under the conjunctiva
        drawn()[:, :500],  # the inner corner is cut off
        drawn()[:, 140:],  # the outer one is
    ],
    ids=["flesh at both", "none", "blood", "inner cut", "outer cut"],
)
def test_nothing_is_said_where_it_is_not_clear(picture):
    cut_px = 140 if picture.shape[1] == 500 and np.array_equal(picture, drawn()[:, 140:]) else 0
    assert read(picture, limbus=Ellipse.circle(320.0 - cut_px, 210.0, 80.0)) == Laterality()


@pytest.mark.parametrize("gain", [(1.0, 0.85, 0.65), (0.8, 0.95, 1.05), (0.4, 0.4, 0.4)])
def test_neither_the_colour_nor_the_amount_of_light_matters(gain):
    assert read(drawn(gain=gain)).upright == "OD"


def test_the_shadow_of_the_nose_does_not_matter():
    assert read(drawn(shadow=True)).upright == "OD"


def test_a_pupil_on_the_wrong_side_silences_the_corners():
    assert read(drawn(), pupil=Ellipse.circle(324.0, 210.0, 28.0)).upright == "OD"
    assert read(drawn(), pupil=Ellipse.circle(312.0, 210.0, 28.0)) == Laterality()


def test_a_photo_mirrored_twice_is_the_photo_and_once_shows_the_other_eye():
    photo = photo_from_array(drawn(), limbus=LIMBUS, pupil=Ellipse(324.0, 210.0, 30.0, 26.0, 20.0))
    once = photo.mirrored()
    assert read_laterality(once, once.limbus, once.pupil).upright == "OS"
    assert once.sha256 == photo.sha256
    twice = once.mirrored()
    assert np.array_equal(twice.pixels, photo.pixels)
    assert (twice.limbus, twice.pupil) == (photo.limbus, photo.pupil)


@cache
def wide_pair():
    """Take the sample's right eye twice, with both corners of its lids in the picture."""
    photos = (
        take_photo(layers, angle, role=role)
        for (role, layers), angle in zip(load_layers().items(), (0, 5), strict=True)
    )
    seated, supine = (
        cv2.resize(photo, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for photo in photos
    )
    return seated, supine


def flipped(picture):
    return np.ascontiguousarray(picture[:, ::-1])


def test_both_photos_of_the_fellow_eye_or_both_mirrored_are_refused_though_they_match():
    first, second = (torsion.prepare(picture) for picture in wide_pair())
    right = torsion.measure(first, second, eye="OD")
    assert right.lateralities == ("OD", "OD")
    assert not {"other_side", "side_not_seen"} & set(right.flags)
    assert side_words(right).startswith("both photos show a right eye (OD)")
    wrong = torsion.measure(first, second, eye="OS", axis_deg=30)
    assert wrong.verdict == "refuse"
    assert "other_side" in wrong.flags
    assert wrong.axis.surgical_deg is None
    assert "eyes_do_not_match" not in wrong.flags


def grey_photos(*eyes):
    """Photos of one eye in which nothing shows its side, each with what its file is to have stated."""
    return [
        photo_from_array(picture.mean(axis=2).astype(np.uint8), eye=eye, name=name)
        for picture, eye, name in zip(wide_pair(), eyes, ("seated", "supine"), strict=True)
    ]


@pytest.mark.parametrize("prepare", [torsion.prepare, lambda photo: photo], ids=["prepared", "read"])
def test_a_photo_that_states_the_other_eye_is_refused_as_its_file_is(prepare):
    seated, supine = (prepare(photo) for photo in grey_photos("OS", None))
    with pytest.raises(PhotoError, match="'seated' states that it shows OS, but OD was given"):
        torsion.measure(seated, supine, eye="R")
    with pytest.raises(PhotoError, match="'seated' states that it shows OS, but OD was given"):
        torsion.measure([seated, seated], supine, eye="OD")
    with pytest.raises(PhotoError, match="'seated' states that it shows OS, but OD was given"):
        torsion.prepare(seated, eye="OD")
    assert torsion.measure(seated, supine).eye == "OS"


def test_photos_that_state_two_eyes_are_refused():
    seated, supine = (torsion.prepare(photo) for photo in grey_photos("OS", "OD"))
    with pytest.raises(PhotoError, match="'supine' states that it shows OD, but 'seated' that it shows OS"):
        torsion.measure(seated, supine)
    unstated = replace(seated, photo=replace(seated.photo, eye=None))
    with pytest.raises(PhotoError, match="'supine' states that it shows OD, but 'seated' that it shows OS"):
        torsion.measure([unstated, seated], supine)


def test_the_eye_given_is_that_of_a_photo_without_one_and_is_read():
    photo, _ = grey_photos(None, None)
    assert torsion.prepare(photo, eye="R").photo.eye == "OD"
    with pytest.raises(ValueError, match="eye must be OD or R"):
        torsion.prepare(photo, eye="X")


def test_a_chance_lead_of_the_upright_view_does_not_hide_the_true_one():
    first, second = wide_pair()
    shown = flipped(np.rot90(second))
    view, candidate = find_view(torsion.prepare(first).picture, torsion.prepare(shown).picture)
    assert view == View(90, True)
    assert candidate.score > 0.5  # of at most 1; no other view reaches 0.2


@pytest.mark.slow
def test_a_selfie_camera_is_refused_until_it_is_said_to_mirror():
    seated, supine = (flipped(picture) for picture in wide_pair())
    found = torsion.measure(seated, supine, eye="OD")
    assert found.verdict == "refuse"
    assert found.flags == ("other_side",)
    told = torsion.measure(
        seated, supine, eye="OD", axis_deg=30, options=MeasureOptions(mirrored=True, seated_mirrored=True)
    )
    assert told.verdict == "accept"
    assert told.rotation_deg == pytest.approx(5.0, abs=0.2)  # degrees, as for any easy pair
    assert told.lateralities == ("OD", "OD")
    assert told.axis.surgical_deg == pytest.approx(180 - (30 + told.rotation_deg), abs=1e-9)
    assert view_words(told).endswith("the seated picture is shown un-mirrored")


@pytest.mark.slow
@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_all_four_turns_and_the_mirror_are_tried_and_said(quarters, mirrored):
    first, second = wide_pair()
    shown = np.ascontiguousarray(np.rot90(second, quarters))
    turn_deg = 90 * quarters
    found = torsion.measure(first, flipped(shown) if mirrored else shown, eye="OD")
    assert found.view == View(turn_deg, mirrored)
    assert ("mirrored" in found.flags, found.verdict == "refuse") == (mirrored, mirrored)
    assert ("turned_view" in found.flags) == bool(quarters)
    assert found.rotation_deg == pytest.approx(5.0, abs=0.2)  # degrees, as for any easy pair
    assert found.lateralities == ("OD", "OS" if mirrored else "OD")
    if mirrored:
        told = torsion.measure(first, flipped(shown), eye="OD", options=MeasureOptions(mirrored=True))
        assert told.view == View(turn_deg, True)
        assert told.verdict == ("review" if quarters else "accept")
        assert told.lateralities == ("OD", "OD")
        assert "mirrored left to right" in view_words(told)
