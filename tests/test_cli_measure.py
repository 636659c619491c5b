"""The commands inspect and measure: exit status, JSON and files first, then what they print."""

import io
import json
import re
import shutil
import subprocess
import sys

import jsonschema
import made_up
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import synthetic
from torsion import measure
from torsion.cli import main
from torsion.cli import measure as cli_measure
from torsion.demo import demo_files
from torsion.files import INSPECTION_SCHEMA, MEASUREMENT_SCHEMA, read_json, read_schema, to_json
from torsion.flags import FLAGS
from torsion.record import measurement_record
from torsion.toric import expected_cylinder_d, residual_cylinder_d

ROTATION_DEG = -4.2
TOLERANCE_DEG = 0.3  # of an easy pair; accuracy has its own tests, here only sign and place matter


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """Seated and supine photo of one eye, and the photo of another."""
    folder = tmp_path_factory.mktemp("photos")
    rng = np.random.default_rng(11)
    size = {"width_px": 720, "height_px": 480}
    pair = synthetic.draw_pair(made_up.drawn_eye(), "easy", rng, rotation_deg=ROTATION_DEG, **size)
    for name, picture in zip(("seated", "supine"), pair, strict=True):
        Image.fromarray(picture.rgb).save(folder / f"{name}.png")
    Image.open(io.BytesIO(demo_files([0.0])["seated.jpg"])).save(folder / "other.png")
    Image.fromarray(np.full((300, 400), 128, np.uint8)).save(folder / "blank.png")
    return folder


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def pair(photos, *more, supine="supine.png"):
    return "measure", photos / "seated.png", photos / supine, "--eye", "OD", *more


def read(result, schema):
    assert result.stderr == ""

    def refuse(name):
        pytest.fail(f"JSON holds {name}")

    record = json.loads(result.stdout, parse_constant=refuse)
    jsonschema.Draft202012Validator(read_schema(schema)).validate(record)
    return record


# ---- measure ----


def test_json_on_stdout_is_one_object_that_follows_the_schema(photos):
    result = run(*pair(photos, "--axis", 90, "--incision", 120, "--json", "-"))
    assert result.exit_code == 0
    record = read(result, MEASUREMENT_SCHEMA)
    assert abs(record["rotation_deg"] - ROTATION_DEG) < TOLERANCE_DEG
    assert abs(record["axis"]["surgical_deg"] - (90.0 + ROTATION_DEG)) < TOLERANCE_DEG
    assert abs(record["incision"]["surgical_deg"] - (120.0 + ROTATION_DEG)) < TOLERANCE_DEG
    assert record["direction"] == "incyclotorsion"  # clockwise in a right eye
    assert record["axis"]["frame_deg"] is None
    assert "frame_unknown" in record["flags"]


def test_command_and_library_give_the_same_bytes_every_time(photos):
    first, second = (run(*pair(photos, "--json", "-")).stdout for _ in range(2))
    found = measure(photos / "seated.png", photos / "supine.png", eye="OD")
    assert first == second == to_json(measurement_record(found))


def test_files_and_text(photos, tmp_path):
    file, picture = tmp_path / "result.json", tmp_path / "result.png"
    result = run(*pair(photos, "--axis", 0, "--axis-frame", "level", "--json", file, "--picture", picture))
    assert result.exit_code == 0, result.output
    record = read_json(file)
    assert record["axis"]["planned_deg"] == 180.0  # 0 is read as 180
    assert record["axis"]["frame"] == "level"
    with Image.open(picture) as written:
        assert written.format == "PNG"
        assert written.info.keys() <= {"dpi"}
    for part in ("clockwise", "standard uncertainty", "95 % interval", "ACCEPT", "lens marks at 175.8"):
        assert part in result.stdout
    for part in ("not a medical device", "same eye", "manual mark", "supine photo only"):
        assert part in " ".join(result.stdout.split())


def test_another_eye_is_refused_with_status_3_and_no_axis(photos, tmp_path):
    picture = tmp_path / "result.png"
    result = run(*pair(photos, "--axis", 90, "--picture", picture, supine="other.png"))
    assert result.exit_code == 3
    assert "REFUSED" in result.stdout
    assert "not carried" in result.stdout
    flag = FLAGS["eyes_do_not_match"]
    assert flag.remedy[:20] in " ".join(result.stdout.split())
    assert picture.exists()


@pytest.mark.parametrize("command", ["measure", "ink"])
def test_the_photo_that_shows_no_eye_is_named(photos, command):
    arguments = (photos / "seated.png", photos / "blank.png", "--eye", "OD")
    said = " ".join(run(command, *arguments).stdout.split())
    assert "REFUSED: supine photo: no eye was found" in said
    assert "no_eye: Supine photo: no eye was found" in said
    assert "no_ink" not in said
    assert ("not looked for where no eye was found" in said) is (command == "ink")


def test_refused_json(photos):
    result = run(*pair(photos, "--axis", 90, "--incision", 90, "--json", "-", supine="blank.png"))
    assert result.exit_code == 3
    record = read(result, MEASUREMENT_SCHEMA)
    assert record["verdict"] == "refuse"
    assert record["axis"]["surgical_deg"] is None
    assert record["incision"]["surgical_deg"] is None
    assert record["supine"]["flags"] == ["no_eye"]


def test_outlines_given_by_hand_are_taken_as_they_are(photos):
    found = read(run(*pair(photos, "--json", "-")), MEASUREMENT_SCHEMA)
    given = {}
    for role in ("seated", "supine"):
        for what in ("limbus", "pupil"):
            ellipse = found[role][what]
            given[f"--{role}-{what}"] = ",".join(f"{ellipse[n]:.1f}" for n in ("x_px", "y_px", "radius_px"))
    result = run(*pair(photos, *(part for item in given.items() for part in item), "--json", "-"))
    record = read(result, MEASUREMENT_SCHEMA)
    assert record["seated"]["limbus"]["x_px"] == round(found["seated"]["limbus"]["x_px"], 1)
    outlines = record["record"]["outlines"]
    assert outlines["seated"]["limbus"]["x_px"] == record["seated"]["limbus"]["x_px"]
    assert outlines["supine"].keys() == {"limbus", "pupil"}
    assert record["supine"]["pupil"]["radius_px"] == round(found["supine"]["pupil"]["radius_px"], 1)
    assert abs(record["rotation_deg"] - ROTATION_DEG) < TOLERANCE_DEG


def test_a_turn_that_was_stated_is_no_longer_for_review(photos, tmp_path):
    Image.open(photos / "supine.png").rotate(180).save(tmp_path / "turned.png")
    arguments = ["measure", photos / "seated.png", tmp_path / "turned.png", "--eye", "OD", "--json", "-"]
    found, stated = (json.loads(run(*arguments, *more).stdout) for more in ((), ("--turned", "180")))
    assert (found["verdict"], stated["verdict"]) == ("review", "accept")
    assert found["rotation_deg"] == stated["rotation_deg"]
    assert stated["view"]["turn_deg"] == 180
    assert stated["record"]["options"]["turned_deg"] == 180


def test_mirrored_photo_can_be_said_to_be_one(photos, tmp_path):
    mirrored = np.asarray(Image.open(photos / "supine.png"))[:, ::-1]
    Image.fromarray(mirrored).save(tmp_path / "mirrored.png")
    arguments = ["measure", photos / "seated.png", tmp_path / "mirrored.png", "--eye", "OD", "--axis", 30]
    assert run(*arguments).exit_code == 3
    result = run(*arguments, "--mirrored", "--json", "-")
    assert result.exit_code == 0
    record = read(result, MEASUREMENT_SCHEMA)
    assert record["view"]["mirrored"] is True
    assert abs(record["rotation_deg"] - ROTATION_DEG) < TOLERANCE_DEG
    assert abs(record["axis"]["surgical_deg"] - (180.0 - 30.0 - ROTATION_DEG)) < TOLERANCE_DEG
    assert abs(record["axis"]["surgical_patient_deg"] - (30.0 + ROTATION_DEG)) < TOLERANCE_DEG
    assert "mirrored left to right" in run(*arguments, "--mirrored").stdout


# ---- several photos ----


def test_further_photos_are_combined_and_told(photos, tmp_path, monkeypatch):
    monkeypatch.setattr(cli_measure, "_PATIENCE_S", np.inf)
    file, picture = tmp_path / "result.json", tmp_path / "result.png"
    alone = read(run(*pair(photos, "--axis", 90, "--json", "-")), MEASUREMENT_SCHEMA)
    more = ("--also-supine", photos / "blank.png", "--axis", 90)
    result = run(*pair(photos, *more, "--json", file, "--picture", picture))
    record = read_json(file)
    assert "network" not in alone
    for name in ("rotation_deg", "standard_uncertainty_deg", "interval_95_deg", "axis", "bands"):
        assert record[name] == alone[name]
    names = [photo["file"] for photo in record["network"]["photos"]]
    assert names == ["seated.png", "supine.png", "blank.png"]
    assert [photo["left_out"] for photo in record["network"]["photos"]] == [None, None, "not_comparable"]
    assert "Photos         1 seated and 2 supine, 1 of 3 pairs used" in result.stdout
    assert "blank.png (supine) was left out: too little can be seen of the eye" in result.stdout
    assert "! photo_left_out" in result.stdout
    assert picture.exists()


def test_further_photo_is_never_overwritten(photos):
    result = run(*pair(photos, "--also-seated", photos / "other.png", "--picture", photos / "other.png"))
    assert result.exit_code == 2
    assert ", which is read" in result.stderr


def test_progress_is_told_where_it_takes_long(capsys, monkeypatch):
    monkeypatch.setattr(cli_measure, "_PATIENCE_S", 0.0)
    tell = cli_measure._progress()
    tell(3, 3)
    assert capsys.readouterr().err.startswith("measuring 3 of 3")


# ---- cost and sheet ----


def test_cylinder_adds_what_an_error_of_the_axis_costs(photos, tmp_path):
    file = tmp_path / "result.json"
    result = run(*pair(photos, "--axis", 90, "--cylinder", 2, "--json", file))
    record = read_json(file)
    cost, uncertainty = record["cost"], record["axis"]["registration_deg"]
    assert cost["uncertainty_is"] == "registration only"
    assert cost["expected_d"] == pytest.approx(expected_cylinder_d(2.0, 2.0, uncertainty), abs=2e-4)
    left = residual_cylinder_d(2.0, 2.0, record["rotation_deg"])
    assert cost["uncorrected_d"] == pytest.approx(left, abs=2e-4)  # dioptres; rounded to four decimals
    assert f"left uncorrected, {left:.2f} D" in " ".join(result.stdout.split())


def test_sheet_is_written_with_its_label_and_without_the_name_of_a_file(photos, tmp_path):
    sheet = tmp_path / "sheet.html"
    result = run(*pair(photos, "--axis", 90, "--sheet", sheet, "--case", "<i>17</i>"))
    assert result.exit_code == 0, result.output
    page = sheet.read_text(encoding="utf-8")
    assert "&lt;i&gt;17&lt;/i&gt;" in page
    assert "seated.png" not in page
    assert "90.0° → 85.8°" in page


def test_refused_measurement_has_a_sheet_too(photos, tmp_path):
    sheet = tmp_path / "sheet.html"
    result = run(*pair(photos, "--axis", 90, "--sheet", sheet, "--json", "-", supine="blank.png"))
    assert result.exit_code == 3
    assert read(result, MEASUREMENT_SCHEMA)["verdict"] == "refuse"
    page = sheet.read_text(encoding="utf-8")
    assert "<b>REFUSED</b>" in page
    assert "90.0" not in page


def test_sheet_without_its_packages_says_what_to_install(photos, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "jinja2", None)
    sheet = tmp_path / "sheet.html"
    assert "torsion[sheet]" in one_sentence(run(*pair(photos, "--sheet", sheet, supine="blank.png")))
    assert not sheet.exists()


def test_label_too_long_for_the_sheet(photos, tmp_path):
    result = run(*pair(photos, "--sheet", tmp_path / "sheet.html", "--case", "x" * 61, supine="blank.png"))
    assert result.exit_code == 2
    assert "has 61 characters; at most 60" in " ".join(result.stderr.split())


# ---- what cannot be used: status 1, one sentence, nothing written ----


def one_sentence(result):
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    assert result.stderr.startswith("Error: ")
    assert result.stderr.count("\n") == 1
    return result.stderr


def test_missing_photo(photos, tmp_path):
    file, picture = tmp_path / "result.json", tmp_path / "result.png"
    result = run(*pair(photos, "--json", file, "--picture", picture, supine="missing.png"))
    assert "missing.png' does not exist" in one_sentence(result)
    assert not file.exists()
    assert not picture.exists()


def test_truncated_photo(photos, tmp_path):
    whole = tmp_path / "whole.jpg"
    Image.open(photos / "supine.png").save(whole)
    (tmp_path / "half.jpg").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    result = run("measure", photos / "seated.png", tmp_path / "half.jpg", "--eye", "OS", "--json", "-")
    assert "half.jpg" in one_sentence(result)


def test_outline_outside_the_photo(photos):
    result = run(*pair(photos, "--seated-limbus", "5000,10,90"))
    assert "centre of the given limbus" in one_sentence(result)


def test_output_that_cannot_be_written(photos, tmp_path):
    result = run(*pair(photos, "--json", tmp_path / "missing" / "result.json"))
    assert "result.json' cannot be written: there is no folder" in one_sentence(result)


# ---- wrong usage: status 2 ----


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (["--axis", "181"], "axis must lie from 0 to 180 degrees, not 181"),
        (["--axis", "-1"], "axis must lie from 0 to 180 degrees, not -1"),
        (["--axis", "nan"], "not a number of degrees"),
        (["--axis", "90", "--incision", "361"], "direction must lie from 0 to 360 degrees, not 361"),
        (["--axis", "90", "--cylinder", "0"], "cylinder of the lens must be more than 0 dioptres"),
        (["--axis", "90", "--cylinder", "-2"], "cylinder of the lens must lie from 0 to 15 dioptres, not -2"),
        (["--axis", "90", "--cylinder", "2mm"], "'2mm' is in millimetres"),
        (["--sheet", "sheet.pdf"], "a sheet is written as .html, not 'sheet.pdf'"),
        (["--axis", "90", "--axis-frame", "tilted"], "'tilted'"),
        (["--seated-limbus", "1,2"], "not of the form X,Y,R"),
        (["--supine-pupil", "1,2,-3"], "not of the form X,Y,R"),
        (["--picture", "result.jpg"], "a picture is written as .svg, .png, .pdf"),
        (["--eye", "both"], "eye must be OD or R"),
    ],
)
def test_wrong_usage(photos, more, message):
    result = run(*pair(photos, *more))
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())


def test_eye_is_required(photos):
    result = run("measure", photos / "seated.png", photos / "supine.png")
    assert result.exit_code == 2
    assert "--eye" in result.stderr


@pytest.mark.parametrize("option", ["--json", "--picture"])
def test_photo_is_never_overwritten(photos, option):
    before = (photos / "supine.png").read_bytes()
    result = run(*pair(photos, option, photos / "supine.png"))
    assert result.exit_code == 2
    assert ", which is read" in result.stderr
    assert (photos / "supine.png").read_bytes() == before


def test_outputs_do_not_overwrite_each_other(photos, tmp_path):
    file = tmp_path / "result.png"
    assert run(*pair(photos, "--json", file, "--picture", file)).exit_code == 2


# ---- inspect ----


def test_inspect_names_the_best(photos):
    result = run("inspect", photos / "blank.png", photos / "seated.png", "--json", "-")
    assert result.exit_code == 0
    record = read(result, INSPECTION_SCHEMA)
    assert record["best"] == 1
    assert [photo["verdict"] for photo in record["photos"]] == ["refuse", "accept"]
    assert [photo["file"] for photo in record["photos"]] == ["blank.png", "seated.png"]


def test_inspect_prints_a_table_and_what_the_flags_mean(photos, tmp_path):
    picture = tmp_path / "inspected.png"
    result = run("inspect", photos, "--picture", picture)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert [line.split()[1] for line in lines[1:5]] == ["blank.png", "other.png", "seated.png", "supine.png"]
    assert "Best: " in result.stdout
    assert "no_eye: No eye was found" in result.stdout
    with Image.open(picture) as written:
        assert written.format == "PNG"


def test_inspect_shows_the_folders_of_photos_of_one_name_and_no_others(tmp_path):
    blank = np.full((240, 320), 120, np.uint8)
    names = ["one/left/1.png", "one/right/1.png", "two/left/1.png", "two/left/2.png"]
    for name in names:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(blank).save(tmp_path / name)
    files = [tmp_path / name for name in names]
    record = read(run("inspect", *files, files[3], "--json", "-"), INSPECTION_SCHEMA)
    told = ["one/left/1.png", "right/1.png", "two/left/1.png", "2.png", "2.png"]  # one file twice is one file
    assert [photo["file"] for photo in record["photos"]] == told
    lines = run("inspect", *files).stdout.splitlines()
    assert [line.split()[1] for line in lines[1:5]] == told[:4]


def test_inspect_one_photo_is_a_list_of_one(photos):
    record = read(run("inspect", photos / "seated.png", "--eye", "L", "--json", "-"), INSPECTION_SCHEMA)
    assert len(record["photos"]) == 1
    assert record["best"] == 0


def test_inspect_shows_each_figure_of_one_photo_with_its_limit_and_what_betters_it(photos, tmp_path):
    text = run("inspect", photos / "seated.png").stdout
    (line,) = [line for line in text.splitlines() if "limbus radius" in line]
    assert line.startswith("  limbus radius")
    assert re.search(r"at least 40 px +go closer or use a longer lens$", line)
    assert re.search(r"gaze tilt +– +one photo does not tell +ask to look straight into the lens\n", text)
    record = read(run("inspect", photos / "seated.png", "--json", "-"), INSPECTION_SCHEMA)
    small = tmp_path / "small.png"
    with Image.open(photos / "seated.png") as picture:
        share = 30.0 / record["photos"][0]["measures"]["limbus_radius_px"]
        shrunk = picture.resize([round(share * side) for side in picture.size])
        framed = Image.new("RGB", [max(220, side) for side in shrunk.size], shrunk.getpixel((1, 1)))
        framed.paste(shrunk, ((framed.width - shrunk.width) // 2, (framed.height - shrunk.height) // 2))
        framed.save(small)
    assert "! limbus radius" in run("inspect", small).stdout
    assert record["retake"].keys() == record["photos"][0]["measures"].keys()


def test_inspect_ends_with_3_where_all_are_refused(photos, tmp_path):
    result = run("inspect", photos / "blank.png")
    assert result.exit_code == 3
    assert result.stdout.startswith("REFUSED  blank.png")
    shutil.copy(photos / "blank.png", tmp_path / "again.png")
    result = run("inspect", photos / "blank.png", tmp_path / "again.png")
    assert result.exit_code == 3
    assert "No photo can be used." in result.stdout


def test_inspect_takes_outlines_for_one_photo_only(photos):
    result = run("inspect", photos / "blank.png", "--limbus", "200,150,80", "--json", "-")
    record = read(result, INSPECTION_SCHEMA)
    assert record["photos"][0]["limbus"]["radius_px"] == 80.0
    result = run("inspect", photos / "blank.png", photos / "seated.png", "--limbus", "200,150,80")
    assert result.exit_code == 2
    assert "go with one photo, not 2" in result.stderr


def test_inspect_of_an_empty_folder(tmp_path):
    assert "holds no photo" in one_sentence(run("inspect", tmp_path))


def test_inspect_of_a_mixed_folder_leaves_out_what_cannot_be_read(photos, tmp_path):
    whole, broken = tmp_path / "whole.png", tmp_path / "broken.png"
    whole.write_bytes((photos / "seated.png").read_bytes())
    broken.write_bytes(whole.read_bytes()[:5000])
    (tmp_path / "notes.txt").write_text("no photo", encoding="utf-8")
    result = run("inspect", tmp_path, "--json", "-")
    assert result.exit_code == 0
    assert [photo["file"] for photo in json.loads(result.stdout)["photos"]] == ["whole.png"]
    assert result.stderr.startswith("Left out: ")
    assert "broken.png" in result.stderr
    assert "broken.png" in one_sentence(run("inspect", whole, broken))  # a file that was named is asked for
    both = one_sentence(run("inspect", whole, broken, tmp_path / "notes.txt"))
    assert all(part in both for part in ("broken.png", "notes.txt", "give their folder"))
    whole.unlink()
    assert "broken.png" in one_sentence(run("inspect", tmp_path))


def test_inspect_needs_a_photo():
    assert run("inspect").exit_code == 2


# ---- imports ----


def test_matplotlib_loads_only_for_a_picture(photos):
    code = (
        "import sys; from torsion.cli import main\n"
        f"main(['inspect', {str(photos / 'seated.png')!r}], standalone_mode=False)\n"
        "assert not {'matplotlib', 'pandas', 'jsonschema'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
