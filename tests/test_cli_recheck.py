"""The command recheck with photos: end of surgery, later looks, and what refraction says of them."""

import json
import math

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import synthetic
from torsion.angles import axis_difference_deg
from torsion.cli import main
from torsion.files import MEASUREMENT_SCHEMA, RECHECK_SCHEMA, read_schema
from torsion.toric import turned_lens

pytestmark = pytest.mark.slow

END_DEG, WEEK_DEG = 91.0, 97.0  # where the lens lies in the frame of the eye
TOLERANCE_DEG = 0.4  # of an easy pair with exact points


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """Seated photo, end of surgery, a week later, and another eye; with the marks in pixels."""
    folder, rng = tmp_path_factory.mktemp("case"), np.random.default_rng(8)
    eye = synthetic.random_eye(rng, laterality="OD")
    seated, end = synthetic.draw_pair(eye, "easy", rng, rotation_deg=5.0)
    week = synthetic.draw_pair(eye, "easy", rng, rotation_deg=-3.0)[1]
    other = synthetic.draw_pair(synthetic.random_eye(rng, laterality="OD"), "easy", rng)[1]
    marks = {}
    for name, picture, lens_deg in (
        ("seated", seated, 0.0), ("end", end, END_DEG), ("week", week, WEEK_DEG), ("other", other, 90.0)
    ):  # fmt: skip
        Image.fromarray(picture.rgb).save(folder / f"{name}.png")
        ends = [lens_deg, lens_deg + 180.0]
        x, y = synthetic.project(picture.eye, picture.view, ends, 0.5, surface="iris")
        marks[name] = [f"--mark={a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True)]
    x, y = synthetic.project(eye, seated.view, [0.0, 180.0], 0.5, surface="iris")
    roll = math.degrees(math.atan2(y[1] - y[0], x[0] - x[1]))  # of the eye's frame in the seated picture
    return folder, marks, roll


def run(*arguments):
    return CliRunner().invoke(main, ["recheck", *(str(argument) for argument in arguments)])


def look(case, name, *more):
    folder, marks, _ = case
    return run(folder / "seated.png", folder / f"{name}.png", "--eye", "OD", *marks[name], *more)


def read(result):
    assert result.exit_code in (0, 3), result.output
    assert result.stderr == ""
    record = json.loads(result.stdout)
    for schema, part in ((RECHECK_SCHEMA, record), (MEASUREMENT_SCHEMA, record["measurement"])):
        jsonschema.Draft202012Validator(read_schema(schema)).validate(part)
    return record


def test_end_of_surgery_against_the_plan_then_rotation_since_surgery(case, tmp_path):
    roll = case[2]
    kept, planned = tmp_path / "end.json", 90.0 + roll
    options = ["--planned", planned, "--axis-frame", "same", "--cylinder", 2, "--at-cornea"]
    result = look(case, "end", *options, "--at-surgery", "--json", kept)
    assert result.exit_code == 0, result.output
    assert "this is the baseline at the end of surgery" in result.stdout
    end = json.loads(kept.read_text(encoding="utf-8"))
    assert end["at_surgery"] is True
    assert abs(axis_difference_deg(end["lens"]["axis_deg"], END_DEG + roll)) < TOLERANCE_DEG
    assert abs(end["plan"]["off_deg"] - 1.0) < TOLERANCE_DEG
    assert abs(axis_difference_deg(end["plan"]["surgical_deg"], planned + 5.0)) < TOLERANCE_DEG
    # two degrees and a little uncertainty at most
    assert 0.02 < end["plan"]["expected_d"] < 0.25
    week = read(look(case, "week", "--baseline", kept, "--json", "-"))
    assert week["rotation"]["since"] == "surgery"
    assert abs(week["rotation"]["rotation_deg"] - (WEEK_DEG - END_DEG)) < TOLERANCE_DEG
    both = math.hypot(*(part["lens"]["standard_uncertainty_deg"] for part in (end, week)))
    assert week["rotation"]["standard_uncertainty_deg"] == pytest.approx(both, abs=1e-6)
    assert "since surgery, ±" in look(case, "week", "--baseline", kept).stdout


def test_a_first_photo_is_not_the_end_of_surgery(case, tmp_path):
    kept = tmp_path / "first.json"
    result = look(case, "end", "--json", kept)
    assert "no baseline: rotation since surgery cannot be stated" in result.stdout
    result = look(case, "week", "--baseline", kept)
    assert "since the first photo (not since surgery)" in result.stdout


def test_refraction_and_photo_agree_or_not(case):
    roll = case[2]
    lens_deg = WEEK_DEG + roll
    cornea = f"2@{(90.0 + roll) % 180:.2f}"
    for shift, said in ((0.0, False), (60.0, True)):  # degrees by which refraction and photo are at odds
        left = turned_lens(2.0, 7.0 + shift, cornea_d=2.0, axis_deg=(90.0 + roll) % 180).residual
        refraction = f"{left.sphere_d:+.2f} {left.cylinder_d:+.2f} x {left.axis_deg:.0f}"
        given = ["--refraction", refraction, "--vertex", 0, "--cylinder", 2, "--at-cornea"]
        more = ["--cornea", cornea, "--total", "--axis-frame", "same"]
        record = read(look(case, "week", *given, *more, "--json", "-"))
        assert ("refraction_disagrees" in record["flags"]) is said
        assert abs(axis_difference_deg(record["axis_deg"], lens_deg)) < TOLERANCE_DEG
        assert record["worth"] in ("yes", "no", "unclear")
    text = look(case, "week", *given, *more).stdout
    assert "the lens as read disagrees" in text
    assert "Marks of the lens at" in text


def test_frame_of_the_refraction_counts(case):
    given = [
        "--refraction",
        "+0.25 -0.50 x 140",
        "--vertex",
        0,
        "--cylinder",
        2,
        "--at-cornea",
        "--json",
        "-",
    ]
    unknown, level = (read(look(case, "week", *given, *more)) for more in ([], ["--axis-frame", "level"]))
    assert "frame_unknown" in unknown["flags"]
    assert "frame_unknown" not in level["flags"]
    width = [one["gain"]["turn_standard_uncertainty_deg"] for one in (unknown, level)]
    assert width[1] > width[0]


def test_another_eye_is_refused_with_status_3_and_no_axis(case, tmp_path):
    picture = tmp_path / "lens.png"
    result = look(case, "other", "--planned", 90, "--json", "-", "--picture", picture)
    assert result.exit_code == 3
    record = read(result)
    assert record["axis_deg"] is None
    assert record["plan"] is None
    assert picture.stat().st_size > 5000
    assert look(case, "other").stdout.startswith("No axis: REFUSED")


def test_nothing_is_invented_of_a_lens_where_no_eye_is_found(case, tmp_path):
    folder, marks, _ = case
    Image.fromarray(np.full((300, 400), 128, np.uint8)).save(folder / "blank.png")
    given = (folder / "seated.png", folder / "blank.png", "--eye", "OD", *marks["end"], "--planned", 90)
    picture = tmp_path / "lens.png"
    result = run(*given, "--json", "-", "--picture", picture)
    record = read(result)
    assert (result.exit_code, record["lens"], record["axis_deg"], record["plan"]) == (3, None, None, None)
    assert "no_eye" in record["flags"]
    assert picture.stat().st_size > 5000
    assert run(*given).stdout.startswith("No axis: REFUSED")
    (tmp_path / "end.json").write_text(result.stdout)
    later = look(case, "week", "--baseline", tmp_path / "end.json")
    assert later.exit_code == 1
    assert "the baseline must hold an axis read in a photo" in later.stderr


def test_picture_and_same_bytes(case, tmp_path):
    first, second = tmp_path / "a.png", tmp_path / "b.png"
    texts = [
        look(case, "end", "--planned", 90, "--json", "-", "--picture", file).stdout
        for file in (first, second)
    ]
    assert texts[0] == texts[1]
    assert first.read_bytes() == second.read_bytes()


def test_no_line_is_wider_than_the_screen(case):
    printed = (
        look(case, "end", "--planned", 90, "--mirrored").stdout,
        look(case, "end", "--planned", 90).stdout,
    )
    assert max(len(line) for text in printed for line in text.splitlines()) <= 96


def test_a_picture_of_another_format_is_wrong_usage_before_any_work():
    result = run("missing.png", "missing.png", "--eye", "OD", "--mark", "1,2", "--picture", "lens.jpg")
    assert result.exit_code == 2
    assert "a picture is written as .svg, .png, .pdf, not 'lens.jpg'" in " ".join(result.stderr.split())


def test_marks_that_make_no_axis_are_wrong_usage(case):
    folder = case[0]
    photos = [folder / "seated.png", folder / "end.png", "--eye", "OD"]
    for marks, message in (
        ([], "at least 2 points on its marks, not 0"),
        (["--mark", "1,1", "--mark", "5,5"], "mark 1,1 lies outside the limbus"),
    ):
        result = run(*photos, *marks)
        assert result.exit_code == 2
        assert message in " ".join(result.stderr.split())


def test_baseline_that_cannot_be_used_is_status_1(case, tmp_path):
    file = tmp_path / "other.json"
    file.write_text('{"schema": "torsion/recheck/1"}')
    result = look(case, "end", "--baseline", file)
    assert result.exit_code == 1
    assert "must hold an axis read in a photo" in result.stderr
    result = look(case, "end", "--baseline", tmp_path / "missing.json")
    assert result.exit_code == 1
    assert "missing.json" in result.stderr
