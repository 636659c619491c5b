"""Order of the photos: what speaks for an exchange, and what does not."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from made_up import accepted

import torsion
from torsion.eye_picture import EyePicture
from torsion.files import to_json
from torsion.intake import photo_from_array
from torsion.measurement_words import order_words, side_words
from torsion.order import order_signs
from torsion.preparation import PreparedPhoto
from torsion.record import measurement_record

HALF, PX = 62, 40.0
EARLY, LATE = "2024-03-05T09:00:00", "2024-03-12T08:00:00"


def eye(*, pupil=0.35, reflex=False, opening=(1.1, 1.1), grey=False):
    """Draw the cut of an eye by hand; `opening` is how far white shows above and below, limbus radii."""
    side = 2 * HALF + 1
    rgb = np.full((side, side, 3), (235, 232, 228), np.uint8)
    cv2.circle(rgb, (HALF, HALF), int(PX), (95, 60, 40), -1)
    cv2.circle(rgb, (HALF, HALF), int(pupil * PX), (230, 110, 40) if reflex else (20, 20, 22), -1)
    rows, columns = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1] / PX
    distance = np.hypot(rows, columns)
    ring = (distance > 1.03) & (distance < 1.5)
    valid = (distance < 1.5) & (-rows < opening[0]) & (rows < opening[1])
    if grey:
        rgb[:] = rgb[..., :1]
    whole = np.ones_like(valid)
    texture = np.zeros((side, side), np.float32)
    return EyePicture(rgb, texture, valid, whole, PX, (0.0, 0.0, pupil), distance < 0.96, ring, 0.0, 0.0)


SEATED, SURGICAL = eye(), eye(pupil=0.65, reflex=True, opening=(1.6, 1.6))


def signs(first, second, **given):
    return order_signs(first, second, pupils=(first.pupil[2], second.pupil[2]), **given)


def test_the_usual_order_raises_nothing():
    assert signs(SEATED, SURGICAL, captured_at=(EARLY, LATE)) == ()


def test_exchanged_photos_raise_all_signs():
    found = signs(SURGICAL, SEATED, captured_at=(LATE, EARLY))
    assert found == ("capture_times", "red_reflex", "lids_held", "dilated_pupil")


@pytest.mark.parametrize("picture", [SEATED, SURGICAL])
def test_a_picture_against_itself_raises_nothing(picture):
    assert signs(picture, picture, captured_at=(EARLY, EARLY)) == ()


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (eye(pupil=0.55), eye(pupil=0.25)),  # what light alone does
        (eye(opening=(1.2, 1.2)), eye(opening=(1.0, 1.0))),  # opened wide, 14 mm
        (eye(pupil=0.65, reflex=True, grey=True), eye(pupil=0.5)),  # no colour
        (eye(reflex=True), eye(grey=True)),  # not seen to be absent
    ],
    ids=["light", "wide open", "grey", "grey supine"],
)
def test_what_is_not_clear_is_no_sign(first, second):
    assert signs(first, second) == ()


def test_the_wreath_of_an_iris_is_no_wide_pupil():
    wreath = eye(pupil=0.3)
    found_wide = replace(wreath, pupil=(0.0, 0.0, 0.65))
    assert signs(found_wide, SEATED) == ()
    assert signs(eye(pupil=0.65), SEATED) == ("dilated_pupil",)


def test_lids_that_cover_some_of_the_limbus_are_not_held_apart():
    wide = eye(opening=(1.6, 1.6))
    assert signs(wide, SEATED) == ("lids_held",)
    assert signs(wide, SEATED, exposed=0.5) == ()


def test_lids_are_looked_for_where_a_turned_view_has_them():
    rows_for_columns = replace(SURGICAL, valid=np.ascontiguousarray(SURGICAL.valid.T))
    narrow = eye(pupil=0.65, reflex=True, opening=(1.1, 1.1))
    on_its_side = replace(narrow, valid=np.ascontiguousarray(narrow.valid.T))
    assert signs(rows_for_columns, on_its_side, sideways=True) == ("lids_held",)
    assert signs(rows_for_columns, on_its_side) == ()


@pytest.mark.parametrize(
    ("first", "second", "later"),
    [
        ("2024-03-05T09:00:01", "2024-03-05T09:00:00", True),
        ("2024-03-05T09:00:00", "2024-03-05T09:00:00", False),
        ("2024-03-05T10:00:00+02:00", "2024-03-05T09:00:00+00:00", False),  # 8 and 9 o'clock
        ("2024-03-05T10:00:00+02:00", "2024-03-05T09:30:00", True),  # by the clocks on the wall
        (None, "2024-03-05T09:00:00", False),
    ],
)
def test_times_are_compared_by_the_clocks_of_the_cameras(first, second, later):
    assert signs(SEATED, SEATED, captured_at=(first, second)) == (("capture_times",) if later else ())


def test_a_doubtful_order_is_to_be_reviewed_and_no_time_is_written_out():
    first, second = (torsion.prepare(dotted(turn)) for turn in (0.0, 6.0))
    swapped = torsion.measure(_taken(first, LATE), _taken(second, EARLY), eye="OS")
    assert swapped.verdict == "review"
    assert "order_doubtful" in swapped.flags
    assert order_words(swapped).endswith("it was taken later, by the clocks of the cameras")
    assert "side_not_seen" in swapped.flags  # it is grey
    assert side_words(swapped) == ""
    text = to_json(measurement_record(swapped))
    assert '"capture_times"' in text
    assert "2024" not in text


def _taken(prepared: PreparedPhoto, at: str) -> PreparedPhoto:
    return replace(prepared, photo=replace(prepared.photo, captured_at=at))


def dotted(turn_deg):
    """Draw dots on a grey iris that is turned about its middle."""
    rng = np.random.default_rng(5)
    rows, columns = np.mgrid[:480, :640]
    radius = np.hypot(columns - 320, rows - 240)
    picture = np.where(radius < 150, 110.0, 225.0)
    picture[radius < 45] = 20.0
    for distance, angle, size in zip(
        rng.uniform(65, 135, 60), np.radians(rng.uniform(0, 360, 60) + turn_deg), rng.uniform(3, 7, 60),
        strict=True,
    ):  # fmt: skip
        x, y = 320 + distance * np.cos(angle), 240 - distance * np.sin(angle)
        picture[np.hypot(columns - x, rows - y) < size] = 60.0
    noise = rng.normal(0.0, 2.0, picture.shape) * (1.0 if turn_deg else -1.0)  # not the same in both
    blurred = cv2.GaussianBlur(picture, (0, 0), 1.5) + noise
    return photo_from_array(np.clip(blurred, 0, 255).astype(np.uint8))


def test_nothing_is_said_of_an_order_that_nothing_speaks_against():
    assert order_words(accepted()) == ""
