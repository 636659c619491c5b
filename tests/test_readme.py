"""The two documents hold: outputs in README.md are what its commands print, tables are what the code says.

Only commands that run on the sample pair have their output printed, so no photo is needed here.  After a
change that alters outputs on purpose, ``python -m tests.test_readme`` pastes them anew; read the difference.
"""

import logging
import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from PIL import Image

from torsion.cli import _COMMANDS, main
from torsion.demo import write_demo
from torsion.flags import FLAGS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "tests" / "benchmarks" / "README.md"]

# A block of commands with the block of what it prints right behind it.
PRINTED = re.compile(r"```sh\n(?P<commands>[^`]*)```\n\n```text\n(?P<output>[^`]*)```")
CUT = "...\n"  # ends an output whose remaining lines are left out
FLAG_TABLE = re.compile(r"(?<=<!-- flags -->\n)(?P<table>.*)(?=<!-- end of flags -->)", re.DOTALL)
FLAGS_PAGE = ROOT / "torsion" / "schemas" / "flags.md"
_LAST_OF_A_MEASUREMENT = "roundabout"
NUMBER = re.compile(r"\d+(?:\.\d+)?")
SAMPLE_DEG = 6.0  # of the pair that the README measures


def printed_blocks(text=README):
    return [(found["commands"], found["output"]) for found in PRINTED.finditer(text)]


def run(commands):
    """Run each line, in the folder of the sample pair, and return what it prints."""
    shown = ""
    for line in commands.replace("\\\n", " ").splitlines():
        program, *arguments = shlex.split(line, comments=True)
        assert program == "torsion", f"only torsion's own output is checked, not that of {program}"
        result = CliRunner().invoke(main, arguments, catch_exceptions=False)
        assert result.exit_code == 0, result.output
        shown += result.stdout
    return shown


def abridged(shown, *, like):
    """Cut an output after as many lines as the README shows of it."""
    if not like.endswith(CUT):
        return shown
    return "".join(shown.splitlines(keepends=True)[: like.count("\n") - 1]) + CUT


def flag_table(names=FLAGS):
    head = "| flag | at best | what was found | what you can do |\n|---|---|---|---|\n"
    flags = (FLAGS[name] for name in names)
    rows = (f"| `{f.name}` | {f.verdict} | {f.meaning} | {f.remedy} |\n" for f in flags)
    return f"\n{head}{''.join(rows)}\n"


def of_a_measurement():
    """List the flags of photos and of what is measured in them, which stand first."""
    names = list(FLAGS)
    return names[: names.index(_LAST_OF_A_MEASUREMENT) + 1]


def flags_page():
    """Everything in the vocabulary, as a file beside the schemas whose results hold it."""
    said = "Each result explains itself by these words. Made by `python -m tests.test_readme`."
    return f"# All flags\n\n{said}\n{flag_table()}"


def assert_same_but_for_last_digits(shown, pasted):
    # Widths of columns follow their numbers, so runs of blanks count as one.
    shown, pasted = (re.sub(r"[ \n]+", " ", text) for text in (shown, pasted))
    assert NUMBER.sub("#", shown) == NUMBER.sub("#", pasted), f"{shown} is printed as {pasted}"
    for now, then in zip(NUMBER.findall(shown), NUMBER.findall(pasted), strict=True):
        last = 10.0 ** -len(then.partition(".")[2])  # another processor may round the last digit otherwise
        assert abs(float(now) - float(then)) <= 1.01 * last, f"{now} is printed as {then}"


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample") / "torsion-demo"
    write_demo(folder, [SAMPLE_DEG])
    return folder


@pytest.mark.parametrize(
    ("commands", "output"), printed_blocks(), ids=lambda text: " ".join(text.split()[:2])
)
def test_a_command_prints_what_the_readme_says(commands, output, sample, monkeypatch):
    monkeypatch.chdir(sample)
    assert_same_but_for_last_digits(abridged(run(commands), like=output), output)


def test_numbers_may_differ_in_the_last_digit_only():
    assert_same_but_for_last_digits("turned  6.01° ± 0.03°", "turned 6.00° ± 0.03°")
    with pytest.raises(AssertionError, match=r"6\.02 is printed as 6\.00"):
        assert_same_but_for_last_digits("turned 6.02°", "turned 6.00°")
    with pytest.raises(AssertionError, match=r"-6\.00° is printed as turned \+6"):
        assert_same_but_for_last_digits("turned -6.00°", "turned +6.00°")


def test_the_readme_explains_every_command():
    for name in _COMMANDS:
        assert re.search(rf"^#+ .*`torsion {name}`", README, flags=re.MULTILINE), f"no heading for {name}"


def understand(line):
    """Parse a command without running it; what it does not know is an error."""
    program, name, *arguments = shlex.split(line, comments=True)
    assert program == "torsion"
    command = main.get_command(click.Context(main), name)
    command.make_context(name, arguments)


@pytest.fixture
def folders(tmp_path, monkeypatch):
    """Make the folders of photos that examples name."""
    for name in ("two-pairs", "lesson", "photos"):
        (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path)


def test_the_commands_of_the_readme_are_understood(folders):
    # What is not run because it needs photos of one's own is parsed at least.
    lines = [line for block in re.findall(r"```sh\n([^`]*)```", README) for line in block.splitlines()]
    for line in lines:
        if line.startswith("torsion "):
            understand(line)


@pytest.mark.parametrize("name", _COMMANDS)
def test_help_shows_an_example_that_works_and_can_be_copied(name, folders):
    command = main.get_command(click.Context(main), name)
    examples = [line.strip() for line in command.help.splitlines() if line.strip().startswith("torsion ")]
    assert examples, f"torsion {name} --help has no example"
    shown = CliRunner().invoke(main, [name, "--help"]).output
    for line in examples:
        assert line in [row.strip() for row in shown.splitlines()], f"{line} is broken in two"
        understand(line)


def test_the_version_names_what_matters():
    shown = CliRunner().invoke(main, ["--version"]).output
    for name in ("torsion", "Python", "numpy", "OpenCV"):
        assert re.search(rf"^{name} +\d+\.\d+", shown, flags=re.MULTILINE), name


@pytest.fixture
def heard():
    """Count what is logged, as a program does that listens."""
    records: list[logging.LogRecord] = []
    handler = logging.Handler()
    handler.emit = records.append
    logging.getLogger("torsion").addHandler(handler)
    yield records
    logging.getLogger("torsion").removeHandler(handler)


def test_stages_are_told_on_stderr_when_asked_and_not_otherwise(tmp_path, heard):
    blank = tmp_path / "blank.png"
    Image.new("RGB", (300, 240), "grey").save(blank)
    quiet, told, again = (
        CliRunner().invoke(main, [*options, "inspect", str(blank), "--json", "-"])
        for options in ([], ["--verbose"], [])
    )
    assert quiet.stderr == again.stderr == ""
    assert "blank.png: read, 300 x 240 px" in told.stderr
    assert "limbus not found" in told.stderr
    assert "no_eye" in told.stderr
    assert quiet.stdout == told.stdout == again.stdout
    assert len(heard) == len(told.stderr.splitlines())  # only while asked


def test_the_table_of_flags_is_that_of_the_code():
    assert FLAG_TABLE.search(README)["table"] == flag_table(of_a_measurement())
    assert FLAGS_PAGE.read_text(encoding="utf-8") == flags_page()


def test_the_readme_lists_every_flag_that_a_measurement_can_raise():
    listed = set(of_a_measurement())
    for module in ("quality", "likeness", "white_sides", "preparation", "comparison", "match", "measurement"):
        source = (ROOT / "torsion" / f"{module}.py").read_text(encoding="utf-8")
        assert set(re.findall(r'"(\w+)"', source)) & set(FLAGS) <= listed, module


def test_what_the_readme_does_in_python_works(sample, monkeypatch):
    monkeypatch.chdir(sample)
    for block in re.findall(r"```python\n([^`]*)```", README):
        of_the_sample = block.partition("# Several photos of your own")[0]
        exec(of_the_sample, {})


def anchors(page):
    """Give what links to the headings of a page end in, as hosts make it."""
    headings = re.findall(r"^#+ (.*)", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


def test_pictures_and_links_lead_somewhere():
    for page in PAGES:
        for target, part in re.findall(r"\]\(([^)#]*)(?:#([^)]*))?\)", page.read_text(encoding="utf-8")):
            if target.startswith("https://"):
                continue
            there = page.parent / target if target else page
            assert there.is_file(), target
            assert not part or part in anchors(there), f"{page.name}: {target}#{part}"


def test_the_map_names_every_module():
    for package in ("torsion", "torsion/cohort", "synthetic"):
        for path in (ROOT / package).glob("[a-z]*.py"):
            assert f"`{path.stem}`" in DEVELOPERS, f"DEVELOPERS.md does not name {path.relative_to(ROOT)}"


def test_every_dependency_and_marker_has_its_reason():
    about = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    project, pytest_options = about["project"], about["tool"]["pytest"]["ini_options"]
    extras = project["optional-dependencies"]
    table = DEVELOPERS.partition("## Dependencies")[2].partition("\n## ")[0]
    for wanted in [*project["dependencies"], *(name for extra in extras.values() for name in extra)]:
        name = re.match(r"[\w-]+", wanted)[0]
        assert name == "torsion" or name in table, f"DEVELOPERS.md does not say why {name}"
    for name in [*extras, *(marker.partition(":")[0] for marker in pytest_options["markers"])]:
        assert f"`{name}`" in DEVELOPERS, name


def paste_anew(folder):
    """Write README.md with the outputs, the table and the picture of the code as it is now."""
    import os

    write_demo(folder, [SAMPLE_DEG])
    os.chdir(folder)
    text = FLAG_TABLE.sub(lambda _: flag_table(of_a_measurement()), README)
    FLAGS_PAGE.write_text(flags_page(), encoding="utf-8")
    for commands, output in printed_blocks(text):
        block = f"```sh\n{commands}```\n\n```text\n"
        text = text.replace(block + output, block + abridged(run(commands), like=output))
    (ROOT / "README.md").write_text(text, encoding="utf-8")
    run("torsion measure seated.jpg supine_+06.0.jpg --eye OD --axis 90 --picture result.png")
    with Image.open("result.png") as picture:
        width = 1170  # what a page shows without scaling, at most
        size = width, round(width * picture.height / picture.width)
        small = picture.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    small.save(ROOT / "notebooks" / "measured.jpg", quality=88)


if __name__ == "__main__":
    import tempfile

    paste_anew(Path(tempfile.mkdtemp()))
