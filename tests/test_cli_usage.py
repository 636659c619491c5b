"""How commands end: an option that would change nothing is wrong usage; what is refused is status 3."""

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from torsion.cli import main

PAIR = "a.jpg b.jpg --eye OD"
REFRACTION = "--refraction +1 --cylinder 2 --at-cornea --axis 90"
BY_HAND = "goes with a SUPINE photo and --pairs"
IDLE = [
    (f"measure {PAIR}", "--axis-frame same", "needs --axis"),
    (f"measure {PAIR}", "--seated-tilt 1,0.1", "needs --axis"),
    (f"measure {PAIR}", "--incision 120", "needs --axis"),
    (f"measure {PAIR}", "--cylinder 2", "needs --axis"),
    (f"measure {PAIR} --axis 90 --axis-frame same", "--seated-tilt 1,0.1", "stands in place of --axis-frame"),
    (f"measure {PAIR}", "--limbus-mm 12", "needs --axis, --visual-axis or --capsule-ring-mm"),
    (f"measure {PAIR}", "--case 17", "needs --sheet"),
    ("ink a.jpg --eye OD", "--mirrored", "needs a SUPINE photo"),
    ("landmarks a.jpg --eye OD", "--click-px 2", BY_HAND),
    ("landmarks a.jpg --eye OD", "--turn 0", BY_HAND),
    ("landmarks a.jpg --eye OD", "--mirrored", BY_HAND),
    ("landmarks a.jpg --eye OD", "--picture x.png", BY_HAND),
    ("landmarks a.jpg --eye OD --axis 90", "--axis-frame same", BY_HAND),
    (f"landmarks {PAIR} --pairs p.csv", "--axis-frame same", "needs --axis"),
    (f"landmarks {PAIR} --pairs p.csv", "--sheet x.html", "goes without a SUPINE photo and --pairs"),
    (f"landmarks {PAIR} --pairs p.csv", "--count 3", "goes without a SUPINE photo and --pairs"),
    ("landmarks a.jpg --eye OD", "--case 17", "needs --sheet"),
    ("level --line 0,0,9,0", "--turn 180", "needs points in the supine photo"),
    ("level --line 0,0,9,0", "--mirrored", "needs points in the supine photo"),
    ("level --line 0,0,9,0 a.jpg b.jpg", "", "SUPINE needs points in the supine photo"),
    ("level --right 1,0.1 --left 2,0.1", "--click-px 2", "needs points picked in the photos"),
    ("level --right 1,0.1 --left 2,0.1 a.jpg", "", "SEATED needs points picked in the photos"),
    ("level --line 0,0,9,0", "--taken fixed", "goes with --right and --left"),
    ("level --line 0,0,9,0", "--picture x.png", "needs a photo to draw on"),
    ("plan --flat 42@180 --steep 44@90", "--at-cornea", "needs --cylinders"),
    ("plan --flat 42@180 --steep 44@90", "--ratio 1.5", "needs --cylinders"),
    ("plan --flat 42@180 --steep 44@90", "--lens-position 5", "needs --cylinders"),
    ("budget --cylinder 2", "--torsion 4", "is no part of --method manual or photo"),
    ("budget --cylinder 2 --method manual", "--registration 0.1", "is no part of --method manual"),
    (f"recheck {REFRACTION}", "--mark 1,2", "needs the two photos"),
    (f"recheck {REFRACTION}", "--mark-sd 2", "needs the two photos"),
    (f"recheck {REFRACTION}", "--planned 90", "needs the two photos"),
    (f"recheck {REFRACTION}", "--axis-frame same", "needs the two photos"),
    (f"recheck {REFRACTION}", "--at-surgery", "needs the two photos"),
    (f"recheck {REFRACTION}", "--eye OD", "needs the two photos"),
    (f"recheck {REFRACTION}", "--baseline-from surgery", "needs --baseline in degrees"),
    (f"recheck {PAIR} --baseline end.json", "--baseline-from surgery", "needs --baseline in degrees"),
    (f"recheck {REFRACTION}", "--mean-power 43", "needs --lens-position"),
    (f"recheck {REFRACTION}", "--total", "needs --cornea"),
    (f"recheck {REFRACTION}", "--keratometry-sd 0.2", "needs --cornea"),
    (f"recheck {PAIR}", "--axis 90", "comes from the photos"),
    (f"recheck {PAIR}", "--cylinder 2", "needs --refraction or --planned"),
    (f"recheck {PAIR}", "--axis-frame same", "needs --refraction or --planned"),
    (f"recheck {PAIR}", "--ratio 1.5", "needs --cylinder"),
    (f"recheck {PAIR}", "--vertex 14", "needs --refraction"),
    (f"recheck {PAIR}", "--cornea 2@90", "needs --refraction"),
    (f"recheck {PAIR}", "--refraction-sd 0.2", "needs --refraction"),
    (f"recheck {PAIR}", "--axis-sd 2", "needs --refraction"),
    (f"recheck {PAIR}", "--placing-sd 2", "needs --refraction"),
    (f"recheck {PAIR}", "--worth 1", "needs --refraction"),
    (f"recheck {PAIR}", "--seed 2", "needs --refraction"),
    ("cohort m.csv --strip there", "--json x.json", "needs --out"),
    ("cohort m.csv --strip there", "--with-photos", "needs --out"),
    ("cohort --init .", "--out there", "does not go with --init"),
    ("cohort --init .", "--workers 2", "does not go with --init"),
    ("cohort --init .", "--allow-outside", "does not go with --init"),
    ("cohort --init . m.csv", "", "MANIFEST does not go with --init"),
    ("validate .", "--title mine", "needs --out"),
    ("demo", "--seed 2", "needs --quiz"),
]


@pytest.mark.parametrize(("command", "option", "why"), IDLE)
def test_option_that_would_change_nothing_is_wrong_usage(command, option, why):
    result = CliRunner().invoke(main, [*command.split(), *option.split()])
    assert result.exit_code == 2
    *_, sentence = result.stderr.strip().splitlines()
    assert sentence.startswith(f"Error: {option.split()[0] if option else ''}")
    assert why in sentence
    assert result.stdout == ""


def test_default_typed_in_is_an_option_like_any_other():
    arguments = ["level", "--line", "0,0,9,0", "--turn", "0"]
    assert CliRunner().invoke(main, arguments).exit_code == 2
    assert CliRunner().invoke(main, arguments[:-2]).exit_code == 0


OF_PHOTOS = [
    "inspect {photo}",
    "measure {photo} {other} --eye OD",
    "ink {photo} --eye OD",
    "landmarks {photo} --eye OD",
    "recheck {photo} {other} --eye OD --mark 100,100 --mark 200,100",
]


@pytest.mark.parametrize("command", OF_PHOTOS)
def test_a_picture_without_an_eye_is_refused_with_status_3_and_a_file_that_is_none_with_1(command, tmp_path):
    for name, value in (("photo", 120), ("other", 90)):
        Image.fromarray(np.full((240, 320, 3), value, np.uint8)).save(tmp_path / f"{name}.png")
    (tmp_path / "text.png").write_text("no picture")
    paths = {name: tmp_path / f"{name}.png" for name in ("photo", "other", "text")}
    refused = CliRunner().invoke(main, command.format(**paths).split())
    assert refused.exit_code == 3, refused.output
    unreadable = CliRunner().invoke(main, command.format(**paths | {"photo": paths["text"]}).split())
    assert unreadable.exit_code == 1
    assert "'text.png' is not a picture" in unreadable.stderr
