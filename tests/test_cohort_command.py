"""The command ``torsion cohort`` from end to end: a list of photos to a table, a proposal, cleaned copies."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from test_cohort_run import rows_of, run

from torsion.cli import main
from torsion.cohort.manifest import read_manifest
from torsion.cohort.pairs import measure_group
from torsion.cohort.strip import IDENTIFYING
from torsion.cohort.table import read_table
from torsion.demo import demo_files
from torsion.files import row
from torsion.measurement import measure_pair
from torsion.record import measurement_record

pytestmark = pytest.mark.slow

TOLERANCE_DEG = 0.3  # of an easy pair; here only sign and place matter


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photos")
    for name, content in demo_files([3.0, -8.0]).items():
        (folder / name).write_bytes(content)
    exif = Image.Exif()
    exif[0x010E], exif[0x9003] = "Name of the patient", "2024:03:01 10:00:00"  # description, time of capture
    with Image.open(folder / "seated.jpg") as image:
        image.save(folder / "seated.jpg", quality=95, subsampling=0, exif=exif)
    exif[0x9003] = "2024:03:01 10:12:30"
    with Image.open(folder / "supine_+03.0.jpg") as image:
        image.save(folder / "supine_+03.0.jpg", quality=95, subsampling=0, exif=exif)
    Image.fromarray(np.full((300, 400), 128, np.uint8)).save(folder / "blank.png")
    (folder / "list.csv").write_text(
        "patient;eye;seated;supine;axis;seated_level;supine_level;weather\n"
        "007;OD;seated.jpg;supine_+03.0.jpg;12,5;100 500 300 500;100 500 300 490;rain\n"
        "007;R;seated.jpg;supine_-08.0.jpg;;;;\n"
        "008;OD;seated.jpg;blank.png;;;;\n"
        "009;OD;seated.jpg;gone.jpg;;;;\n"
    )
    return folder


def command(*arguments):
    return CliRunner().invoke(main, ["cohort", *map(str, arguments)])


@pytest.fixture(scope="module")
def measured(photos, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    return command(photos / "list.csv", "--out", out, "--workers", 2), out


def test_the_command_gives_a_row_for_each_row_of_the_list(measured, photos):
    result, out = measured
    assert result.exit_code == 0, result.output
    assert "4 rows: 3 with a result, 1 with a reason" in result.stdout
    assert "row 4: 'gone.jpg' does not exist" in result.stderr
    assert "measuring 3 of 3" in result.stderr
    table = read_table(out / "results.csv")
    assert list(table["patient"]) == ["007", "007", "008", "009"]
    np.testing.assert_allclose(table["rotation_deg"][:2], [3.0, -8.0], rtol=0, atol=TOLERANCE_DEG)
    assert list(table["verdict"])[2] == "refuse"
    assert table["manifest.weather"][0] == "rain"
    assert list(table["reason"].isna()) == [True, True, True, False]


def test_statistics_and_report_stand_beside_the_table(measured):
    out = measured[1]
    assert json.loads((out / "summary.json").read_text())
    assert (out / "report.html").exists()
    assert "summary.json" in measured[0].stderr


def test_json_on_stdout_is_the_summary_and_nothing_else(tmp_path):
    (tmp_path / "list.csv").write_text("patient,eye,seated,supine\n1,OD,gone.jpg,away.jpg\n")
    result = command(tmp_path / "list.csv", "--out", tmp_path / "out", "--json", "-", "--workers", 1)
    assert result.exit_code == 0, result.output
    assert result.stdout == (tmp_path / "out" / "summary.json").read_text()
    json.loads(result.stdout)


@pytest.mark.parametrize("place", ["list.csv", "seated.jpg", "nowhere/found.json"])
def test_json_that_cannot_be_written_or_would_replace_what_is_read_is_refused_before_the_work(
    place, tmp_path
):
    (tmp_path / "list.csv").write_text("patient,eye,seated,supine\n1,OD,seated.jpg,away.jpg\n")
    before = (tmp_path / "list.csv").read_text()
    result = command(tmp_path / "list.csv", "--out", tmp_path / "out", "--json", tmp_path / place)
    assert result.exit_code == (1 if "nowhere" in place else 2)
    assert f"{place}' cannot be written: " in result.stderr
    assert (tmp_path / "list.csv").read_text() == before
    assert not (tmp_path / "out").exists()


def test_a_row_holds_what_the_library_gives(measured, photos):
    found = measure_pair(
        str(photos / "seated.jpg"), str(photos / "supine_+03.0.jpg"), eye="OD", axis_deg=12.5
    )
    expected = row(measurement_record(found))
    got = rows_of(measured[1])[0]
    assert {name: got[name] for name in expected if name not in ("cautions", "bands.limbus")} == {
        name: text for name, text in expected.items() if name not in ("cautions", "bands.limbus")
    }


def test_the_rotation_against_a_line_of_the_head_leaves_out_its_tilt(measured):
    got = rows_of(measured[1])[0]
    tilt = np.degrees(np.arctan2(10, 200))  # the second line rises to the right: counter-clockwise
    assert float(got["level.supine_deg"]) == pytest.approx(tilt, abs=1e-4)  # as rounded
    assert float(got["level.rotation_deg"]) == pytest.approx(float(got["rotation_deg"]) - tilt, abs=2e-4)


def test_parquet_holds_the_same_table_typed(measured):
    parquet = pytest.importorskip("pyarrow.parquet")
    table = read_table(measured[1] / "results.csv")
    typed = parquet.read_table(measured[1] / "results.parquet").to_pydict()
    assert list(typed) == list(table.columns)
    assert typed["rotation_deg"][:2] == list(table["rotation_deg"][:2])
    assert typed["view.mirrored"][0] is False
    assert typed["rotation_deg"][3] is None
    assert typed["patient"][0] == "007"


def test_nothing_of_the_metadata_is_in_the_results(measured):
    for file in measured[1].rglob("*.*"):
        content = file.read_bytes()
        for told in (b"Name of the patient", b"2024:03:01", b"2024-03-01"):
            assert told not in content, file.name


def test_stripped_copies_hold_the_eye_and_nothing_else_and_measure_the_same(photos, measured, tmp_path):
    result = command(photos / "list.csv", "--strip", tmp_path / "clean", "--workers", 2)
    assert result.exit_code == 0, result.output
    assert IDENTIFYING in result.stdout
    assert "row 4 left out: 'gone.jpg' does not exist" in result.stderr
    rows = read_manifest(tmp_path / "clean" / "manifest.csv").rows
    assert rows[0].cells["minutes"] == "12.5"
    assert rows[0].cells["posture"] == "seated-supine"
    assert "manifest.weather" not in rows[0].cells
    names = {file.name for file in (tmp_path / "clean").iterdir()} - {"manifest.csv"}
    assert names == {photo.name for row in rows for photo in (row.seated, row.supine)}
    for name in names:
        with Image.open(tmp_path / "clean" / name) as image:
            assert not image.info
            assert image.size != (1200, 800)
    again = command(tmp_path / "clean" / "manifest.csv", "--out", tmp_path / "out", "--workers", 2)
    assert again.exit_code == 0
    got, before = rows_of(tmp_path / "out")[0], rows_of(measured[1])[0]
    # The crop moves the grid on which the eye is searched; a tenth of what is stated as uncertainty's floor.
    assert float(got["rotation_deg"]) == pytest.approx(float(before["rotation_deg"]), abs=0.03)
    assert float(got["level.seated_deg"]) == pytest.approx(float(before["level.seated_deg"]), abs=1e-3)


def test_photos_may_be_remote(photos, tmp_path):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    for name in ("seated.jpg", "supine_+03.0.jpg"):
        memory.pipe(f"/cohort/{name}", (photos / name).read_bytes())
    lines = "1,OD,seated.jpg,supine_+03.0.jpg\n2,OD,seated.jpg,gone.jpg\n"
    memory.pipe("/cohort/list.csv", f"patient,eye,seated,supine\n{lines}".encode())
    found = run("memory://cohort/list.csv", tmp_path / "out", measure=measure_group)
    assert found.reasons == {2: "'gone.jpg' does not exist"}
    assert float(rows_of(tmp_path / "out")[0]["rotation_deg"]) == pytest.approx(3.0, abs=TOLERANCE_DEG)


def test_the_command_proposes_a_list_and_replaces_none(photos, tmp_path):
    shutil.copy(photos / "seated.jpg", tmp_path / "p1 OD seated.jpg")
    shutil.copy(photos / "supine_+03.0.jpg", tmp_path / "p1 OD supine.jpg")
    assert "pairs 1, controls 0" in command("--init", tmp_path).stdout
    assert len(read_manifest(tmp_path / "manifest.csv").rows) == 1
    again = command("--init", tmp_path)
    assert again.exit_code == 1
    assert "is there already" in again.stderr


@pytest.mark.parametrize(
    ("arguments", "status", "complaint"),
    [
        ((), 2, "give a MANIFEST with either --out or --strip"),
        (("list.csv",), 2, "give a MANIFEST with either --out or --strip"),
        (("list.csv", "--out", "o", "--strip", "s"), 2, "give a MANIFEST with either"),
        (("list.csv", "--strip", "s", "--json", "-"), 2, "--json needs --out"),
        (("--init", ".", "--out", "o"), 2, "--out does not go with --init"),
        (("list.csv", "--out", "o", "--workers", "0"), 2, "0 is not in the range"),
        (("list.csv", "--out", "o", "--workers", "1", "--cluster", "x"), 2, "exclude each other"),
        (("none.csv", "--out", "o"), 1, "'none.csv' does not exist"),
        (("bad.csv", "--out", "o"), 1, "\n  row 1, column eye: is empty"),  # a line for each mistake
        (("list.csv", "--out", "bad.csv"), 2, "is a file"),
    ],
)
def test_wrong_usage_is_2_and_a_list_that_cannot_be_used_is_1(
    photos, tmp_path, monkeypatch, arguments, status, complaint
):
    monkeypatch.chdir(tmp_path)
    Path("bad.csv").write_text("patient,eye,seated,supine\n1,,a,b\n")
    result = command(*arguments)
    assert (result.exit_code, complaint in result.stderr) == (status, True), result.stderr
