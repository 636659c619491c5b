"""Pictures that must not be believed: no exception, no axis, by the library and by the commands."""

import json
from functools import cache

import cv2
import numpy as np
import pytest
import skimage.data
from click.testing import CliRunner
from PIL import Image

import synthetic
import torsion
from torsion.cli import main

SHAPE = (300, 450)


@cache
def seated():
    """Draw a photo, small to be quick."""
    rng = np.random.default_rng(1)
    eye = synthetic.random_eye(rng, laterality="OD")
    return synthetic.draw_pair(eye, "easy", rng, rotation_deg=7.0, width_px=480, height_px=320)[0].rgb


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


# Name -> a picture without an eye that could be measured.  The cat's eye is cut out and enlarged.
NO_EYE = {
    "black": lambda: np.zeros((*SHAPE, 3), np.uint8),
    "noise": lambda: noise(SHAPE),
    "text": text,
    "checkered": checkered,
    "cat's eye": lambda: enlarged(skimage.data.chelsea()[70:160, 110:230], 4),
    "strip of noise": lambda: noise((300, 30_000)),
}


@pytest.mark.parametrize("name", NO_EYE)
def test_a_picture_without_an_eye_is_refused(name):
    bad = torsion.prepare(np.ascontiguousarray(NO_EYE[name]()))
    assert bad.verdict == "refuse"
    for found in (
        torsion.measure(good(), bad, axis_deg=90, incision_deg=10),
        torsion.measure(bad, good(), axis_deg=90, incision_deg=10),
        torsion.measure(bad, bad, axis_deg=90, incision_deg=10),
    ):
        assert found.verdict == "refuse"
        assert found.axis.surgical_deg is None
        assert found.incision.surgical_deg is None


def test_half_an_eye_and_two_eyes_are_for_a_person_to_look_at():
    whole, limbus = seated(), good().limbus
    half = torsion.prepare(enlarged(whole[: round(limbus.y_px)], 2))
    assert (half.verdict, "half_off_picture" in half.flags) == ("review", True)
    both = torsion.prepare(np.hstack([whole, whole[:, ::-1]]))
    assert (both.verdict, "two_eyes" in both.flags) == ("review", True)
    assert not {"half_off_picture", "two_eyes"} & set(good().flags)


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
