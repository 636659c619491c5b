"""How commands end: an option that would change nothing is wrong usage; what is refused is status 3."""

import json
import os
import subprocess
import sys

import click
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from torsion.cli import main
from torsion.cli.usage import NamedPath

PAIR = "a.jpg b.jpg --eye OD"
REFRACTION = "--refraction +1 --cylinder 2 --at-cornea --axis 90"
BY_HAND = "goes with a SUPINE photo and --pairs"
IDLE = [  # a command, why, and the options that would change nothing in it
    (
        f"measure {PAIR}",
        "needs --axis",
        ["--axis-frame same", "--seated-tilt 1,0.1", "--incision 120", "--cylinder 2"],
    ),
    (
        f"measure {PAIR} --axis 90 --axis-frame same",
        "stands in place of --axis-frame",
        ["--seated-tilt 1,0.1"],
    ),
    (f"measure {PAIR}", "needs --axis, --visual-axis or --capsule-ring-mm", ["--limbus-mm 12"]),
    (f"measure {PAIR}", "needs --sheet", ["--case 17"]),
    ("ink a.jpg --eye OD", "needs a SUPINE photo", ["--mirrored", "--turned 180"]),
    ("landmarks a.jpg --eye OD", BY_HAND, ["--click-px 2", "--turned 0", "--mirrored", "--picture x.png"]),
    ("landmarks a.jpg --eye OD --axis 90", BY_HAND, ["--axis-frame same"]),
    (f"landmarks {PAIR} --pairs p.csv", "needs --axis", ["--axis-frame same"]),
    (
        f"landmarks {PAIR} --pairs p.csv",
        "goes without a SUPINE photo and --pairs",
        ["--sheet x.html", "--count 3"],
    ),
    ("landmarks a.jpg --eye OD", "needs --sheet", ["--case 17"]),
    ("level --line 0,0,9,0", "needs points in the supine photo", ["--turned 180", "--mirrored"]),
    ("level --line 0,0,9,0 a.jpg b.jpg", "SUPINE needs points in the supine photo", [""]),
    ("level --right 1,0.1 --left 2,0.1", "needs points picked in the photos", ["--click-px 2"]),
    ("level --right 1,0.1 --left 2,0.1 a.jpg", "SEATED needs points picked in the photos", [""]),
    ("level --line 0,0,9,0", "goes with --right and --left", ["--taken fixed"]),
    ("level --line 0,0,9,0", "needs a photo to draw on", ["--picture x.png"]),
    (
        "plan --flat 42@180 --steep 44@90",
        "needs --cylinders",
        ["--at-cornea", "--ratio 1.5", "--lens-position 5"],
    ),
    ("budget --cylinder 2", "is no part of --method manual or photo", ["--torsion 4"]),
    ("budget --cylinder 2 --method manual", "is no part of --method manual", ["--registration 0.1"]),
    (
        f"recheck {REFRACTION}",
        "needs the two photos",
        [
            "--mark 1,2",
            "--mark-sd 2",
            "--planned 90",
            "--axis-frame same",
            "--at-surgery",
            "--eye OD",
            "--turned 90",
        ],
    ),
    (f"recheck {REFRACTION}", "needs --baseline in degrees", ["--baseline-from surgery"]),
    (f"recheck {PAIR} --baseline end.json", "needs --baseline in degrees", ["--baseline-from surgery"]),
    (f"recheck {REFRACTION}", "needs --lens-position", ["--mean-power 43"]),
    (f"recheck {REFRACTION}", "needs --cornea", ["--total", "--keratometry-sd 0.2"]),
    (f"recheck {PAIR}", "comes from the photos", ["--axis 90"]),
    (f"recheck {PAIR}", "needs --refraction or --planned", ["--cylinder 2", "--axis-frame same"]),
    (f"recheck {PAIR}", "needs --cylinder", ["--ratio 1.5"]),
    (
        f"recheck {PAIR}",
        "needs --refraction",
        [
            "--vertex 14",
            "--cornea 2@90",
            "--refraction-sd 0.2",
            "--axis-sd 2",
            "--placing-sd 2",
            "--worth 1",
            "--seed 2",
        ],
    ),
    ("cohort m.csv --strip there", "needs --out", ["--json x.json", "--with-photos"]),
    ("cohort --init .", "does not go with --init", ["--out there", "--workers 2", "--allow-outside"]),
    ("cohort --init . m.csv", "MANIFEST does not go with --init", [""]),
    ("validate .", "needs --out", ["--title mine"]),
    ("demo", "needs --quiz", ["--seed 2"]),
]


@pytest.mark.parametrize(
    ("command", "option", "why"),
    [(command, option, why) for command, why, options in IDLE for option in options],
)
def test_option_that_would_change_nothing_is_wrong_usage(command, option, why):
    result = CliRunner().invoke(main, [*command.split(), *option.split()])
    assert result.exit_code == 2
    *_, sentence = result.stderr.strip().splitlines()
    assert sentence.startswith(f"Error: {option.split()[0] if option else ''}")
    assert why in sentence
    assert result.stdout == ""


def test_default_typed_in_is_an_option_like_any_other():
    arguments = ["level", "--line", "0,0,9,0", "--turned", "0"]
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


@pytest.mark.parametrize(
    "command",
    [
        "inspect none.jpg",
        "measure none.jpg other.jpg --eye OD",
        "landmarks none.jpg --eye OD",
        "cohort none.csv --out results",
        "cohort --init none",
        "validate none",
        "level --right none.json --left 1,1",
        "level --canthi 0,0,9,0 --supine-canthi 0,0,9,0 --rotation none.json",
    ],
)
def test_what_is_not_there_is_told_in_the_same_words_with_status_1(command, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, command.split())
    assert result.exit_code == 1
    (name,) = (word for word in command.split() if word.startswith("none"))
    assert result.stderr == f"Error: '{name}' does not exist\n"


@pytest.mark.parametrize("name", ["measure", "ink", "recheck", "landmarks", "level"])
def test_a_turn_is_stated_in_the_same_way_everywhere(name):
    command = main.get_command(click.Context(main), name)
    (turned,) = (given for given in command.params if "--turned" in given.opts)
    assert list(turned.type.choices) == ["0", "90", "180", "270"]
    assert turned.opts == ["--turned"]
    assert "looks turned by 90 is stated as 270" in turned.help


BY_POINTS = "--canthi 0,0,9,0 --supine-canthi 0,0,9,0"
READ = {  # by command and parameter: what is typed to have a file read by it
    ("inspect", "photos"): "{file}",
    ("measure", "seated"): "{file} b.jpg --eye OD",
    ("measure", "supine"): "a.jpg {file} --eye OD",
    ("measure", "--also-seated"): "a.jpg b.jpg --eye OD --also-seated {file}",
    ("measure", "--also-supine"): "a.jpg b.jpg --eye OD --also-supine {file}",
    ("measure", "--landmarks"): "a.jpg b.jpg --eye OD --landmarks {file}",
    ("ink", "seated"): "{file} --eye OD",
    ("ink", "supine"): "a.jpg {file} --eye OD",
    ("landmarks", "seated"): "{file} --eye OD",
    ("landmarks", "supine"): "a.jpg {file} --pairs p.csv --eye OD",
    ("landmarks", "--pairs"): "a.jpg b.jpg --pairs {file} --eye OD",
    ("level", "seated"): "{file} --line 0,0,9,0",
    ("level", "supine"): f"a.jpg {{file}} {BY_POINTS}",
    ("level", "--rotation"): f"a.jpg {BY_POINTS} --rotation {{file}}",
    ("level", "--right"): f"a.jpg {BY_POINTS} --right {{file}} --left 1,1",
    ("level", "--left"): f"a.jpg {BY_POINTS} --right 1,1 --left {{file}}",
    ("recheck", "photos"): "{file} b.jpg --eye OD --mark 1,1 --mark 2,2",
    ("recheck", "--baseline"): "a.jpg b.jpg --eye OD --mark 1,1 --mark 2,2 --baseline {file}",
    ("cohort", "manifest"): "{file} --out results",
    ("validate", "folder"): ". --pattern {{eye}}_*",  # of which the file is one
}
OUTPUTS = {"--json": ".json", "--picture": ".png", "--sheet": ".html"}
TURN = {"schema": "torsion/measurement/1", "rotation_deg": 3.0, "standard_uncertainty_deg": 0.1}


WITH_OUTPUT = [  # arithmetic has outputs and reads nothing; these have no page or no picture
    (name, given, output)
    for name, given in READ
    for output in OUTPUTS
    if output == "--json"
    or (output == "--sheet" and name in ("measure", "landmarks"))
    or (output == "--picture" and name not in ("cohort", "validate"))
]


@pytest.mark.parametrize(("name", "given", "output"), WITH_OUTPUT)
def test_no_output_takes_the_place_of_what_is_read(name, given, output, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = tmp_path / ("read_1.png" if name == "validate" else f"read{OUTPUTS[output]}")
    file.write_text("patient,eye,seated,supine\n1,OD,a.jpg,b.jpg" if name == "cohort" else json.dumps(TURN))
    (tmp_path / "read_2.png").touch()
    before = file.read_bytes()
    typed = [name, *READ[name, given].format(file=file.name).split(), output, file.name]
    result = CliRunner().invoke(main, typed)
    assert result.exit_code == 2, result.output  # before it is found that it is no photo
    if output == "--json":
        assert f"'{file.name}' cannot be written: it would replace" in result.stderr
    assert file.read_bytes() == before


def test_all_that_a_command_reads_is_in_the_list_of_what_no_output_may_replace():
    context = click.Context(main)
    files = [
        (name, given.opts[0])
        for name in main.list_commands(context)
        for given in main.get_command(context, name).params
        if isinstance(given, click.Argument) or "FILE" in (given.metavar or "")
    ]
    assert {one for one in files if one[1] not in OUTPUTS} == set(READ)
    read = {name for name, _ in READ}
    assert {one for one in files if one[0] in read and one[1] in OUTPUTS} == {
        (name, output) for name, _, output in WITH_OUTPUT
    }


@pytest.mark.parametrize("name", ["results.csv", "results.parquet", "eyes.csv", "data-dictionary.csv"])
def test_results_of_a_cohort_take_no_place_of_its_list(name, tmp_path):
    text = "patient,eye,seated,supine\n1,OD,a.jpg,b.jpg\n"
    (tmp_path / name).write_text(text)
    result = CliRunner().invoke(main, ["cohort", str(tmp_path / name), "--out", str(tmp_path)])
    assert result.exit_code == 2
    assert f"'{tmp_path / name}' is read and would be replaced by a result" in result.stderr
    assert [file.name for file in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == text


def test_copies_without_metadata_take_no_place_of_a_photo(tmp_path):
    (tmp_path / "list.csv").write_text("patient,eye,seated,supine\n1,OD,photo-00002.png,photo-00001.png\n")
    result = CliRunner().invoke(main, ["cohort", str(tmp_path / "list.csv"), "--strip", str(tmp_path)])
    assert result.exit_code == 1
    assert "copies might replace photos" in result.stderr
    assert [file.name for file in tmp_path.iterdir()] == ["list.csv"]


def test_json_needs_a_name():
    result = CliRunner().invoke(main, ["residual", "--cylinder", "2", "--off", "3", "--json", ""])
    assert result.exit_code == 2
    assert "'--json': must be the name of a file, or - to print it, not empty" in result.stderr


def test_a_level_line_that_cannot_be_is_not_on_offer():
    assert "--supine-line" not in CliRunner().invoke(main, ["level", "--help"]).stdout


@pytest.mark.parametrize("name", ["measure", "ink", "recheck"])
def test_what_remedies_name_can_be_stated_wherever_two_photos_are_compared(name):
    command = main.get_command(click.Context(main), name)
    assert {"--turned", "--mirrored", "--seated-mirrored"} <= {
        option for given in command.params for option in given.opts
    }


def test_a_name_that_the_font_of_pictures_lacks_is_no_matter(tmp_path):
    photo = tmp_path / "目 $a$.png"
    Image.fromarray(np.full((240, 320, 3), 120, np.uint8)).save(photo)
    result = CliRunner().invoke(main, ["inspect", str(photo), "--picture", str(tmp_path / "shown.png")])
    assert result.exit_code == 3  # there is no eye
    assert "目 $a$.png" in result.stdout
    assert result.stderr == ""
    assert (tmp_path / "shown.png").is_file()


@pytest.mark.parametrize("option", ["--json", "--picture"])
def test_an_output_that_cannot_be_written_is_told_before_any_work(option, tmp_path):
    photo, folder = str(tmp_path / "missing.jpg"), tmp_path / "shown.png"
    folder.mkdir()
    taken = CliRunner().invoke(main, ["inspect", photo, option, str(folder)])
    assert taken.exit_code == 2
    nowhere = CliRunner().invoke(main, ["inspect", photo, option, str(tmp_path / "no" / "shown.png")])
    assert nowhere.exit_code == 1
    assert "there is no folder" in nowhere.stderr
    assert "missing.jpg" not in taken.stderr + nowhere.stderr


def test_a_mark_by_two_points_lies_in_its_photo(tmp_path):
    photo = tmp_path / "grey.png"
    Image.fromarray(np.full((240, 320, 3), 120, np.uint8)).save(photo)
    result = CliRunner().invoke(main, ["ink", str(photo), "--eye", "OD", "--points", "10,20,400,20"])
    assert result.exit_code == 1
    assert "the point (400, 20) must lie inside 'grey.png', which is 320 x 240 px" in result.stderr


def test_interrupted_a_command_ends_with_status_130(monkeypatch, tmp_path):
    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("torsion.cli.inspect.prepare", interrupt)
    result = CliRunner().invoke(main, ["inspect", str(tmp_path / "photo.jpg")])
    assert result.exit_code == 130
    assert "interrupted" in result.stderr


@pytest.mark.parametrize("command", OF_PHOTOS)
def test_a_link_that_points_at_itself_is_a_file_that_cannot_be_used(command, tmp_path):
    (tmp_path / "photo.png").symlink_to("photo.png")
    paths = {name: tmp_path / f"{name}.png" for name in ("photo", "other")}
    result = CliRunner().invoke(main, command.format(**paths).split())
    assert result.exit_code == 1
    assert "'photo.png' cannot be read" in result.stderr.replace(f"{tmp_path}/", "")


@pytest.mark.parametrize("name", ["右眼.png", "eye\udcff.png"])  # the second is no text in UTF-8
def test_output_without_the_letters_of_a_file_name_has_words_and_json_all_the_same(name, tmp_path):
    Image.fromarray(np.full((240, 320, 3), 120, np.uint8)).save(tmp_path / name)
    runner, arguments = CliRunner(charset="cp1252"), ["inspect", str(tmp_path / name)]
    result = runner.invoke(main, arguments)
    assert (result.exit_code, result.exception.__class__) == (3, SystemExit)
    assert result.stdout_bytes.startswith((b"REFUSED  ??.png", b"REFUSED  eye?.png"))
    result = runner.invoke(main, [*arguments, "--json", "-"])
    assert json.loads(result.stdout_bytes.decode("utf-8"))["photos"][0]["file"] == name.replace("\udcff", "?")
    file = tmp_path / "found.json"
    assert runner.invoke(main, [*arguments, "--json", str(file)]).exit_code == 3
    assert file.read_bytes() == result.stdout_bytes


@pytest.mark.skipif(os.name == "nt", reason="names of files are no bytes there")
def test_json_does_not_depend_on_the_locale(tmp_path):
    Image.fromarray(np.full((240, 320, 3), 120, np.uint8)).save(tmp_path / "größe.png")
    command = [sys.executable, "-c", "from torsion.cli import main; main()", "inspect"]
    command += [str(tmp_path / "größe.png"), "--json", "-"]
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    told = [
        subprocess.run(command, env=os.environ | more, stdout=subprocess.PIPE, check=False).stdout
        for more in (plain, {"PYTHONUTF8": "1"})
    ]
    assert told[0] == told[1]
    assert json.loads(told[0])["photos"][0]["file"] == "größe.png"


def test_every_path_must_have_a_name():
    for command in main.commands.values():
        for parameter in command.params:
            assert not isinstance(parameter.type, click.Path) or isinstance(parameter.type, NamedPath)


@pytest.mark.parametrize(
    "command",
    [["inspect", ""], ["validate", "", "--out", "x"], ["cohort", "", "--out", "x"], ["demo", "--out", ""]],
)
def test_an_empty_name_is_wrong_usage_and_not_this_folder(command):
    result = CliRunner().invoke(main, command)
    assert result.exit_code == 2
    assert "must be a name, not empty" in result.stderr
