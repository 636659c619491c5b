"""The whole measurement: invariants first, then refusals, then the axis."""

import copy
import itertools
import json
import pickle
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, is_dataclass, replace
from functools import cache

import made_up
import numpy as np
import pytest
import scipy.ndimage
import skimage.data

import synthetic
import torsion
from torsion.demo_layers import load_layers, take_photo
from torsion.measurement import measure_pair
from torsion.preparation import PreparedPhoto, PrepareOptions


@cache
def pair(seed: int, preset: str, rotation_deg: float):
    rng = np.random.default_rng([seed, 7])
    first, second = synthetic.draw_pair(made_up.drawn_eye(seed), preset, rng, rotation_deg=rotation_deg)
    return first, second


@cache
def prepared(seed: int, preset: str, rotation_deg: float) -> tuple[PreparedPhoto, PreparedPhoto, float]:
    first, second = pair(seed, preset, rotation_deg)
    truth = second.rotation_deg - first.rotation_deg
    return torsion.prepare(first.rgb), torsion.prepare(second.rgb), truth


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("seed", "rotation_deg"),
    [(1, 7.0), (2, -11.0), pytest.param(3, 0.4, marks=SLOW), pytest.param(4, 3.3, marks=SLOW)],
)
def test_known_rotation_is_found(seed, rotation_deg):
    first, second, truth = prepared(seed, "moderate", rotation_deg)
    found = torsion.measure(first, second)
    assert found.verdict != "refuse"
    assert found.rotation_deg == pytest.approx(truth, abs=0.2)  # degrees; the floor set for moderate pairs


def test_swapping_the_photos_negates_the_rotation():
    first, second, _ = prepared(1, "moderate", 7.0)
    there, back = torsion.measure(first, second), torsion.measure(second, first)
    assert back.rotation_deg == pytest.approx(
        -there.rotation_deg, abs=0.05
    )  # degrees; other samples are taken


@pytest.mark.parametrize("angle_deg", [-14.0, pytest.param(4.0, marks=SLOW), 21.0])
def test_turning_a_whole_picture_by_scipy_turns_the_answer(angle_deg):
    first, second = pair(1, "moderate", 7.0)
    plain = torsion.measure(first.rgb, second.rgb)
    turned = scipy.ndimage.rotate(second.rgb, angle_deg, reshape=False, order=3, mode="nearest")
    found = torsion.measure(first.rgb, np.clip(turned, 0, 255).astype(np.uint8))
    # scipy turns counter-clockwise as displayed; degrees, resampled noise and another mask
    assert found.rotation_deg - plain.rotation_deg == pytest.approx(angle_deg, abs=0.05)


def test_three_dots_placed_by_hand_tie_down_the_sign():
    """Three dots on a grey iris, the first moved by hand from 3 o'clock upwards: counter-clockwise."""
    rows, columns = np.mgrid[:480, :640]
    radius = np.hypot(columns - 320, rows - 240)
    picture = np.where(radius < 150, 110.0, 225.0)
    picture[radius < 45] = 20.0
    for x, y, size in ((430, 240, 9), (250, 320, 7), (290, 130, 8)):
        picture[np.hypot(columns - x, rows - y) < size] = 60.0
    moved = np.where(radius < 150, 110.0, 225.0)
    moved[radius < 45] = 20.0
    # by hand: each dot turned 10 degrees about (320, 240); the first from (430, 240) up to (428.3, 220.9)
    for x, y, size in ((428.3, 220.9, 9), (264.9, 330.9, 7), (271.4, 136.9, 8)):
        moved[np.hypot(columns - x, rows - y) < size] = 60.0
    found = torsion.measure(_as_photo(picture), _as_photo(moved))
    assert found.rotation_deg == pytest.approx(
        10.0, abs=0.5
    )  # degrees; dots are placed to a tenth of a pixel


def _as_photo(picture):
    return np.clip(scipy.ndimage.gaussian_filter(picture, 1.5), 0, 255).astype(np.uint8)


def test_unrelated_eyes_are_refused():
    one, another = prepared(1, "moderate", 7.0)[:2], prepared(2, "moderate", -11.0)[:2]
    for first, second in itertools.product(one, another):
        found = torsion.measure(first, second, axis_deg=90)
        assert found.verdict == "refuse"
        assert found.axis is not None
        assert found.axis.surgical_deg is None


def test_mirrored_picture_is_refused_until_it_is_said_to_be_mirrored():
    first, second = pair(1, "moderate", 7.0)
    mirrored = np.ascontiguousarray(second.rgb[:, ::-1])
    found = torsion.measure(first.rgb, mirrored)
    assert found.verdict == "refuse"
    assert "mirrored" in found.flags
    told = torsion.measure(first.rgb, mirrored, axis_deg=30, options=torsion.MeasureOptions(mirrored=True))
    truth = second.rotation_deg - first.rotation_deg
    assert told.rotation_deg == pytest.approx(truth, abs=0.2)  # degrees
    assert told.axis.surgical_deg == pytest.approx(180 - (30 + told.rotation_deg), abs=1e-9)
    assert told.axis.surgical_patient_deg == pytest.approx(30 + told.rotation_deg, abs=1e-9)


def test_a_seated_photo_unmirrored_once_is_not_mirrored_back():
    first, second = pair(1, "moderate", 7.0)
    options = torsion.MeasureOptions(seated_mirrored=True)
    once = torsion.measure(np.ascontiguousarray(first.rgb[:, ::-1]), second.rgb, options=options)
    again = torsion.measure(once.seated, once.supine, options=once.options)
    assert again.seated is once.seated
    assert (again.verdict, again.rotation_deg) == (once.verdict, once.rotation_deg)
    turned = torsion.prepare(once.seated, options=PrepareOptions(mirrored=True, turned_deg=180))
    np.testing.assert_array_equal(turned.photo.pixels, first.rgb)
    assert (turned.mirrored, turned.turned_deg) == (True, 180)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
def test_preparing_anew_changes_nothing_and_keeps_what_was_stated(turn_deg, mirrored):
    rgb = take_photo(load_layers()["seated"], 0.0, role="seated")
    stated = PrepareOptions(mirrored=mirrored, turned_deg=turn_deg)
    at_once = torsion.prepare(rgb, options=stated)
    assert torsion.prepare(at_once) is torsion.prepare(at_once, options=stated) is at_once
    flip, turn = PrepareOptions(mirrored=True), PrepareOptions(turned_deg=turn_deg)
    as_it_looks = PrepareOptions(turned_deg=-turn_deg % 360 if mirrored else turn_deg)  # before the mirror
    for steps in ((PrepareOptions(), stated), (flip, turn) if mirrored else (turn,), (as_it_looks, stated)):
        found = rgb
        for options in steps:
            found = torsion.prepare(found, options=options)
        same_prepared(found, at_once)
    if mirrored:
        same_prepared(torsion.prepare(torsion.prepare(rgb, options=as_it_looks), options=flip), at_once)


def same_prepared(one: PreparedPhoto, other: PreparedPhoto) -> None:
    for name in ("limbus", "pupil", "measures", "flags", "laterality", "turned_deg", "mirrored"):
        assert getattr(one, name) == getattr(other, name), name
    np.testing.assert_array_equal(one.photo.pixels, other.photo.pixels)
    np.testing.assert_array_equal(one.picture.valid, other.picture.valid)


def test_the_eye_stated_of_a_prepared_photo_is_kept():
    blank = torsion.prepare(np.full((200, 220), 128, np.uint8))
    told = torsion.prepare(blank, eye="R")
    assert (told.photo.eye, blank.photo.eye) == ("OD", None)
    assert torsion.prepare(told, eye="OD") is told
    with pytest.raises(torsion.PhotoError, match="states that it shows OD, but OS was given"):
        torsion.prepare(told, eye="OS")


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turned_view_is_undone_and_said(quarters):
    first, second = pair(1, "moderate", 7.0)
    found = torsion.measure(first.rgb, np.ascontiguousarray(np.rot90(second.rgb, quarters)))
    assert found.view.turn_deg == 90 * quarters
    assert "turned_view" in found.flags
    assert found.rotation_deg == pytest.approx(second.rotation_deg - first.rotation_deg, abs=0.25)  # degrees
    for band in found.bands.values():  # each is stated after undoing the view, too; here one may be poor
        assert band.rotation_deg == pytest.approx(found.rotation_deg, abs=3.0)


def test_a_match_stays_one_where_the_eye_is_missed_in_the_picture_prepared_anew(monkeypatch):
    first, second = pair(1, "moderate", 7.0)
    seated, supine = (torsion.prepare(rgb) for rgb in (first.rgb, np.rot90(second.rgb).copy()))
    found = torsion.measure(seated, supine)
    nothing = torsion.prepare(np.zeros((300, 300, 3), np.uint8))
    anew = {id(supine.photo): nothing}
    monkeypatch.setattr("torsion.measurement.prepare", lambda photo, **_: anew.get(id(photo), photo))
    again = measure_pair(seated, supine)
    assert again.verdict == found.verdict == "review"
    assert again.view == found.view
    assert again.rotation_deg == pytest.approx(found.rotation_deg, abs=0.3)  # lids were looked for elsewhere


def test_an_eye_that_did_not_turn_is_measured_on_its_head():
    """Half a turn is where angles wrap: parts of the ring lie on either side of it, and yet together."""
    layers = load_layers()
    first, second = (take_photo(layers[role], 0.0, role=role) for role in ("seated", "supine"))
    found = torsion.measure(
        first, np.ascontiguousarray(second[::-1, ::-1]), options=torsion.MeasureOptions(turned_deg=180)
    )
    assert found.verdict == "accept"
    assert found.rotation_deg == pytest.approx(0.0, abs=0.05)  # degrees; far more than resampling does
    assert found.standard_uncertainty_deg < 0.1


def test_same_picture_in_disguise_is_refused():
    first, _ = pair(1, "moderate", 7.0)
    smaller = scipy.ndimage.zoom(first.rgb, (0.8, 0.8, 1), order=1)
    for again in (first.rgb, smaller, first.rgb[20:, 30:]):
        assert "same_picture" in torsion.measure(first.rgb, np.ascontiguousarray(again)).flags


@pytest.mark.parametrize("name", ["astronaut", "cat", "coffee", "retina"])
def test_pictures_without_an_eye_like_this_are_never_accepted(name):
    picture = getattr(skimage.data, name)()
    assert torsion.prepare(picture).flags == ("no_eye",)
    first, _, _ = prepared(1, "moderate", 7.0)
    assert torsion.measure(first, picture).verdict == "refuse"
    assert torsion.measure(picture, np.ascontiguousarray(np.rot90(picture, 2))).verdict != "accept"


@pytest.mark.parametrize("value", [0, 255, "noise"])
def test_blank_and_noise_are_refused(value):
    blank = np.full((400, 600, 3), 0 if value == "noise" else value, np.uint8)
    if value == "noise":
        blank = np.random.default_rng(0).integers(0, 256, blank.shape, dtype=np.uint8)
    found = torsion.measure(blank, blank)
    assert found.verdict == "refuse"


def test_threads_give_what_one_thread_gives():
    first, second, _ = prepared(1, "moderate", 7.0)
    alone = torsion.measure(first, second)
    with ThreadPoolExecutor(4) as pool:
        many = list(pool.map(lambda _: torsion.measure(first, second), range(4)))
    assert {found.rotation_deg for found in many} == {alone.rotation_deg}
    assert {found.standard_uncertainty_deg for found in many} == {alone.standard_uncertainty_deg}


def arrays(value):
    """Yield every array in a result, however deep."""
    if isinstance(value, np.ndarray):
        yield value
    elif is_dataclass(value):
        for part in fields(value):
            yield from arrays(getattr(value, part.name))
    elif isinstance(value, Mapping | tuple):
        for part in value.values() if isinstance(value, Mapping) else value:
            yield from arrays(part)


def test_every_array_in_a_result_is_read_only():
    seated, supine, _ = prepared(1, "moderate", 7.0)
    found = list(arrays(torsion.measure(seated, supine)))
    assert len(found) > 10
    assert not any(array.flags.writeable for array in found)


def test_no_dict_in_a_result_can_be_changed_and_it_still_travels():
    found = made_up.accepted()
    for held, key in ((found.bands, "iris"), (found.seated.measures, "focus")):
        before = dict(held)
        for change in (
            lambda held, key: held.__setitem__(key, None),
            lambda held, key: held.__delitem__(key),
            lambda held, key: held.__ior__({key: None}),
            lambda held, key: held.update({key: None}),
            lambda held, key: held.setdefault("other", None),
            lambda held, key: held.pop(key),
            lambda held, _: held.popitem(),
            lambda held, _: held.clear(),
        ):
            with pytest.raises(TypeError, match="a result cannot be changed"):
                change(held, key)
        assert held == before
    assert json.loads(json.dumps(found.seated.measures)) == found.seated.measures
    for again in (pickle.loads(pickle.dumps(found)), copy.deepcopy(found)):
        assert again.bands == found.bands
        assert again.seated.measures == found.seated.measures
        with pytest.raises(TypeError, match="a result cannot be changed"):
            again.bands["iris"] = None


def test_axis_is_planned_plus_rotation_and_wraps():
    first, second, _ = prepared(1, "moderate", 7.0)
    found = torsion.measure(first, second, eye="R", axis_deg=178, axis_frame="same", incision_deg=359)
    assert found.axis.surgical_deg == pytest.approx(178 + found.rotation_deg - 180, abs=1e-9)
    assert found.incision.surgical_deg == pytest.approx(359 + found.rotation_deg - 360, abs=1e-9)
    assert found.axis.standard_uncertainty_deg == pytest.approx(found.standard_uncertainty_deg)
    assert found.direction == "excyclotorsion"  # counter-clockwise in a right eye


def test_unknown_frame_leaves_the_frame_uncertainty_open():
    first, second, _ = prepared(1, "moderate", 7.0)
    found = torsion.measure(first, second, axis_deg=0)
    assert found.axis.planned_deg == 180
    assert found.axis.frame_deg is None
    assert found.axis.standard_uncertainty_deg is None
    assert found.axis.interval_is == "registration only"
    assert "frame_unknown" in found.flags


def test_pixel_map_carries_the_limbus_centre():
    first, second = pair(1, "moderate", 7.0)
    found = torsion.measure(first.rgb, second.rgb)
    carried = found.matrix @ [first.limbus.x_px, first.limbus.y_px, 1.0]
    # pixels; the limbal plane of a tilted eye is not quite mapped by the shared affine map
    np.testing.assert_allclose(carried, [second.limbus.x_px, second.limbus.y_px], atol=6)


@pytest.mark.parametrize(
    ("plan", "match"),
    [
        ({"axis_deg": 181}, "axis must lie from 0 to 180 degrees, not 181"),
        ({"axis_deg": -1}, "not -1"),
        ({"axis_deg": 90, "incision_deg": 361}, "incision must lie from 0 to 360 degrees, not 361"),
        ({"axis_frame": "tilted"}, "must be same, level or unknown, not 'tilted'"),
        ({"axis_frame": "same"}, "the axis frame same needs an axis"),
        ({"axis_deg": "90"}, "axis must lie from 0 to 180 degrees, not '90'"),
        ({"axis_tilt": (1.0, 0.1)}, "a measured tilt of the seated photo needs an axis"),
        ({"axis_deg": 90, "axis_tilt": (60.0, 1.0)}, "a tilt must lie within 45 degrees"),
        ({"axis_deg": 90, "axis_tilt": (1.0, 1.0), "axis_frame": "same"}, "in place of an axis frame"),
        ({"incision_deg": 30}, "an incision at 30 degrees needs an axis"),
        ({"eye": 3}, "eye must be OD or R .right., OS or L .left., not 3"),
    ],
)
def test_a_plan_that_cannot_be_carried_is_refused_before_anything_is_read(plan, match):
    for seated in ("missing.jpg", ["missing.jpg", "missing.jpg"]):
        with pytest.raises(ValueError, match=match):
            torsion.measure(seated, "missing.jpg", **plan)


@pytest.mark.parametrize("several", [False, True])
def test_a_stated_tilt_turns_axis_and_incision_along(several):
    first, second, _ = prepared(1, "moderate", 7.0)
    photos = ([first, first], second) if several else (first, second)
    planned = {"axis_deg": 175.0, "incision_deg": 350.0}
    level = torsion.measure(*photos, axis_frame="same", **planned)
    found = torsion.measure(*photos, axis_tilt=(3.0, 0.4), **planned)
    assert found.rotation_deg == level.rotation_deg
    assert found.axis.surgical_deg == pytest.approx((level.axis.surgical_deg + 3.0) % 180.0)
    assert found.incision.surgical_deg == pytest.approx((level.incision.surgical_deg + 3.0) % 360.0)
    assert (found.axis.frame, found.axis.tilt_deg, found.axis.frame_deg) == ("measured", 3.0, 0.4)
    assert found.axis.standard_uncertainty_deg == pytest.approx(np.hypot(0.4, found.axis.registration_deg))
    assert "frame_unknown" not in found.flags


@pytest.mark.parametrize("options", [3, {}, PrepareOptions(), torsion.MeasureOptions])
def test_options_of_another_kind_are_refused_before_anything_is_read(options):
    for seated in ("missing.jpg", ["missing.jpg", "missing.jpg"]):
        with pytest.raises(TypeError, match=r"options must be MeasureOptions\(\.\.\.\) or None, not"):
            torsion.measure(seated, "missing.jpg", options=options)
    if not isinstance(options, PrepareOptions):
        with pytest.raises(TypeError, match=r"options must be PrepareOptions\(\.\.\.\) or None, not"):
            torsion.prepare("missing.jpg", options=options)


@pytest.mark.parametrize("options", [torsion.MeasureOptions, PrepareOptions])
def test_options_are_of_the_kind_that_they_state(options):
    for turn_deg in (45, -90, 360, False, "90", None):
        with pytest.raises(ValueError, match="turned_deg must be 0, 90, 180 or 270, not"):
            options(turned_deg=turn_deg)
    for switch in (0, 1, "no", None):
        with pytest.raises(ValueError, match="mirrored must be True or False, not"):
            options(mirrored=switch)
    taken = options(turned_deg=np.int64(90), mirrored=np.bool_(True))
    assert (type(taken.turned_deg), type(taken.mirrored)) == (int, bool)  # plain, as the record wants them


@pytest.mark.parametrize("turn_deg", [90, 180, 270])
def test_what_a_turned_picture_shows_is_what_the_upright_one_does_turned(turn_deg):
    """Lids of a picture on its side are looked for where they are: its masks are those of before, turned."""
    _, upright, _ = prepared(2, "hard", 4.0)
    rgb = np.ascontiguousarray(np.rot90(upright.photo.pixels, turn_deg // 90))
    turned = torsion.prepare(rgb, options=PrepareOptions(turned_deg=turn_deg))
    assert turned.flags == upright.flags
    outlined = replace(upright.photo, limbus=upright.limbus).turned(turn_deg)
    assert turned.limbus == outlined.limbus
    np.testing.assert_array_equal(turned.picture.valid, np.rot90(upright.picture.valid, turn_deg // 90))
    np.testing.assert_array_equal(turned.picture.texture, np.rot90(upright.picture.texture, turn_deg // 90))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn_deg", [90, 180, 270])
def test_a_turned_view_is_measured_like_the_upright_one(turn_deg, mirrored):
    first, second, _ = prepared(2, "moderate", 4.0)
    upright = torsion.measure(first, second)
    rgb = np.rot90(second.photo.pixels, turn_deg // 90)  # of the picture before it is mirrored
    rgb = np.ascontiguousarray(rgb[:, ::-1] if mirrored else rgb)
    for stated in (turn_deg, 0):
        found = torsion.measure(
            first, rgb, options=torsion.MeasureOptions(turned_deg=stated, mirrored=mirrored)
        )
        assert found.view.turn_deg == turn_deg
        assert found.supine.turned_deg == found.view.displayed_deg
        assert found.rotation_deg == pytest.approx(upright.rotation_deg, abs=0.02)  # degrees; resampling
        assert found.verdict == (upright.verdict if stated else "review")
