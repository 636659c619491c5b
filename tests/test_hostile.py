"""Pictures that must not be believed: no exception, no axis, by the library and by the commands."""

import io
import json
from dataclasses import replace
from functools import cache

import cv2
import made_up
import numpy as np
import pytest
import skimage.data
from click.testing import CliRunner
from PIL import Image

import synthetic
import torsion
from torsion.cli import main
from torsion.duplicate import same_exposure

SHAPE = (300, 450)


TURN_DEG = 7.0
RIGHT_DEG = 1.0  # an error beyond this must never be accepted


@cache
def pair(width_px=480):
    """Draw a pair, small to be quick where detail does not matter."""
    eye, rng = made_up.drawn_eye(), np.random.default_rng(1)
    size = {"width_px": width_px, "height_px": width_px * 2 // 3}
    return synthetic.draw_pair(eye, "easy", rng, rotation_deg=TURN_DEG, **size)


def seated():
    return pair()[0].rgb


@cache
def good():
    return torsion.prepare(seated())


def grey(values):
    return np.repeat(np.clip(values, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def text():
    page = np.full((*SHAPE, 3), 255, np.uint8)
    for line in range(9):
        place = (10, 30 + 30 * line)
        cv2.putText(page, "Keep a manual mark 0123456789", place, cv2.FONT_HERSHEY_SIMPLEX, 0.8, (0,) * 3, 2)
    return page


def checkered():
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return grey(255 * ((rows // 20 + columns // 20) % 2))


def enlarged(picture, size):
    return cv2.resize(picture, None, fx=size, fy=size, interpolation=cv2.INTER_CUBIC)


def noise(shape):
    return np.random.default_rng(0).integers(0, 256, (*shape, 3), dtype=np.uint8)


def strip():
    """30,000 x 300 pixels with a whole eye in the middle."""
    long = np.full((300, 30_000, 3), 90, np.uint8)
    long[:, 12_000:12_450] = cv2.resize(seated(), (450, 300), interpolation=cv2.INTER_AREA)
    return long


def closed():
    seen = pair()[0]
    lids = replace(seen.view.lids, upper_cover=1.1, lower_gap=-0.6)
    return synthetic.draw_picture(seen.eye, replace(seen.view, lids=lids), 1).rgb


def lost_in_a_big_picture():
    """Draw an eye of 40 pixels in a picture of 12 megapixels."""
    size = 20.0 / pair()[0].limbus.major_px
    small = cv2.resize(seated(), None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
    big = np.full((3000, 4000, 3), 128, np.uint8)
    big[1500 : 1500 + small.shape[0], 1800 : 1800 + small.shape[1]] = small
    return big


# Name -> a picture without an eye that could be measured.  The cat's eye is cut out and enlarged.
NO_EYE = {
    "black": lambda: np.zeros((*SHAPE, 3), np.uint8),
    "noise": lambda: noise(SHAPE),
    "text": text,
    "checkered": checkered,
    "cat's eye": lambda: enlarged(skimage.data.chelsea()[70:160, 110:230], 4),
    "strip of noise": lambda: noise((300, 30_000)),
}
SLOW_NO_EYE = {
    "white": lambda: np.full((*SHAPE, 3), 255, np.uint8),
    "fundus": skimage.data.retina,
    "face": skimage.data.astronaut,
    "eye in a strip": strip,
    "closed eye": closed,
    "eye of 40 pixels": lost_in_a_big_picture,
    "out of focus": lambda: cv2.GaussianBlur(seated(), (0, 0), 25),
}


@pytest.mark.parametrize(
    "name", [*NO_EYE, *(pytest.param(name, marks=pytest.mark.slow) for name in SLOW_NO_EYE)]
)
def test_a_picture_without_an_eye_is_refused(name):
    bad = torsion.prepare(np.ascontiguousarray((NO_EYE | SLOW_NO_EYE)[name]()))
    assert bad.verdict == "refuse"
    for found in (
        torsion.measure(good(), bad, axis_deg=90, incision_deg=10),
        torsion.measure(bad, good(), axis_deg=90, incision_deg=10),
        torsion.measure(bad, bad, axis_deg=90, incision_deg=10),
    ):
        assert found.verdict == "refuse"
        assert found.axis.surgical_deg is None
        assert found.incision.surgical_deg is None


def jpeg(picture, quality):
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=quality)
    return np.asarray(Image.open(file))


# Name -> the seated photo, shown badly.
POOR = {
    "left half": lambda photo: photo[:, : photo.shape[1] // 2],
    "lower half": lambda photo: photo[photo.shape[0] // 2 :],
    "beside its mirror image": lambda photo: np.hstack([photo, photo[:, ::-1]]),
    "blurred": lambda photo: cv2.GaussianBlur(photo, (0, 0), 8),
    "JPEG of quality 3": lambda photo: jpeg(photo, 3),
    "grey saved as colour": lambda photo: grey(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", POOR)
def test_an_eye_shown_badly_is_measured_rightly_or_not_accepted(name):
    first, second = pair(960)
    supine, bad = torsion.prepare(second.rgb), torsion.prepare(np.ascontiguousarray(POOR[name](first.rgb)))
    for one, other, truth_deg in ((bad, supine, TURN_DEG), (supine, bad, -TURN_DEG)):
        found = torsion.measure(one, other)
        assert found.verdict != "accept" or abs(found.rotation_deg - truth_deg) < RIGHT_DEG
    assert torsion.measure(bad, bad).verdict == "refuse"


def test_one_picture_given_twice_is_found_out_where_it_is_laid_on_itself_amiss():
    """As a picture full of noise was, and was accepted."""
    amiss = np.array([[1.0, 0.2, 0.0], [-0.2, 1.0, 0.0]])
    one, again = good().picture, torsion.prepare(seated().copy()).picture
    assert same_exposure(one, again, amiss)
    assert not same_exposure(one, torsion.prepare(pair()[1].rgb).picture, amiss)


@pytest.mark.parametrize("beyond", [0.0, 0.15])  # limbus radii past the middle
@pytest.mark.parametrize("quarters", range(4))
def test_half_an_eye_is_for_a_person_to_look_at(quarters, beyond):
    turned = torsion.prepare(np.ascontiguousarray(np.rot90(seated(), quarters)))
    limbus = turned.limbus
    half = turned.photo.pixels[: round(limbus.y_px + beyond * limbus.radius_px)]
    found = torsion.prepare(enlarged(half, 2))
    assert {"half_off_picture", "no_eye"} & set(found.flags)
    assert found.verdict != "accept"


def test_two_eyes_are_for_a_person_to_look_at():
    whole = seated()
    both = torsion.prepare(np.hstack([whole, whole[:, ::-1]]))
    assert (both.verdict, "two_eyes" in both.flags) == ("review", True)
    assert not {"half_off_picture", "two_eyes"} & set(good().flags)


@pytest.mark.parametrize("quarters", range(4))
def test_two_eyes_are_seen_however_the_picture_is_turned(quarters):
    both = np.hstack([seated(), seated()[:, ::-1]])
    for picture in (both, np.vstack([seated(), seated()]), np.vstack([both, both])):
        assert "two_eyes" in torsion.prepare(np.ascontiguousarray(np.rot90(picture, quarters))).flags


def test_a_picture_stated_to_be_mirrored_is_prepared_unmirrored():
    mirrored = np.ascontiguousarray(seated()[:, ::-1])
    undone = torsion.prepare(mirrored, options=torsion.PrepareOptions(mirrored=True))
    again = torsion.prepare(torsion.prepare(mirrored), options=torsion.PrepareOptions(mirrored=True))
    assert undone.limbus == again.limbus == good().limbus
    np.testing.assert_array_equal(undone.picture.texture, good().picture.texture)


def test_of_two_eyes_one_can_be_named_by_hand():
    whole = seated()
    photo = torsion.photo_from_array(np.hstack([whole, whole[:, ::-1]]), limbus=good().limbus)
    assert "two_eyes" not in torsion.prepare(photo).flags


@pytest.mark.parametrize(("off", "radius"), [(1.5, 0.3), (0.0, 1.4), (0.8, 0.3)])
def test_a_pupil_given_by_hand_must_lie_in_the_limbus(off, radius):
    """Wider than it, it passed for a dilated pupil, and the photos for exchanged."""
    limbus = good().limbus
    pupil = torsion.Ellipse.circle(
        limbus.x_px + off * limbus.radius_px, limbus.y_px, radius * limbus.radius_px
    )
    with pytest.raises(torsion.PhotoError, match=r"given pupil .* must lie inside the limbus of 'array'"):
        torsion.prepare(torsion.photo_from_array(seated(), pupil=pupil))
    right = torsion.Ellipse.circle(limbus.x_px, limbus.y_px, 0.4 * limbus.radius_px)
    assert torsion.prepare(torsion.photo_from_array(seated(), pupil=right)).pupil == right


# ---- by the command ----


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("hostile")
    Image.fromarray(seated()).save(place / "good.png")
    return place


def run(*arguments):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def no_number_is_nan(name):
    pytest.fail(f"JSON holds {name}")


def refused_by_command(folder, pictures):
    files = [folder / f"{name}.png" for name in pictures]
    for file, picture in zip(files, pictures.values(), strict=True):
        Image.fromarray(np.ascontiguousarray(picture())).save(file, compress_level=1)
    result = run("inspect", *files, "--json", "-")
    assert result.exit_code == 3
    record = json.loads(result.stdout, parse_constant=no_number_is_nan)
    assert record["best"] is None
    assert [photo["verdict"] for photo in record["photos"]] == ["refuse"] * len(files)
    for file in files:
        result = run("measure", folder / "good.png", file, "--eye", "OD", "--axis", 90, "--json", "-")
        assert result.exit_code == 3, file.name
        record = json.loads(result.stdout, parse_constant=no_number_is_nan)
        assert record["verdict"] == "refuse"
        assert record["axis"]["surgical_deg"] is None
        result = run("ink", file, "--eye", "OD", "--json", "-")
        assert result.exit_code == 3, file.name


def test_commands_refuse_blank_pictures(folder):
    refused_by_command(folder, {name: NO_EYE[name] for name in ("black", "text")})


@pytest.mark.slow
def test_commands_refuse_what_is_no_eye(folder):
    refused_by_command(folder, SLOW_NO_EYE)
