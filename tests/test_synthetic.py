"""The renderer is the ruler of all accuracy tests, so it is measured here by other means."""

from __future__ import annotations

import ast
import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

import synthetic
from synthetic import Camera, Eye, Glint, InkMark, Lids, Light, Surface, View
from synthetic.__main__ import main
from synthetic.geometry import eye_to_head

SIDE = 401
BARE = View(
    width_px=SIDE,
    height_px=SIDE,
    limbus_radius_px=85.3,
    lids=None,
    light=Light(glints=(), vignetting=0.0, gradient=0.0, reflection=0.0),
)

HALF = View(width_px=480, height_px=320, limbus_radius_px=85)


@pytest.fixture(scope="module")
def eye() -> Eye:
    return Eye(3, "OD", "hazel")


@pytest.fixture(scope="module")
def other() -> Eye:
    return Eye(5, "OS", "blue")


def green(eye: Eye, view: View) -> np.ndarray:
    return synthetic.draw_picture(eye, view).rgb[:, :, 1].astype(float)


def turned_by(first: np.ndarray, second: np.ndarray, reach_px: float) -> float:
    """Small counter-clockwise rotation in degrees from `first` to `second`, by least squares."""
    first, second = ndimage.gaussian_filter(first, 1.5), ndimage.gaussian_filter(second, 1.5)
    row, column = np.mgrid[:SIDE, :SIDE]
    x, y = column - SIDE // 2, SIDE // 2 - row
    down, right = np.gradient(first)
    slope = right * y + down * x  # d(picture)/d(angle) of a picture that turns counter-clockwise
    inside = np.hypot(x, y) < reach_px
    return float(np.degrees(np.sum((second - first)[inside] * slope[inside]) / np.sum(slope[inside] ** 2)))


@pytest.mark.parametrize("rotation_deg", [0.4, -3.7, 11.3])
@pytest.mark.parametrize("reach_px", [80, 120])  # iris alone; with the limbal vessels
def test_rotation_is_exact(eye: Eye, rotation_deg: float, reach_px: float) -> None:
    second = green(eye, replace(BARE, rotation_deg=rotation_deg))
    # ndimage turns counter-clockwise as displayed for positive angles.
    undone = ndimage.rotate(second, -rotation_deg, reshape=False, order=3)
    assert abs(turned_by(green(eye, BARE), undone, reach_px)) < 0.005  # degrees: the demand on the ruler


def test_the_ruler_of_the_ruler_sees_a_hundredth_of_a_degree(eye: Eye) -> None:
    first, second = green(eye, BARE), green(eye, replace(BARE, rotation_deg=0.05))
    assert turned_by(first, second, 120) == pytest.approx(0.05, abs=0.005)  # degrees


def test_a_mark_moves_counter_clockwise(eye: Eye) -> None:
    mark = InkMark(0.0, width_deg=6, color="black", inner=1.05, outer=1.3)
    for rotation_deg in (0.0, 10.0, 90.0):
        view = replace(BARE, rotation_deg=rotation_deg)
        change = green(eye, view) - green(eye, replace(view, marks=(mark,)))
        row, column = ndimage.center_of_mass(np.maximum(change - 10, 0))
        direction = np.degrees(np.arctan2(SIDE // 2 - row, column - SIDE // 2))
        assert direction == pytest.approx(rotation_deg, abs=0.3)  # degrees; the ink is patchy


@pytest.mark.parametrize("view", [
    replace(BARE, rotation_deg=20),
    replace(BARE, rotation_deg=-8, yaw_deg=7, pitch_deg=-5, center_x_px=190.0),
    replace(BARE, rotation_deg=5, roll_deg=12),
    replace(BARE, rotation_deg=20, mirrored=True),
    replace(BARE, rotation_deg=20, turn_deg=90, height_px=421),
    replace(BARE, rotation_deg=20, turn_deg=270, mirrored=True, height_px=381),
])  # fmt: skip
def test_project_finds_what_is_drawn(eye: Eye, view: View) -> None:
    direction_deg = 35.0
    mark = InkMark(direction_deg, width_deg=6, color="black", inner=1.1, outer=1.3)
    change = green(eye, view) - green(eye, replace(view, marks=(mark,)))
    row, column = ndimage.center_of_mass(np.maximum(change - 10, 0))
    x, y = synthetic.project(eye, view, direction_deg, np.sqrt(1.1 * 1.3))
    assert np.hypot(column - x, row - y) < 1.2  # pixels, on a mark of 8 by 17


def test_tilt_brings_no_torsion() -> None:
    turn = eye_to_head(View(yaw_deg=9, pitch_deg=-6, rotation_deg=0))[:2, :2]
    assert turn[0, 1] == pytest.approx(turn[1, 0], abs=1e-12)  # a pure stretch is symmetric


def test_the_truth_of_the_limbus_is_where_the_limbus_is(eye: Eye) -> None:
    picture = synthetic.draw_picture(eye, replace(BARE, yaw_deg=8, rotation_deg=3))
    assert picture.limbus.radius_px == pytest.approx(85.3, rel=0.02)
    assert picture.limbus.major_px > picture.limbus.minor_px
    row, column = np.nonzero(picture.iris_visible)
    middle_x, middle_y = column.mean(), row.mean()  # the pupil's decentration moves it a little
    assert np.hypot(middle_x - picture.limbus.x_px, middle_y - picture.limbus.y_px) < 3  # pixels


def test_the_truth_of_the_pupil_is_where_the_pupil_is(eye: Eye) -> None:
    view = replace(BARE, yaw_deg=-6, pitch_deg=4, pupil_ratio=0.5)
    picture = synthetic.draw_picture(eye, view)
    row, column = np.nonzero(ndimage.gaussian_filter(picture.rgb.max(axis=2), 0.5) < 22)
    assert np.hypot(column.mean() - picture.pupil.x_px, row.mean() - picture.pupil.y_px) < 0.5  # pixels
    assert np.sqrt(len(row) / np.pi) == pytest.approx(picture.pupil.radius_px, abs=1.0)  # pixels


def test_iris_and_limbus_shift_against_each_other_with_gaze(eye: Eye) -> None:
    straight, tilted = BARE, replace(BARE, yaw_deg=10)
    (x0, _), (x1, _) = (synthetic.project(eye, v, 90.0, 0.9, surface="iris") for v in (straight, tilted))
    (g0, _), (g1, _) = (synthetic.project(eye, v, 90.0, 0.9) for v in (straight, tilted))
    assert x1 - x0 < g1 - g0 - 1.0  # pixels: the deeper plane lags behind gaze to the right


def test_what_stays_stays(eye: Eye) -> None:
    light = Light(glints=(Glint("window", 0.2, 0.1, 0.15),))
    view = replace(HALF, light=light)
    first, second = (synthetic.draw_picture(eye, replace(view, rotation_deg=r), 5) for r in (0.0, 9.0))
    changed = np.abs(first.rgb.astype(int) - second.rgb.astype(int)).max(axis=2) > 2
    assert changed[first.iris_visible].mean() > 0.4
    covered = ~(first.iris_visible | first.limbus_visible)
    x, y = np.meshgrid(np.arange(480), np.arange(320))
    far = np.abs(y - 159.5) > 110  # rows of skin only
    assert not changed[far & covered].any()
    glint = np.hypot(x - 239.5 - 0.13 * 85, y - 159.5 + 0.18 * 85) < 3
    assert not changed[glint].any()


def test_camera_roll_turns_everything(eye: Eye) -> None:
    view = View(width_px=SIDE, height_px=SIDE, limbus_radius_px=60, light=Light(vignetting=0, gradient=0))
    first, rolled = green(eye, view), green(eye, replace(view, roll_deg=7.0))
    undone = ndimage.rotate(rolled, -7.0, reshape=False, order=3)
    assert abs(turned_by(first, undone, 180)) < 0.02  # degrees; lash pixels are rounded to a sixteenth


def test_turn_and_mirror_are_of_the_finished_picture(eye: Eye) -> None:
    view = View(width_px=240, height_px=160, limbus_radius_px=42)
    plain = synthetic.draw_picture(eye, view).rgb
    assert np.array_equal(synthetic.draw_picture(eye, replace(view, mirrored=True)).rgb, plain[:, ::-1])
    for turn_deg in (90, 180, 270):
        turned = synthetic.draw_picture(eye, replace(view, turn_deg=turn_deg)).rgb
        assert np.array_equal(turned, np.rot90(plain, turn_deg // 90))


def test_conjunctiva_slides_and_the_iris_does_not(eye: Eye) -> None:
    first, second = (
        synthetic.draw_picture(eye, replace(BARE, surface=Surface(slide_deg=s, slide_x=s / 100)))
        for s in (0, 2)
    )
    changed = np.abs(first.rgb.astype(int) - second.rgb.astype(int)).max(axis=2) > 4
    radius = np.hypot(*np.meshgrid(*[np.arange(SIDE) - SIDE // 2] * 2))
    assert not changed[radius < 70].any()
    assert changed[(radius > 100) & (radius < 150)].mean() > 0.05


def test_the_upper_lid_hides_the_share_that_was_asked_for(eye: Eye) -> None:
    for cover in (0.1, 0.25, 0.4):
        for rotation_deg in (0.0, 10.0):
            lids = Lids(upper_cover=cover, lower_gap=0.2, lashes=0)
            view = replace(HALF, lids=lids, rotation_deg=rotation_deg)
            picture = synthetic.draw_picture(eye, replace(view, light=Light(glints=())))
            x, y = synthetic.project(eye, view, np.arange(360), 1.02, surface="limbus")
            seen = picture.limbus_visible[np.rint(y).astype(int), np.rint(x).astype(int)]
            assert 1 - seen.mean() == pytest.approx(cover, abs=0.04)  # the ring is drawn soft


@pytest.mark.parametrize("preset", synthetic.PRESETS)
def test_presets(other: Eye, preset: synthetic.presets.Preset) -> None:
    rng = np.random.default_rng(1)
    size = {} if preset == "infrared" else {"width_px": 480, "height_px": 320}
    seated, supine = synthetic.draw_pair(other, preset, rng, **size)
    turn = supine.rotation_deg - seated.rotation_deg
    assert -15 <= turn <= 15
    for picture in (seated, supine):
        assert picture.rgb.dtype == np.uint8
        assert picture.rgb.shape == (picture.view.height_px, picture.view.width_px, 3)
        assert picture.iris_visible.shape == picture.rgb.shape[:2]
        assert picture.iris_visible.sum() > 500
        assert picture.limbus_visible.sum() > 500
        assert not (picture.iris_visible & picture.limbus_visible).any()
        assert 5 < picture.rgb.mean() < 250
        assert picture.rgb.std() > 15
    if preset == "infrared":
        assert np.array_equal(seated.rgb[:, :, 0], seated.rgb[:, :, 1])
    if preset == "dilated":
        x, y = round(supine.pupil.x_px), round(supine.pupil.y_px)
        red, _, blue = np.median(supine.rgb[y - 9 : y + 10, x - 9 : x + 10], axis=(0, 1))
        assert red > blue + 40


def test_rotation_can_be_given(eye: Eye) -> None:
    first, second = synthetic.draw_views(eye, "moderate", np.random.default_rng(0), rotation_deg=4.25)
    assert second.rotation_deg - first.rotation_deg == pytest.approx(4.25, abs=1e-12)


def test_same_seed_same_picture(eye: Eye) -> None:
    again = Eye(eye.seed, eye.laterality, eye.iris_color)  # its textures are drawn anew
    pairs = [
        synthetic.draw_pair(one, "hard", np.random.default_rng(2), width_px=240, height_px=160)
        for one in (eye, again)
    ]
    assert all(np.array_equal(a.rgb, b.rgb) for a, b in zip(*pairs, strict=True))


def test_eyes_differ(eye: Eye, other: Eye) -> None:
    assert np.mean(np.abs(green(eye, BARE) - green(other, BARE)) > 10) > 0.2
    rng = np.random.default_rng(0)
    assert synthetic.random_eye(rng) != synthetic.random_eye(rng)


def test_surface_and_camera_conditions_show(eye: Eye) -> None:
    small = replace(BARE, width_px=200, height_px=200, limbus_radius_px=45)
    plain = green(eye, small)
    for changed in (
        replace(small, surface=Surface(blood=0.7)),
        replace(small, surface=Surface(chemosis=1.0)),
        replace(small, surface=Surface(pterygium=0.4)),
        replace(small, surface=Surface(blanching=1.0)),
        replace(small, surface=Surface(redness=1.0)),
        replace(small, surface=Surface(scar=0.5)),
        replace(small, surface=Surface(cuts=8)),
        replace(small, surface=Surface(stain=0.6)),
        replace(small, camera=Camera(defocus_px=3, disc=True)),
        replace(small, camera=Camera(motion_px=6, motion_deg=30)),
        replace(small, camera=Camera(read_noise=4)),
        replace(small, camera=Camera(jpeg_quality=40)),
        replace(small, light=replace(BARE.light, haze=0.3)),
        replace(small, lids=Lids(speculum=True)),
    ):
        assert np.abs(green(eye, changed) - plain).max() > 8


def test_layers_compose_to_the_rotation(eye: Eye) -> None:
    layers = synthetic.draw_layers(eye, BARE)
    composed = synthetic.compose(layers, 4.0)[:, :, 1].astype(float)
    direct = green(eye, replace(BARE, rotation_deg=4.0))
    assert abs(turned_by(direct, composed, 120)) < 0.01  # degrees: bytes are interpolated once more


def test_layers_refuse_a_tilted_view(eye: Eye) -> None:
    with pytest.raises(ValueError, match="yaw_deg must be 0, got 3"):
        synthetic.draw_layers(eye, View(yaw_deg=3))


def test_unknown_preset_is_refused(eye: Eye) -> None:
    with pytest.raises(ValueError, match="preset must be one of easy"):
        synthetic.draw_pair(eye, "impossible", np.random.default_rng(0))


def test_command_line_writes_pairs_and_truth(tmp_path: Path) -> None:
    options = ["--count", "1", "--size", "240x160", "--rotation", "3", "--eye", "OS"]
    assert main(["--out", str(tmp_path), *options]) == 0
    with (tmp_path / "truth.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert float(row["rotation_deg"]) == 3.0
    assert row["eye"] == "OS"
    assert (tmp_path / row["seated"]).exists()
    assert (tmp_path / row["supine"]).exists()
    assert (tmp_path / "truth.json").exists()


def test_independent_of_what_it_tests() -> None:
    for path in Path(synthetic.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not any(name.split(".")[0] == "torsion" for name in names), path
