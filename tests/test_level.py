"""Level: signs and identities first, then published decompositions, then the command."""

import json

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from tests.test_landmarks import schema_of
from torsion.angles import direction_deg
from torsion.both_eyes import ROLL_DEG, both_eyes
from torsion.cli import main
from torsion.level import COUNTER_ROLL, head_turn, level_axis, reference_tilt

EXACT_DEG = 1e-9
SURE = {"right_standard_uncertainty_deg": 0.1, "left_standard_uncertainty_deg": 0.1}


def points_at(angle_deg, *, length=1000.0):
    """Two points of a line turned counter-clockwise in a picture, y down."""
    half = 0.5 * length * np.exp(1j * np.radians(angle_deg))
    return (500.0 - half.real, 400.0 + half.imag), (500.0 + half.real, 400.0 - half.imag)


@pytest.mark.parametrize("angle_deg", [-60.0, -7.5, 0.0, 3.0, 45.0])
def test_a_reference_turned_counter_clockwise_is_positive_in_either_order(angle_deg):
    first, second = points_at(angle_deg)
    for points in ((first, second), (second, first)):
        tilt = reference_tilt("canthi", *points, posture="seated")
        assert tilt.angle_deg == pytest.approx(angle_deg, abs=EXACT_DEG)
        assert tilt.against == "head"
        assert bool(tilt.flags) == (abs(angle_deg) > 30)


def test_the_view_is_undone():
    first, second = points_at(4.0 + 90.0)
    turned = reference_tilt("canthi", first, second, posture="supine", turn_deg=90.0)
    assert turned.angle_deg == pytest.approx(4.0, abs=EXACT_DEG)
    mirrored = reference_tilt("canthi", *points_at(-4.0), posture="supine", mirrored=True)
    assert mirrored.angle_deg == pytest.approx(4.0, abs=EXACT_DEG)


def test_the_stated_uncertainty_is_the_spread_of_noisy_points():
    rng = np.random.default_rng(1)
    first, second = np.array(points_at(5.0, length=400.0))
    noisy = rng.normal(0.0, 2.0, (20000, 2, 2)) + np.array([first, second])
    step = noisy[:, 1] - noisy[:, 0]
    tilt = reference_tilt("line", tuple(first), tuple(second), posture="seated", click_px=2.0)
    spread = np.std(direction_deg(step[:, 0], step[:, 1]))
    assert tilt.standard_uncertainty_deg == pytest.approx(spread, rel=0.03)  # 20,000 draws: 0.5 %


def test_supine_there_is_no_level_line():
    with pytest.raises(ValueError, match="gravity runs along the view"):
        reference_tilt("line", (0.0, 0.0), (10.0, 0.0), posture="supine")


def test_points_that_are_picked_too_roughly_give_no_direction():
    with pytest.raises(ValueError, match="must be at most 45 degrees, not 81"):
        reference_tilt("line", (1.0, 1.0), (101.0, 1.0), posture="seated", click_px=100.0)


def test_points_must_lie_apart_and_clicks_be_positive():
    with pytest.raises(ValueError, match="at least 1 pixel apart, not 0"):
        reference_tilt("pupils", (5.0, 5.0), (5.0, 5.0), posture="seated")
    with pytest.raises(ValueError, match="click_px must be a number of pixels above 0, not -1"):
        reference_tilt("line", (0.0, 0.0), (9.0, 0.0), posture="seated", click_px=-1.0)


def test_a_reference_is_one_of_three():
    with pytest.raises(ValueError, match="must be line, canthi or pupils, not 'brows'"):
        reference_tilt("brows", (0.0, 0.0), (9.0, 0.0), posture="seated")


def test_an_axis_turns_with_the_photo_and_its_uncertainty_says_by_what():
    line = reference_tilt("line", *points_at(3.0), posture="seated", click_px=1.0)
    canthi = reference_tilt("canthi", *points_at(3.0), posture="seated", click_px=1.0)
    assert level_axis(178.0, line).in_photo_deg == pytest.approx(1.0, abs=EXACT_DEG)
    assert level_axis(0.0, line).planned_deg == 180.0
    assert level_axis(90.0, line).standard_uncertainty_deg == line.standard_uncertainty_deg
    counter_roll = COUNTER_ROLL * 3.0 / np.sqrt(3.0)
    wanted = np.sqrt(canthi.standard_uncertainty_deg**2 + canthi.slant_deg**2 + counter_roll**2)
    assert level_axis(90.0, canthi).standard_uncertainty_deg == pytest.approx(wanted)
    with pytest.raises(ValueError, match="goes with a seated photo"):
        level_axis(90.0, reference_tilt("canthi", *points_at(3.0), posture="supine"))


def test_the_head_turn_leaves_the_eye_in_the_head_whatever_the_slant():
    for slant in (-4.0, 0.0, 6.0):
        seated = reference_tilt("canthi", *points_at(slant + 1.0), posture="seated")
        supine = reference_tilt("canthi", *points_at(slant + 6.0), posture="supine")
        turn = head_turn(seated, supine, rotation_deg=8.0, standard_uncertainty_deg=0.1)
        assert turn.turn_deg == pytest.approx(5.0, abs=EXACT_DEG)
        assert turn.torsion_deg == pytest.approx(3.0, abs=EXACT_DEG)
        assert turn.torsion_standard_uncertainty_deg > turn.standard_uncertainty_deg


def test_a_head_turn_needs_one_reference_seen_twice():
    seated = reference_tilt("canthi", *points_at(1.0), posture="seated")
    with pytest.raises(ValueError, match="not canthi seated and pupils supine"):
        head_turn(seated, reference_tilt("pupils", *points_at(1.0), posture="supine"))


@pytest.mark.parametrize(("right", "left"), [(5.0, -3.0), (-2.0, 7.0), (0.0, 0.0)])
def test_roll_moves_the_common_part_only(right, left):
    plain = both_eyes(right, left, **SURE, taken="one frame")
    rolled = both_eyes(right + 4.0, left + 4.0, **SURE, taken="one frame")
    assert rolled.common_deg == pytest.approx(plain.common_deg + 4.0)
    assert rolled.symmetric_deg == pytest.approx(plain.symmetric_deg)
    assert plain.common_deg + plain.symmetric_deg == pytest.approx(right)
    assert plain.common_deg - plain.symmetric_deg == pytest.approx(left)


def test_excyclotorsion_of_both_eyes_is_positive_and_symmetric():
    both = both_eyes(4.0, -4.0, **SURE, taken="fixed")  # counter-clockwise right, clockwise left
    assert (both.symmetric_deg, both.common_deg) == (4.0, 0.0)
    assert both.flags == ()


def test_both_eyes_the_same_way_is_a_warning():
    assert "same_way" in both_eyes(4.0, 3.0, **SURE).flags
    assert "same_way" not in both_eyes(4.0, 0.1, **SURE).flags  # the left one is within its uncertainty
    assert both_eyes(4.0, 3.0, **SURE, taken="one frame").verdict == "review"


def test_photographed_apart_the_stated_uncertainty_is_that_of_four_rolls():
    rng = np.random.default_rng(2)
    rolls = rng.normal(0.0, ROLL_DEG, (4, 40000))
    right, left = rolls[1] - rolls[0], rolls[3] - rolls[2]
    stated = both_eyes(0.0, 0.0, right_standard_uncertainty_deg=0.0, left_standard_uncertainty_deg=0.0)
    assert stated.standard_uncertainty_deg == pytest.approx(np.std((right - left) / 2.0), rel=0.02)
    assert stated.standard_uncertainty_deg == pytest.approx(np.std((right + left) / 2.0), rel=0.02)
    assert "taken_apart" in stated.flags


def test_published_decomposition():
    # Br J Ophthalmol 2015;99(1):49-53, 155 persons: total rotation SD 3.41 degrees, 2.04 of it torsion and
    # 2.72 common to both eyes; total = symmetric + common, so their squares add up, to rounding.
    rng = np.random.default_rng(3)
    torsion, tilt = rng.normal(1.43, 2.04, 20000), rng.normal(0.0, 2.72, 20000)
    split = [both_eyes(t + n, n - t, **SURE) for t, n in zip(torsion, tilt, strict=True)]
    assert np.std([each.symmetric_deg for each in split]) == pytest.approx(2.04, rel=0.02)
    assert np.std([each.right_deg for each in split]) == pytest.approx(3.41, rel=0.02)


def test_both_eyes_refuses_numbers_that_are_none():
    with pytest.raises(ValueError, match=r"within 45 degrees and its .*, not 1 and -1$"):
        both_eyes(1.0, 2.0, right_standard_uncertainty_deg=-1.0, left_standard_uncertainty_deg=0.1)


# ---- command ----


def run(*arguments):
    return CliRunner().invoke(main, ["level", *[str(argument) for argument in arguments]])


def test_the_command_says_what_was_found_and_writes_it():
    arguments = ["--line", "0,400,1000,400", "--canthi", "100,440,900,400", "--supine-canthi",
                 "100,480,900,400", "--axis", 90, "--rotation", "5.2,0.1"]  # fmt: skip
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    for part in ("against gravity", "against the head", "which leaves", "at the keratometry"):
        assert part in result.stdout
    record = json.loads(run(*arguments, "--json", "-").stdout)
    jsonschema.Draft202012Validator(schema_of("level")).validate(record)
    turn = np.degrees(np.arctan2(80, 800) - np.arctan2(40, 800))
    assert record["head"][0]["torsion_deg"] == pytest.approx(5.2 - turn, abs=1e-3)
    assert [axis["kind"] for axis in record["axes"]] == ["line", "canthi"]


def test_canthi_in_one_photo_and_pupils_in_the_other_give_no_turn_of_the_head():
    result = run("--canthi", "100,440,900,400", "--supine-pupils", "100,480,900,400")
    assert "its turn is not known: that needs the same canthi or pupils in both photos" in result.stdout
    assert "its turn" not in run("--canthi", "100,440,900,400").stdout


def test_both_eyes_from_numbers_and_from_files(tmp_path):
    result = run("--right", "5,0.2", "--left", "3,0.2")
    assert "same_way" in result.stdout
    assert "apart" in result.stdout
    assert "symmetric 0.0° (± 0.1°)" in run("--right", "5,0.1", "--left", "5,0.1", "--taken", "fixed").stdout
    for name, rotation in (("right", 5.0), ("left", -3.0)):
        made = {"schema": "torsion/measurement/1", "verdict": "accept", "rotation_deg": rotation}
        made["standard_uncertainty_deg"] = 0.1
        (tmp_path / f"{name}.json").write_text(json.dumps(made))
    files = ("--right", tmp_path / "right.json", "--left", tmp_path / "left.json", "--taken", "fixed")
    record = json.loads(run(*files, "--json", "-").stdout)
    jsonschema.Draft202012Validator(schema_of("level")).validate(record)
    assert record["eyes"]["symmetric_deg"] == 4.0
    assert "symmetric 4.0° excyclotorsion of either eye (± 0.1°)" in run(*files).stdout
    other = made | {"eye": "OD"}
    (tmp_path / "left.json").write_text(json.dumps(other))
    assert "'left.json' is a measurement of OD, not of OS" in run(*files).stderr
    (tmp_path / "left.json").write_text(json.dumps(made | {"schema": "torsion/plan/1"}))
    assert "must hold a measurement (torsion/measurement/1), not torsion/plan/1" in run(*files).stderr
    refused = {"schema": "torsion/measurement/1", "verdict": "refuse", "rotation_deg": 1.0}
    (tmp_path / "left.json").write_text(json.dumps(refused))
    result = run(*files)
    assert result.exit_code == 1
    assert "the measurement was refused" in result.stderr


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({}, "its rotation_deg must be a number, not None"),
        ({"verdict": "accept", "rotation_deg": "x"}, "its rotation_deg must be a number, not 'x'"),
        ({"rotation_deg": 3, "standard_uncertainty_deg": True}, "its standard_uncertainty_deg must be a"),
    ],
)
def test_json_that_is_no_measurement_is_not_called_a_refusal(tmp_path, fields, sentence):
    file = tmp_path / "made.json"
    file.write_text(json.dumps({"schema": "torsion/measurement/1", **fields}))
    result = run("--right", file, "--left", "1,1")
    assert result.exit_code == 1
    assert f"'made.json' is no measurement that measure wrote: {sentence}" in result.stderr


@pytest.mark.parametrize("typed", ["300,1", "90,1", "-45.1,1", "nan,1", "1,-0.1", "1,46"])
def test_a_turn_that_no_eye_makes_is_wrong_usage(typed):
    canthi = ("--canthi", "0,0,9,0", "--supine-canthi", "0,0,9,0")
    for arguments in (("--right", typed, "--left", "1,1"), ("--right", "1,1", "--left", typed),
                      (*canthi, "--rotation", typed)):  # fmt: skip
        result = run(*arguments)
        assert result.exit_code == 2
        assert "DEG,SD" in result.stderr or "within 45 degrees and its standard uncer" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((), "give a reference"),
        (("--supine-line", "0,0,9,0"), "gravity runs along the view"),
        (("--line", "0,0,9"), "X,Y,X,Y"),
        (("--right", "1,0.1"), "--right and --left go together"),
        (("--supine-canthi", "0,0,9,0", "--axis", "90"), "--axis needs a reference"),
        (("--line", "0,0,9,0", "--rotation", "3,0.1"), "--rotation needs the same canthi"),
    ],
)
def test_wrong_usage_ends_with_status_2_and_its_reason(arguments, sentence):
    result = run(*arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr


@pytest.mark.parametrize("typed", ["nan", "inf", "0", "-1", "1,1", ""])
@pytest.mark.parametrize(
    "command", ["level --line 0,0,9,0", "landmarks missing.jpg missing.jpg --eye OD --pairs missing.csv"]
)
def test_a_click_that_is_no_number_of_pixels_is_wrong_usage(command, typed):
    result = CliRunner().invoke(main, [*command.split(), "--click-px", typed])
    assert result.exit_code == 2
    assert f"'--click-px': {typed!r} is not of the form PX: a number of pixels above 0" in result.stderr


def test_both_pupils_are_both_pupils():
    points = ["--pupils", "300,500,900,480", "--supine-pupils", "310,500,905,520", "--axis", "90"]
    said = CliRunner().invoke(main, ["level", *points]).stdout
    assert "to supine, by both pupils" in said
    assert "by both pupils,\n" in said
