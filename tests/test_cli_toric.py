"""The four commands of the toric arithmetic: JSON and exit status first, then what they print."""

import json
import math
import re
import subprocess
import sys

import jsonschema
import pytest
from click.testing import CliRunner

from torsion.cli import main
from torsion.files import read_json as read_record
from torsion.files import read_schema, row
from torsion.toric import turned_lens

PLAN = ["plan", "--flat", "42.50@180", "--steep", "44.50@90"]
RECHECK = ["recheck", "--refraction", "+0.53 -1.06 x 150", "--vertex", "0", "--cylinder", "2", "--axis", "97"]
AT_CORNEA = [*RECHECK, "--at-cornea"]
BUDGET = ["budget", "--cylinder", "2.5"]
ROUNDED = 5e-10  # JSON of the arithmetic has nine decimals
COMMANDS = {
    "residual": ["residual", "--cylinder", "2", "--off", "10", "--axis", "90"],
    "plan": [*PLAN, "--cylinders", "1,1.5,3", "--lens-position", "5"],
    "recheck": AT_CORNEA,
    "budget": BUDGET,
}


def run(*arguments):
    return CliRunner().invoke(main, list(arguments))


def read_json(*arguments):
    result = run(*arguments, "--json", "-")
    assert result.exit_code == 0, result.output
    assert result.stderr == ""

    def refuse(name):
        pytest.fail(f"JSON holds {name}")

    return json.loads(result.stdout, parse_constant=refuse)


# ---- contract ----


@pytest.mark.parametrize("name", COMMANDS)
def test_json_is_one_object_with_schema_version_and_caution(name):
    found = read_json(*COMMANDS[name])
    assert found["schema"] == f"torsion/{name}/1"
    assert found["record"]["version"]
    assert "prevail" in found["cautions"][0]


MANY = {
    **COMMANDS,
    "residual without figures": ["residual", "--cylinder", "0", "--off", "5"],
    "plan of a round cornea": ["plan", "--astigmatism", "0@90", "--total", "--keratometry-sd", "0.2"],
    "plan with everything": [
        *PLAN, "--cylinders", "1:6:0.5", "--ratio", "1.4", "--sia-vector", "0.3@20", "--sia-sd", "0.1",
        "--incision", "350", "--eye", "OS", "--history", "graft", "--keratometry-sd", "0.3",
    ],
    "recheck with everything": [
        *AT_CORNEA, "--cornea", "2.5@85", "--total", "--baseline", "90",
        "--baseline-from", "surgery",
    ],
    "recheck without a best axis": [
        "recheck", "--refraction", "0 -2 x 120", "--vertex", "0", "--cylinder", "2", "--axis", "30",
        "--at-cornea",
    ],
    "recheck of a lens at zero": [
        "recheck", "--refraction", "0", "--cylinder", "2", "--axis", "0", "--at-cornea", "--baseline", "0",
    ],
    "budget of one method": [*BUDGET, "--method", "uncorrected", "--torsion", "0"],
}  # fmt: skip


@pytest.mark.parametrize("name", MANY)
def test_json_follows_its_schema_and_reads_back(name, tmp_path):
    file = tmp_path / "result.json"
    assert run(*MANY[name], "--json", str(file)).exit_code == 0
    record = read_record(file)
    jsonschema.Draft202012Validator(read_schema(record["schema"])).validate(record)
    assert "schema" in row(record)


@pytest.mark.parametrize("name", COMMANDS)
def test_same_input_same_bytes(name):
    assert (
        run(*COMMANDS[name], "--json", "-").stdout_bytes == run(*COMMANDS[name], "--json", "-").stdout_bytes
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_json_to_a_file_leaves_the_text_on_the_screen(name, tmp_path):
    file = tmp_path / "result.json"
    result = run(*COMMANDS[name], "--json", str(file))
    assert result.exit_code == 0
    assert json.loads(file.read_text(encoding="utf-8")) == read_json(*COMMANDS[name])
    assert "A second check, not a medical device" in result.stdout


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_picture(name, suffix, tmp_path):
    file = tmp_path / f"figure.{suffix}"
    assert run(*COMMANDS[name], "--picture", str(file)).exit_code == 0
    assert file.stat().st_size > 5000


def test_matplotlib_loads_only_for_a_picture():
    code = (
        "import sys; from torsion.cli import main\n"
        "main(['residual', '--cylinder', '2', '--off', '5'], standalone_mode=False)\n"
        "assert not {'matplotlib', 'scipy', 'pandas'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def test_a_picture_without_matplotlib_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "torsion.toric_plots", None)
    result = run(*COMMANDS["residual"], "--picture", str(tmp_path / "x.png"))
    assert result.exit_code == 1
    assert "torsion[plots]" in result.stderr


# ---- results ----


def test_residual_as_the_contract_has_it():
    found = read_json("residual", "--cylinder", "2", "--off", "10", "--axis", "90")
    assert found["residual"]["sphere_d"] == pytest.approx(2.0 * math.sin(math.radians(10.0)), abs=ROUNDED)
    assert found["residual"]["cylinder_d"] == pytest.approx(-4.0 * math.sin(math.radians(10.0)), abs=ROUNDED)
    assert found["residual"]["axis_deg"] == pytest.approx(140.0, abs=1e-9)
    assert found["lost_percent"] == pytest.approx(34.730, abs=5e-4)
    assert found["rule_percent"] == pytest.approx(33.0, abs=1e-12)


def test_residual_without_axis_and_of_an_unequal_lens():
    found = read_json("residual", "--cylinder", "3", "--cornea", "2", "--off", "-8")
    direct = turned_lens(3.0, -8.0, cornea_d=2.0)
    assert found["residual"]["sphere_d"] == pytest.approx(direct.residual.sphere_d, abs=ROUNDED)
    assert found["residual"]["cylinder_d"] == pytest.approx(direct.residual.cylinder_d, abs=ROUNDED)
    assert found["residual"]["axis_deg"] is None
    assert found["annulling_turn_deg"] == pytest.approx(20.705, abs=5e-4)


def test_residual_where_a_loss_has_no_meaning():
    assert read_json("residual", "--cylinder", "4", "--cornea", "2", "--off", "5")["lost_percent"] is None
    assert "no figure" in run("residual", "--cylinder", "4", "--cornea", "2", "--off", "5").stdout


def test_an_axis_of_zero_is_read_as_180():
    found = read_json("recheck", "--refraction", "0", "--cylinder", "2", "--axis", "0", "--at-cornea")
    assert found["axis_deg"] == found["best_axis_deg"] == 180.0
    plan = read_json("plan", "--flat", "43@90", "--steep", "44@0", "--sia-vector", "0.1@0")
    assert plan["axis_deg"] == plan["cornea"]["astigmatism"]["meridian_deg"] == 180.0
    assert read_json("residual", "--cylinder", "2", "--off", "0", "--axis", "0")["axis_deg"] == 180.0


def test_plan_by_vergence():
    found = read_json(
        *PLAN, "--cylinders", "1:3:0.5", "--lens-position", "5", "--incision", "180", "--sia", "0.2"
    )
    assert found["axis_deg"] == pytest.approx(90.0)
    assert found["net"]["cylinder_d"] == pytest.approx(2.2)  # an incision at 180 steepens 90
    assert [choice["cylinder_d"] for choice in found["choices"]] == [0.0, 1.0, 1.5, 2.0, 2.5, 3.0]
    assert found["choices"][-1]["at_cornea_d"] == pytest.approx(2.103, abs=5e-4)
    assert found["chooses_sphere"] is False
    assert "anterior_only" in found["flags"]
    assert found["lens_plane"] == {"position_mm": 5.0, "ratio": None}


def test_plan_says_how_the_lens_was_converted_and_what_it_leaves_out():
    text = run(*PLAN, "--cylinders", "1.5", "--ratio", "1.46").stdout
    assert "fixed ratio of 1.46" in text
    assert "No sphere is chosen" in text
    assert "front of the cornea" in text
    assert "radial cuts" in run(*PLAN, "--history", "radial-cuts").stdout.lower()


def test_plan_reads_radii_in_millimetres():
    by_power = read_json("plan", "--flat", "42.1875@180", "--steep", "45@90")
    by_radius = read_json("plan", "--flat", "8.00mm@180", "--steep", "7.5mm@90")
    assert by_radius["net"]["cylinder_d"] == pytest.approx(by_power["net"]["cylinder_d"], abs=1e-9)


def test_residual_of_a_lens_on_axis_is_not_turned():
    said = run("residual", "--cylinder", "2", "--off", "0").stdout
    assert said.startswith("Lens of 2.00 D, on axis, on a cornea of 2.00 D\n")
    assert "0 % of the correction (rule of thumb, 3.3 % a degree: 0 %, as much)" in said


def test_plan_of_a_left_eye_names_the_side_of_the_incision():
    assert "temporal in OS" in run(*PLAN, "--incision", "5", "--eye", "L").stdout


def test_plan_with_a_vector_and_uncertainty():
    found = read_json(
        "plan", "--astigmatism", "2@30", "--total", "--keratometry-sd", "0.3",
        "--sia-vector", "0@90", "--sia-sd", "0.4",
    )  # fmt: skip
    assert found["standard_uncertainty_d"] == pytest.approx(0.5)
    assert found["flags"] == []


def test_recheck():
    found = read_json(*AT_CORNEA, "--cornea", "2.5@85", "--baseline", "90", "--baseline-from", "surgery")
    assert found["best_axis_deg"] == pytest.approx(85.0, abs=0.2)  # degrees; the refraction is in hundredths
    assert found["turn_deg"] == pytest.approx(-12.0, abs=0.2)
    assert found["refraction_at_best"]["cylinder_d"] == pytest.approx(-0.5, abs=0.01)
    assert found["rotation"]["rotation_deg"] == 7.0
    assert found["rotation"]["since"] == "surgery"
    assert found["check"]["implied"]["meridian_deg"] == pytest.approx(97.0, abs=0.5)


def test_recheck_without_a_baseline_at_surgery_says_so():
    assert "since the first photo (not since surgery)" in run(*AT_CORNEA, "--baseline", "90").stdout


def test_recheck_brings_the_refraction_to_the_cornea():
    away = ["recheck", "--refraction", "-6.00 -2.00 x 10", "--cylinder", "2", "--axis", "40", "--at-cornea"]
    found = read_json(*away)  # 12 mm unless said otherwise
    assert found["refraction"]["sphere_d"] == pytest.approx(-6.0 / 1.072, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "sphere", "cylinder", "axis"),
    [
        ("+0.50 -1.25 x 140", 0.5, -1.25, 140.0),
        ("-0.75 +1.25 × 50", 0.5, -1.25, 140.0),
        ("+0.50/-1.25x140", 0.5, -1.25, 140.0),
        ("plano -1.00 axis 0", 0.0, -1.0, 180.0),
        ("\u22120.25", -0.25, 0.0, None),
    ],
)
def test_refractions_as_people_write_them(text, sphere, cylinder, axis):
    found = read_json(
        "recheck", "--refraction", text, "--vertex", "0", "--cylinder", "2", "--axis", "20", "--at-cornea"
    )["refraction"]
    assert found["sphere_d"] == pytest.approx(sphere, abs=1e-9)
    assert found["cylinder_d"] == pytest.approx(cylinder, abs=1e-9)
    assert found["axis_deg"] == (None if axis is None else pytest.approx(axis, abs=1e-6))


def test_budget_takes_published_errors_and_replaces_parts():
    # 5.5 (SD 3.3) degrees: Titiyal et al., Clin Ophthalmol 2018;12:747-753; abstract read
    found = read_json(*BUDGET, "--mark-placing", "5.5+-3.3", "--ink-width", "6", "--registration", "0.2")
    manual, photo = found["methods"]
    values = {item["part"]["name"]: item for item in manual["parts"]}
    assert values["mark_placing"]["standard_uncertainty_deg"] == pytest.approx(math.hypot(5.5, 3.3))
    assert values["ink_width"]["standard_uncertainty_deg"] == pytest.approx(6.0 / math.sqrt(12.0))
    assert sum(item["share"] for item in photo["parts"]) == pytest.approx(1.0)
    assert found["saved_d"] > 0.0


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], r"by photo instead of manual mark: 0\.\d\d D less cylinder expected"),
        (
            ["--method", "photo", "--method", "manual"],
            r"manual mark instead of by photo: 0\.\d\d D more cylinder expected",
        ),
        (
            ["--mark-placing", "0", "--registration", "0"],
            "by photo instead of manual mark: as much cylinder expected",
        ),
    ],
)
def test_budget_says_what_a_method_saves_by_size_and_sense(options, said):
    lines = run(*BUDGET, *options).stdout.splitlines()
    assert any(re.fullmatch(said, line.strip()) for line in lines)


def test_budget_of_one_method_compares_nothing():
    found = read_json(*BUDGET, "--method", "uncorrected", "--torsion", "0")
    assert len(found["methods"]) == 1
    assert found["saved_d"] is None


def test_budget_of_hardly_any_astigmatism_states_no_figures_for_the_axis():
    hardly = [*BUDGET, "--cornea", "0.01"]
    assert "axis_uncertain" in read_json(*hardly)["methods"][0]["flags"]
    text = run(*hardly).stdout
    assert "over 52°" in text
    assert "±" not in text
    assert "axis_uncertain" not in read_json(*BUDGET)["methods"][0]["flags"]


def test_budget_prints_shares_and_sources():
    text = run(*BUDGET).stdout
    assert "improve first" in text
    assert "common practice, no source" in text
    assert "Visser" in text


@pytest.mark.parametrize(
    "arguments",
    [  # 7.8 would do for a radius in millimetres
        ["plan", "--astigmatism", "7.8@90"],
        ["residual", "--cylinder", "2", "--off", "5", "--cornea", "7.8"],
        [*AT_CORNEA, "--cornea", "7.8@85"],
        ["recheck", "--refraction", "0 -7 x 90", "--cylinder", "2", "--axis", "180", "--at-cornea"],
    ],
)
def test_an_unlikely_astigmatism_is_flagged(arguments):
    assert "astigmatism_unusual" in read_json(*arguments)["flags"]
    assert "not a radius in millimetres?" in " ".join(run(*arguments).stdout.split())


def test_an_unlikely_astigmatism_is_flagged_in_each_budget():
    methods = read_json(*BUDGET, "--cornea", "7.8")["methods"]
    assert ["astigmatism_unusual" in method["flags"] for method in methods] == [True, True]


def test_recheck_says_what_is_missing_in_the_cornea_it_compares_with():
    compared = [*AT_CORNEA, "--cornea", "2.5@85"]
    assert "anterior_only" in read_json(*compared)["flags"]
    assert "anterior_only" not in read_json(*compared, "--total")["flags"]


# ---- bad input ----


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["residual", "--cylinder", "-2", "--off", "5"],
         "cylinder of the lens must lie from 0 to 15 dioptres, not -2"),
        (["residual", "--cylinder", "200", "--off", "5"], "from 0 to 15 dioptres, not 200"),
        (["residual", "--cylinder", "nan", "--off", "5"], "'nan' is not a number of dioptres"),
        (["residual", "--cylinder", "two", "--off", "5"], "'two' is not a number of dioptres"),
        (["residual", "--cylinder", "2e", "--off", "5"], "'2e' is not a number of dioptres"),
        (["residual", "--cylinder", "2", "--off", "1e9"], "from -90 to 90 degrees"),
        (["plan", "--astigmatism", "2@1E308"], "must lie from 0 to 180 degrees, not 1e+308"),
        (["budget", "--cylinder", "1e400"], "must lie from 0 to 15 dioptres, not inf"),
        (["residual", "--cylinder", "2,25", "--off", "5"], "with a decimal point"),
        (["residual", "--cylinder", "2mm", "--off", "5"],
         "'2mm' is in millimetres; a number of dioptres is needed"),
        (["residual", "--cylinder", "2", "--off", "95"], "from -90 to 90 degrees"),
        (["residual", "--cylinder", "2", "--off", "5", "--axis", "190"],
         "axis must lie from 0 to 180 degrees, not 190"),
        (["residual", "--cylinder", "2", "--off", "5", "--axis", "-5"],
         "axis must lie from 0 to 180 degrees, not -5"),
        (["residual", "--cylinder", "2"], "--off"),
        (["residual", "--cylinder", "2", "--off", "5", "--picture", "x.jpeg"],
         "a picture is written as .svg, .png, .pdf"),
        (["plan"], "give the cornea"),
        (["plan", "--flat", "44.5@180", "--steep", "42.5@90"], "were the two swapped"),
        (["plan", "--flat", "7.94@180", "--steep", "7.58@90"],
         "if 7.94 is a radius in millimetres, write 7.94mm"),
        (["plan", "--flat", "42.5@180", "--steep", "44.5"], "--steep needs the meridian behind it"),
        (["plan", "--flat", "42.5@180", "--steep", "44.5 at 90"], "'44.5 at 90' is not of the form 44.50@90"),
        (["plan", "--flat", "425@180", "--steep", "44.5@90"], "from 25 to 75 dioptres, not 425"),
        (["plan", "--flat", "1.2mm@180", "--steep", "44.5@90"],
         "radius of the cornea must lie from 5 to 12 mm"),
        (["plan", "--astigmatism", "-1@90"],
         "astigmatism of the cornea must lie from 0 to 15 dioptres, not -1"),
        (["plan", "--astigmatism", "1@90", "--flat", "43@180"], "not both"),
        ([*PLAN, "--mean-power", "43"], "--mean-power goes with --astigmatism"),
        ([*PLAN, "--cylinders", "1,2"], "say in one way where the lens cylinder is stated"),
        ([*PLAN, "--cylinders", "1,2", "--at-cornea", "--ratio", "1.4"], "say in one way"),
        ([*PLAN, "--cylinders", "1;2", "--at-cornea"], "neither a list"),
        ([*PLAN, "--cylinders", "3:1:0.5", "--at-cornea"], "must rise from the first"),
        ([*PLAN, "--cylinders", "1,2", "--lens-position", "0.005"], "lens position must lie from 1 to 9 mm"),
        ([*PLAN, "--cylinders", "1,2", "--ratio", "nan"], "must lie from 1 to 2.5, not nan"),
        (["plan", "--astigmatism", "2@90", "--cylinders", "1", "--lens-position", "5"], "mean power"),
        ([*PLAN, "--sia", "0.2"], "--sia needs --incision"),
        ([*PLAN, "--sia", "0.2", "--incision", "0", "--sia-vector", "1@90"], "give --sia or --sia-vector"),
        ([*PLAN, "--sia", "-0.2", "--incision", "0"], "written as a positive number of dioptres"),
        ([*PLAN, "--sia-sd", "0.2"], "--sia-sd goes with"),
        ([*PLAN, "--incision", "361"], "direction of the incision must lie from 0 to 360 degrees, not 361"),
        ([*PLAN, "--eye", "both"], "eye must be OD or R"),
        ([*RECHECK], "say in one way"),
        ([*AT_CORNEA, "--cornea", "2.5"], "--cornea needs the steep meridian behind it"),
        ([*AT_CORNEA, "--refraction", "good"], "'good' is not of the form"),
        ([*AT_CORNEA, "--refraction", "+0.5 -1.0"], "is not of the form"),
        ([*AT_CORNEA, "--refraction", "+0.5 -1.0 x 200"],
         "axis of the refraction must lie from 0 to 180"),
        ([*AT_CORNEA, "--refraction", "+50 -1.0 x 20"], "beyond human range"),
        ([*AT_CORNEA, "--vertex", "120"], "vertex distance must lie"),
        ([*AT_CORNEA, "--baseline", "200"], "earlier axis must lie"),
        ([*AT_CORNEA, "--vertex", "0.012"], "vertex distance must lie from 1 to 25 mm, or be 0"),
        ([*AT_CORNEA, "--cornea", "7.8mm@90"], "'7.8mm@90' is in millimetres"),
        ([*AT_CORNEA, "--axis-sd", "-1"],
         "standard uncertainty of the present axis must lie from 0 to 45 degrees, not -1"),
        ([*AT_CORNEA, "--placing-sd", "60"], "turning must lie from 0 to 45 degrees, not 60"),
        ([*AT_CORNEA, "--refraction-sd", "9"], "must lie from 0 to 5 dioptres, not 9"),
        (["recheck", "a.png"], "give two photos, SEATED and the one that shows the marks, or none, not 1"),
        (["recheck", "a.png", "b.png", "--mark", "1,2", "--mark", "3,4"], "missing --eye"),
        (["recheck", "a.png", "b.png", "--eye", "OD", "--mark", "1;2"], "'1;2' is not of the form X,Y"),
        (["recheck", "a.png", "b.png", "--eye", "OD", "--refraction", "+1 -1 x 10"], "missing --cylinder"),
        (["recheck", "--refraction", "+1 -1 x 10", "--cylinder", "2"], "missing --axis"),
        (["recheck", "--refraction", "+1 -1 x 10", "--cylinder", "2", "--axis", "9", "--baseline", "x.json"],
         "--baseline with a file needs the two photos"),
        (["recheck", "--baseline", "surgery"], "'surgery' is neither an axis in degrees nor the .json file"),
        (["plan", "--astigmatism", "2mm@90"], "'2mm@90' is in millimetres"),
        (["budget", "--cylinder", "-2"], "cylinder of the lens must lie from 0 to 15 dioptres, not -2"),
        ([*BUDGET, "--ink-width", "200"], "full width of ink width must lie from 0 to 90 degrees, not 200"),
        (["budget", "--cylinder", "2.5", "--cornea", "0"], "must be more than 0 dioptres"),
        ([*BUDGET, "--mark-placing", "about 3"], "neither a standard uncertainty like 2.5"),
        ([*BUDGET, "--head-pose", "-2"],
         "standard uncertainty of head pose must lie from 0 to 45 degrees, not -2"),
        ([*BUDGET, "--method", "luck"], "luck"),
    ],
)  # fmt: skip
def test_wrong_usage_is_one_sentence_and_status_2(arguments, message):
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("option", ["--json", "--picture"])
@pytest.mark.parametrize("name", COMMANDS)
def test_a_file_that_cannot_be_written_is_status_1(name, option, tmp_path):
    result = run(*COMMANDS[name], option, str(tmp_path / "nowhere" / "x.png"))
    assert result.exit_code == 1
    assert "there is no folder" in result.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_one_file_is_not_two_outputs(name, tmp_path):
    file = tmp_path / "both.svg"
    result = run(*COMMANDS[name], "--json", str(file), "--picture", str(file))
    assert result.exit_code == 2
    assert "it would replace another output" in result.stderr
    assert not file.exists()
