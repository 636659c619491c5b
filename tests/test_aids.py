"""Aids: ways to the carried axis, ink, hand-picked pairs, the centre; made up, then drawn and commanded."""

import csv
import json
import math
from dataclasses import replace

import jsonschema
import made_up
import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.text import Text
from PIL import Image

import synthetic
from synthetic import InkMark, Lids, View
from torsion.aid_words import centre_words, hand_words, ink_words, way_words, ways_words
from torsion.aids import Aids, carried_centre, hand_check, ink_check
from torsion.aids_record import with_aids
from torsion.angles import axis_difference_deg
from torsion.axis import transfer_axis
from torsion.axis_ways import AxisWay, axis_ways
from torsion.centre import carry_point
from torsion.cli import main
from torsion.cli.aid_options import AidRequest
from torsion.deformation import PARAMETERS
from torsion.files import read_schema, to_json
from torsion.marks import Change
from torsion.measurement import MeasureOptions
from torsion.measurement_words import frame_words
from torsion.orientation import View as Turned
from torsion.plots import measurement_figure
from torsion.record import measurement_record


def record_of(made, aids):
    record = json.loads(to_json(with_aids(measurement_record(made), aids, sha256={"landmarks": "0" * 64})))
    jsonschema.Draft202012Validator(read_schema("torsion/measurement/1")).validate(record)
    return record


# ---- ways from ink ----


@pytest.mark.parametrize(("at_deg", "offset_deg"), [(93.0, -3.0), (85.5, 4.5), (271.0, -1.0), (0.5, 89.5)])
def test_way_from_ink_leads_to_the_nearer_end_as_the_supine_photo_shows_it(at_deg, offset_deg):
    made = made_up.registered()
    (way,) = axis_ways(made, made_up.marking(made, made_up.ink_mark(at_deg)))
    assert way.offset_deg == pytest.approx(offset_deg)
    assert way.direction_deg == at_deg + 6.4
    assert (way.end_deg - made.axis.surgical_deg) % 180.0 == pytest.approx(
        0.0, abs=0.05
    )  # 6.4 against 6.3775
    assert way.offset_mm == pytest.approx(offset_deg * np.pi * 11.71 / 360.0)


def test_way_from_ink_runs_the_other_way_in_a_mirrored_photo():
    axis = transfer_axis(90.0, 6.4, 0.02, mirrored=True)
    made = made_up.registered(view=Turned(0, True), axis=axis)
    mark = made_up.ink_mark(93.0, photo_direction_deg=180.0 - 99.4)
    (way,) = axis_ways(made, made_up.marking(made, mark))
    assert way.offset_deg == pytest.approx(3.0)
    assert way.end_deg == pytest.approx(axis.surgical_deg)  # 83.6


def test_refused_measurement_has_no_ways_and_no_centre():
    made = made_up.refused(matrix=made_up.MATRIX)
    assert axis_ways(made, made_up.marking(made)) == ()
    assert carried_centre(made, ring_mm=5.0) is None


# ---- pairs picked by hand ----


def test_pairs_that_agree_leave_the_verdict_and_those_that_do_not_are_named():
    made = made_up.registered()
    near, far = (hand_check(made, made_up.picked(made, off_deg=off)) for off in (0.0, 3.0))
    assert near.agreement.agrees
    assert near.flags == ()
    assert far.agreement.difference_deg == pytest.approx(-3.0, abs=0.2)  # each pair is off by 0.3 px in 80
    assert far.flags == ("landmarks_disagree",)
    assert "DISAGREES" in " ".join(hand_words(far))
    assert "agrees" in " ".join(hand_words(near))


def test_pairs_that_fit_a_mirror_image_alone_are_a_warning_and_say_nothing_of_the_view():
    made = made_up.registered()
    pairs = made_up.picked(made)
    mirrored = [replace(pair, supine_x_px=1000.0 - pair.supine_x_px) for pair in pairs]
    check = hand_check(made, mirrored)
    assert "mirrored" in check.hand.flags
    assert check.flags == ("landmarks_unusable",)
    assert not {"mirrored", "turned_view"} & set(Aids(hand=check).own_flags)
    assert "not to be used: one picture is a mirror image" in " ".join(hand_words(check))


def test_uncertainty_of_the_pairs_is_not_told_as_that_of_the_measurement():
    made = made_up.registered()
    hand = hand_check(made, made_up.moved(made_up.picked(made, count=4)))
    assert hand.hand.flags == ("pair_misplaced", "pairs_too_uncertain")
    assert Aids(hand=hand).own_flags == hand.hand.flags


def test_numbers_of_landmarks_do_not_cover_each_other():
    made = made_up.registered()
    limbus = made.supine.limbus
    seen = made_up.aids(made).ways[-1].landmark
    places = [replace(seen, x_px=limbus.x_px - x, y_px=limbus.y_px + y) for x, y in ((60, 5), (52, 22))]
    ways = tuple(
        AxisWay("landmark", number, "crypt", "iris", direction, sense, 0.0, 90.0, place)
        for number, place, direction, sense in zip((1, 2), places, (185.0, 203.0), (-80.0, 80.0), strict=True)
    )
    figure = measurement_figure(made, aids=Aids(ways))
    (one,), (two,) = (
        [text for text in figure.findobj(Text) if text.get_text() == number] for number in ("1", "2")
    )
    assert np.hypot(*np.subtract(one.get_position(), two.get_position())) > 0.15  # limbus radii


def test_swapped_pairs_are_not_compared():
    made = made_up.registered()
    first, second, *rest = made_up.picked(made)
    swapped = [
        replace(first, supine_x_px=second.supine_x_px, supine_y_px=second.supine_y_px),
        replace(second, supine_x_px=first.supine_x_px, supine_y_px=first.supine_y_px),
    ]
    found = hand_check(made, [*swapped, *rest])
    assert (found.hand.verdict, found.agreement, found.flags) == ("refuse", None, ("landmarks_unusable",))
    assert "pairs A and B look exchanged" in " ".join(hand_words(found))


# ---- centre ----


def test_pupil_and_visual_axis_move_with_the_map_and_the_ring_lies_round_the_point_given():
    made = made_up.registered()
    found = carried_centre(made, visual_axis_px=(163.0, 119.0), ring_mm=5.0, limbus_mm=12.0)
    pupil, limbus = made.seated.pupil, made.seated.limbus
    assert (found.pupil.x_px, found.pupil.y_px) == pytest.approx(made.matrix @ (pupil.x_px, pupil.y_px, 1.0))
    assert (found.ring.x_px, found.ring.y_px) == (found.visual_axis.x_px, found.visual_axis.y_px)
    assert found.ring.radius_px == pytest.approx(2.5 * 2.0 * limbus.radius_px / 12.0)
    assert found.visual_axis.standard_uncertainty_px < found.pupil.standard_uncertainty_px  # a click is finer
    plain = carry_point(
        (pupil.x_px, pupil.y_px),
        made.matrix,
        seated=limbus,
        supine=made.supine.limbus,
        rotation_standard_uncertainty_deg=0.02,
        limbus_mm=12.0,
    )
    assert found.pupil == plain


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_pupil_goes_with_the_iris_and_the_visual_axis_with_the_limbus(mirrored):
    shift = np.zeros(PARAMETERS)
    shift[12:14] = (0.02, 0.01)  # of the iris, limbus radii, y up, mirror undone
    made = made_up.registered(view=Turned(0, mirrored))
    still, moved = (
        carried_centre(replace(made, parameters=parameters), visual_axis_px=(163.0, 119.0))
        for parameters in (np.zeros(PARAMETERS), shift)
    )
    radius_px = made.supine.limbus.radius_px
    assert moved.pupil.x_px - still.pupil.x_px == pytest.approx((-1 if mirrored else 1) * 0.02 * radius_px)
    assert moved.pupil.y_px - still.pupil.y_px == pytest.approx(-0.01 * radius_px)
    assert moved.visual_axis == still.visual_axis


def test_without_a_pupil_there_is_no_ring_and_that_is_said():
    made = made_up.registered(seated=replace(made_up.prepared_photo(), pupil=None))
    found = carried_centre(made, ring_mm=5.0)
    assert (found.pupil, found.ring) == (None, None)
    assert centre_words(found) == ["no pupil was found in the seated photo"]


def test_points_of_a_mirrored_seated_picture_are_mirrored_with_it(tmp_path):
    made = made_up.registered(options=MeasureOptions(seated_mirrored=True))
    width = made.seated.photo.width_px
    pairs = [replace(pair, seated_x_px=width - 1.0 - pair.seated_x_px) for pair in made_up.picked(made)]
    names = ["name", "seated_x_px", "seated_y_px", "supine_x_px", "supine_y_px"]
    lines = [names, *([str(getattr(pair, name)) for name in names] for pair in pairs)]
    file = tmp_path / "pairs.csv"
    file.write_text("\n".join(",".join(line) for line in lines), encoding="utf-8")
    _, aids = AidRequest(file, (width - 1.0 - 163.0, 119.0), None, None).beside(made)
    assert aids.centre.visual_axis.seated_x_px == pytest.approx(163.0)
    assert aids.hand.agreement.agrees


# ---- frame ----


def test_measured_tilt_turns_the_axis_and_enters_the_interval():
    axis = transfer_axis(178.0, 5.0, 0.3, tilt=(1.5, 0.4))
    assert (axis.planned_deg, axis.seated_deg) == (178.0, 179.5)
    assert axis.surgical_deg == pytest.approx(4.5)
    assert axis.standard_uncertainty_deg == pytest.approx(0.5)
    assert (axis.frame, axis.interval_is) == ("measured", "registration and frame")
    assert "turned by +1.5° ± 0.4° against the keratometry" in frame_words(axis)
    assert transfer_axis(178.0, None, None, tilt=(1.5, 0.4)).seated_deg == 179.5


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"tilt": (1.0, 0.4), "frame": "level"}, "in place of an axis frame, not beside 'level'"),
        ({"tilt": (50.0, 0.4)}, "must lie within 45 degrees .*, not 50 and 0.4"),
        ({"tilt": (1.0, -0.1)}, "must lie within 45 degrees .*, not 1 and -0.1"),
        ({"rotation_deg": math.nan}, "rotation must be finite .*, not nan and 0.3"),
        ({"registration_deg": -1.0}, "standard uncertainty not negative, not 5 and -1"),
    ],
)
def test_tilt_or_rotation_that_cannot_be(given, message):
    with pytest.raises(ValueError, match=message):
        transfer_axis(**{"planned_deg": 90.0, "rotation_deg": 5.0, "registration_deg": 0.3} | given)


@pytest.mark.parametrize("point", [(119.0, 263.0), (math.nan, 119.0)])
def test_a_visual_axis_beside_the_eye_is_a_slip(point):
    with pytest.raises(ValueError, match="visual axis must lie inside the limbus of the seated photo"):
        carried_centre(made_up.registered(), visual_axis_px=point)


@pytest.mark.parametrize(
    ("frame", "part"), [("same", "taken together"), ("level", "± 2.0°"), ("unknown", "not in the interval")]
)
def test_what_the_frame_holds_is_said(frame, part):
    assert part in frame_words(transfer_axis(90.0, 5.0, 0.3, frame=frame))


# ---- words, record, figure ----


def test_words_name_the_thing_the_way_and_what_was_not_found():
    made = made_up.registered()
    aids = made_up.aids(made)
    assert ways_words(aids) == ["4, vessel at 8:00 h: 68.4° counter-clockwise"]
    assert way_words(aids.ways[0]).endswith("3.0° clockwise (0.3 mm)")
    through, far = (replace(aids.ways[0], offset_deg=angle, offset_mm=4.6) for angle in (-0.04, 45.1))
    assert way_words(through).endswith("h: the axis runs through it")
    assert way_words(far).endswith("45.1° counter-clockwise")  # too far for callipers, whatever the limbus
    assert ink_words(aids) == ["violet, 4.0° wide, at 99.4°; from it to the axis 3.0° clockwise (0.3 mm)"]
    assert ink_words(Aids()) == []
    assert ink_words(Aids(ink=made_up.marking(made))) == ["none found at the limbus"]
    grey = made_up.marking(made, flags=("ink_needs_colour", "no_ink"))
    assert ink_words(Aids(ink=grey)) == ["not looked for in a photo without colour"]
    moved = made_up.ink_mark(93.0, change=Change(2.3, 1.0, 1.0))
    still = made_up.ink_mark(180.0, change=Change(0.02, 1.0, 1.0))
    ink = replace(made_up.marking(made, moved, still), flags=("ink_moved",))
    assert ink_words(Aids(ink=ink)) == [
        "1: violet, 4.0° wide, at 99.4°, moved by 2.3° counter-clockwise since the seated photo",
        "2: violet, 4.0° wide, at 186.4°",
    ]
    lost = made_up.marking(made, lost=[made_up.ink_mark(93.0, photo="seated")], flags=("ink_lost",))
    assert "at 93.0° in the seated photo; not found in the supine photo" in ink_words(Aids(ink=lost))[0]


def test_record_follows_the_schema_and_keeps_what_was_there():
    made = made_up.registered()
    record = record_of(made, made_up.aids(made, off_deg=3.0))
    plain = measurement_record(made)
    assert {name: record[name] for name in plain if name not in ("axis", "record")} == json.loads(
        to_json({name: plain[name] for name in plain if name not in ("axis", "record")})
    )
    assert [offset["from"] for offset in record["axis"]["offsets"]] == ["ink", "landmark"]
    assert record["ink"]["flags"] == []
    assert record["hand"]["agreement"]["agrees"] is False
    assert record["centre"]["ring"]["limbus_is"] == "average"
    assert record["record"]["sha256"]["landmarks"] == "0" * 64
    assert record_of(made, Aids())["axis"]["offsets"] == []


def test_tilt_is_in_the_record():
    made = made_up.registered(axis=transfer_axis(90.0, 6.4, 0.02, tilt=(1.5, 0.4)))
    axis = record_of(made, Aids())["axis"]
    assert (axis["frame"], axis["tilt_deg"], axis["frame_deg"]) == ("measured", 1.5, 0.4)


def test_picture_says_and_draws_the_aids():
    made = made_up.registered()
    figure = measurement_figure(made, aids=made_up.aids(made, off_deg=3.0))
    said = "\n".join(text.get_text() for text in figure.findobj(match=lambda part: hasattr(part, "get_text")))
    for part in (
        "numbered rings: landmarks",
        "brackets: ink",
        "+: seated pupil centre",
        "dashed circle: 5 mm",
        "To the axis in the supine photo: 4, vessel",
        "Ink: violet",
        "By hand: ",
        "DISAGREES",
        "Centre: seated pupil centre",
    ):
        assert part in said
    assert len(figure.axes[1].patches) > len(measurement_figure(made).axes[1].patches) + 4


# ---- drawn photos, and the command ----


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """Return a folder with a clean seated photo and a supine one, turned by -5 degrees, with ink at 3."""
    folder = tmp_path_factory.mktemp("aids")
    view = View(
        width_px=720,
        height_px=480,
        limbus_radius_px=130,
        lids=Lids(upper_cover=0.08, lower_gap=0.1, lashes=0.6, droop=0.0),
    )
    eye = synthetic.Eye(3, "OD", "hazel")
    seated = synthetic.draw_picture(eye, view, 1)
    supine = replace(view, rotation_deg=-5.0, pupil_ratio=0.5, marks=(InkMark(3.0),))
    Image.fromarray(seated.rgb).save(folder / "seated.png")
    Image.fromarray(synthetic.draw_picture(eye, supine, 2).rgb).save(folder / "supine.png")
    return folder


def run(folder, *arguments):
    given = ["measure", folder / "seated.png", folder / "supine.png", "--eye", "OD", *arguments]
    return CliRunner().invoke(main, [str(part) for part in given])


def pairs_file(folder, record, *, off_deg):
    """Write pairs on the limbus, picked to a pixel, that are turned against a measurement by an angle."""
    rng = np.random.default_rng(4)
    angles = np.radians([10.0, 80.0, 150.0, 220.0, 310.0])
    turn = angles + np.radians(record["rotation_deg"] + off_deg)
    rows = []
    for number in range(len(angles)):
        row = [number]
        for role, at in (("seated", angles[number]), ("supine", turn[number])):
            outline = record[role]["limbus"]
            click = rng.normal(0.0, 1.0, 2)
            row += [
                outline["x_px"] + 100.0 * np.cos(at) + click[0],
                outline["y_px"] - 100.0 * np.sin(at) + click[1],
            ]
        rows.append(row)
    file = folder / "pairs.csv"
    with file.open("w", newline="", encoding="utf-8") as lines:
        writer = csv.writer(lines)
        writer.writerow(["name", "seated_x_px", "seated_y_px", "supine_x_px", "supine_y_px"])
        writer.writerows(rows)
    return file


@pytest.mark.slow
def test_command_finds_ink_and_landmarks_and_says_where_the_axis_is_from_them(drawn, tmp_path):
    sheet, picture = tmp_path / "sheet.html", tmp_path / "picture.png"
    result = run(drawn, "--axis", 12, "--capsule-ring-mm", 5, "--sheet", sheet, "--picture", picture)
    assert result.exit_code == 0, result.output
    assert "Ink            violet" in result.stdout
    assert "from it to the axis" in result.stdout
    assert "ring of 5 mm" in result.stdout
    page = sheet.read_text(encoding="utf-8")
    assert "<b>Ink check:</b> violet" in page
    assert "vessel at" in page
    printed, again = (run(drawn, "--axis", 12, "--json", "-").stdout for _ in range(2))
    assert printed == again
    record = json.loads(printed)
    jsonschema.Draft202012Validator(read_schema("torsion/measurement/1")).validate(record)
    ink, *landmarks = record["axis"]["offsets"]
    assert ink["offset_deg"] == pytest.approx(9.0, abs=0.9)  # 12 against 3; limbus centre and patchy ink
    assert len(landmarks) >= 2
    for way in landmarks:
        end_deg = way["direction_deg"] + way["offset_deg"]
        assert axis_difference_deg(end_deg, record["axis"]["surgical_deg"]) == pytest.approx(0.0, abs=1e-3)
    assert record["centre"]["ring"] is None


@pytest.mark.slow
def test_command_compares_with_pairs_and_names_the_disagreement(drawn, tmp_path):
    record = json.loads(run(drawn, "--json", "-").stdout)
    assert not {"ink", "hand", "centre"} & set(record)
    near = run(drawn, "--landmarks", pairs_file(tmp_path, record, off_deg=0.0), "--json", "-")
    found = json.loads(near.stdout)
    assert found["verdict"] == "accept"
    assert found["hand"]["agreement"]["agrees"]
    assert set(found["record"]["sha256"]) == {"seated", "supine", "landmarks"}
    far = run(drawn, "--landmarks", pairs_file(tmp_path, record, off_deg=6.0))
    assert far.exit_code == 0
    assert "REVIEW" in far.stdout
    assert "DISAGREES" in far.stdout
    assert "landmarks_disagree" in far.stdout


@pytest.mark.slow
def test_command_turns_the_axis_by_a_measured_tilt(drawn):
    plain = json.loads(run(drawn, "--axis", 12, "--incision", 120, "--json", "-").stdout)
    tilted = json.loads(
        run(drawn, "--axis", 12, "--incision", 120, "--seated-tilt", "-1.5,0.4", "--json", "-").stdout
    )
    assert tilted["axis"]["surgical_deg"] - plain["axis"]["surgical_deg"] == pytest.approx(-1.5, abs=2e-4)
    turned = tilted["incision"]["surgical_deg"] - plain["incision"]["surgical_deg"]
    assert turned == pytest.approx(-1.5, abs=2e-4)  # both rounded to four decimals
    assert "frame_unknown" in plain["flags"]
    assert "frame_unknown" not in tilted["flags"]


@pytest.mark.slow
def test_ink_check_of_a_pair_reads_what_the_ink_command_reads(drawn):
    arguments = [
        "ink",
        drawn / "seated.png",
        drawn / "supine.png",
        "--eye",
        "OD",
        "--meridian",
        12,
        "--json",
        "-",
    ]
    read = json.loads(CliRunner().invoke(main, [str(part) for part in arguments]).stdout)
    record = json.loads(run(drawn, "--axis", 12, "--json", "-").stdout)
    assert record["ink"]["marks"] == read["marks"]
    assert ink_check(made_up.refused()).marks == ()


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (["--axis", "90", "--seated-tilt", "1"], "not of the form DEG,SD"),
        (["--axis", "90", "--seated-tilt", "60,1"], "must lie within 45 degrees"),
        (["--axis", "90", "--seated-tilt", "1,1", "--axis-frame", "level"], "in place of --axis-frame"),
        (["--capsule-ring-mm", "50"], "capsule opening must lie from 3 to 8 mm, not 50"),
        (["--limbus-mm", "1.2"], "limbus must lie from 9 to 14 mm, not 1.2"),
        (["--visual-axis", "1,nan"], "not of the form X,Y"),
        (["--landmarks", "supine.csv", "--json", "supine.csv"], "would replace"),
    ],
)
def test_wrong_usage(tmp_path, more, message):
    result = run(tmp_path, *more)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())


@pytest.mark.slow
def test_points_outside_the_photo_and_pairs_that_do_not_fit_are_one_sentence(drawn, tmp_path):
    result = run(drawn, "--visual-axis", "9000,10")
    assert result.exit_code == 1
    assert "visual axis: the point (9000, 10) must lie inside 'seated.png'" in result.stderr
    result = run(drawn, "--landmarks", tmp_path / "missing.csv")
    assert result.exit_code == 1
    assert "missing.csv" in result.stderr
