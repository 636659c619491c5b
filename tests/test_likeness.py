"""What a person's eye cannot be without: white beside the iris, lids within reach; never an axis without."""

from functools import cache

import cv2
import made_up
import numpy as np
import pytest

import synthetic
import torsion
from torsion.likeness import unlike_an_eye

SHAPE = (400, 500)
MIDDLE, RADIUS = (250.0, 200.0), 90.0
LIMBUS = torsion.Ellipse.circle(*MIDDLE, RADIUS)
WHITE, IRIS, SKIN = (225, 215, 205), (110, 80, 60), (200, 150, 120)
ROWS, COLUMNS = np.mgrid[: SHAPE[0], : SHAPE[1]]
OFF = np.hypot(COLUMNS - MIDDLE[0], ROWS - MIDDLE[1]) / RADIUS
UP = (MIDDLE[1] - ROWS) / RADIUS
UNLIKE = "unlike_an_eye"


def painted(ground, *parts):
    """Ground with parts of other colours laid on it, one after the other."""
    picture = np.full((*SHAPE, 3), ground, np.uint8)
    for colour, where in parts:
        picture[where] = colour
    return picture


def eye(*, iris=IRIS, white=WHITE, upper=0.8, lower=1.05, skin=SKIN):
    """Paint an iris on white, between lids whose edges lie so far from its middle, in its radii."""
    return painted(white, (iris, OFF < 1.0), ((15, 12, 12), OFF < 0.4), (skin, (upper < UP) | (-lower > UP)))


def grey(picture):
    return cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)


@pytest.mark.parametrize(
    "lids",
    [
        {},
        {"upper": 1.0, "lower": 1.0},
        {"upper": 1.5, "lower": 1.5},  # as a speculum holds them
        {"upper": 2.5},  # one lid is enough
        {"lower": 2.5},
        {"skin": WHITE, "upper": 0.8, "lower": 0.8},  # skin as light as the white hides the limbus
    ],
)
def test_an_eye_between_lids_is_like_one_in_colour_and_in_grey(lids):
    assert not unlike_an_eye(eye(**lids), LIMBUS)
    assert not unlike_an_eye(grey(eye(**lids)), LIMBUS)


def test_a_disc_on_paper_has_no_lids():
    paper = eye(upper=9.0, lower=9.0)
    assert unlike_an_eye(paper, LIMBUS)
    assert unlike_an_eye(grey(paper), LIMBUS)
    assert unlike_an_eye(np.ascontiguousarray(paper[::2, ::2]), torsion.Ellipse.circle(124.75, 99.75, 45.0))


def test_lids_are_not_missed_where_the_picture_ends_before_them():
    rows = slice(round(MIDDLE[1] - 1.6 * RADIUS), round(MIDDLE[1] + 1.6 * RADIUS))
    close = np.ascontiguousarray(eye(upper=9.0, lower=9.0)[rows])
    assert not unlike_an_eye(close, torsion.Ellipse.circle(MIDDLE[0], MIDDLE[1] - rows.start, RADIUS))


def test_an_eye_on_its_side_has_its_lids_at_the_sides():
    wide_open = eye(upper=1.5, lower=1.5)
    for quarters in (1, 3):
        turned = np.ascontiguousarray(np.rot90(wide_open, quarters))
        x, y = (200.0, 249.0) if quarters == 1 else (199.0, 250.0)
        assert not unlike_an_eye(turned, torsion.Ellipse.circle(x, y, RADIUS))


@pytest.mark.parametrize(
    ("iris", "white", "unlike"),
    [
        ((110, 80, 60), (120, 90, 70), True),  # fur as dark as the iris
        ((235, 150, 40), (225, 215, 205), True),  # an owl's: no person's iris is redder than the white
        ((150, 170, 190), (215, 205, 200), False),  # as pale as they come
        ((110, 80, 60), (220, 130, 120), False),  # a red eye
        ((60, 40, 30), (130, 40, 40), False),  # blood over the white
        ((120, 25, 20), (205, 95, 45), True),  # vessels of a fundus on its ground
    ],
)
def test_the_white_is_brighter_in_red_than_any_iris(iris, white, unlike):
    assert unlike_an_eye(eye(iris=iris, white=white), LIMBUS) is unlike


def test_the_white_of_one_side_is_enough():
    shaded = eye()
    shaded[:, :200] = shaded[:, :200] * 0.3
    shaded[:, :200][OFF[:, :200] > 1.0] = (40, 30, 25)
    assert not unlike_an_eye(shaded, LIMBUS)


def test_left_and_right_do_not_matter_where_both_sides_step_alike():
    """As red does where the white and blood on it are both burnt out in it."""
    half = eye(white=(255, 255, 255), upper=1.5, lower=1.5)
    red = (MIDDLE[0] < COLUMNS) & (half == 255).all(axis=-1)
    half[red] = (255, 70, 60)
    mirrored = np.ascontiguousarray(half[:, ::-1])
    assert not unlike_an_eye(half, LIMBUS)
    assert not unlike_an_eye(mirrored, LIMBUS.mirrored(SHAPE[1]))


def test_what_lies_outside_the_picture_speaks_for_nothing():
    """The colour of its last column is not that of all that might follow."""
    shaded = eye(upper=1.5, lower=1.5)
    shaded[(MIDDLE[0] - RADIUS > COLUMNS) & (shaded == WHITE).all(axis=-1)] = IRIS
    edge, blood = (round(MIDDLE[0] + off * RADIUS) for off in (1.24, 1.16))
    shaded[:, blood:edge] = (255, 70, 60)  # a vessel; nearer to the limbus all is white
    assert not unlike_an_eye(np.ascontiguousarray(shaded[:, :edge]), LIMBUS)


def test_in_grey_a_tenth_brighter_will_do():
    """As in infra-red, where irises reflect nearly as much as the white."""
    assert not unlike_an_eye(grey(eye(iris=(120,) * 3, white=(136,) * 3, skin=(150,) * 3)), LIMBUS)
    assert unlike_an_eye(grey(eye(iris=(120,) * 3, white=(124,) * 3, skin=(150,) * 3)), LIMBUS)


@pytest.mark.parametrize("preset", synthetic.PRESETS)
def test_drawn_eyes_are_like_eyes(preset):
    for picture in synthetic.draw_pair(made_up.drawn_eye(), preset, np.random.default_rng(2)):
        for shown in (picture.rgb, grey(picture.rgb), picture.rgb[..., ::-1]):
            assert UNLIKE not in torsion.prepare(np.ascontiguousarray(shown)).flags


# ---- measured ----


@cache
def owls(seed):
    """Paint an owl's eye, dark-rimmed, orange, no white, twice: turned by 3 degrees in its feathers."""
    rng = np.random.default_rng(seed)
    spokes = np.repeat(rng.normal(0.0, 18.0, (1, 360)), 60, axis=0)
    spots = cv2.GaussianBlur(rng.normal(0.0, 130.0, SHAPE), (0, 0), 3.0)
    feathers = cv2.GaussianBlur(rng.normal(0.0, 150.0, SHAPE), (0, 0), 3.0)
    angle = np.degrees(np.arctan2(UP, (COLUMNS - MIDDLE[0]) / RADIUS))
    photos = []
    for turn in (0.0, 3.0):
        fibres = cv2.remap(
            spokes.astype(np.float32),
            ((angle - turn) % 360.0).astype(np.float32),
            np.clip(40 * OFF, 0, 59).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )
        about = cv2.getRotationMatrix2D(MIDDLE, turn, 1.0)
        turned = cv2.warpAffine(fibres + spots, about, SHAPE[::-1]) if turn else fibres + spots
        rim = 1.0 - 0.6 * np.clip((OFF - 0.85) / 0.15, 0, 1)
        iris = np.clip(np.array([225, 150, 40]) * rim[..., None] + turned[..., None], 0, 255)
        ground = np.array([215, 200, 180]) + feathers[..., None]
        picture = np.where(OFF[..., None] < 1.0, iris, ground)
        picture[OFF < 0.42] = 12
        picture = cv2.GaussianBlur(picture, (0, 0), 1.0) + rng.normal(0.0, 2.0, picture.shape)
        photos.append(np.clip(np.rint(picture), 0, 255).astype(np.uint8))
    return photos


def test_an_owl_gets_no_accept():
    photos = [torsion.prepare(photo) for photo in owls(5)]
    for photo in photos:
        assert photo.limbus is not None
        assert (photo.verdict, UNLIKE in photo.flags) == ("review", True)
    assert torsion.measure(*photos, axis_deg=90).verdict != "accept"


def test_who_gives_the_limbus_by_hand_has_looked():
    photo = owls(5)[0]
    by_hand = torsion.photo_from_array(photo, limbus=torsion.prepare(photo).limbus)
    assert UNLIKE not in torsion.prepare(by_hand).flags
