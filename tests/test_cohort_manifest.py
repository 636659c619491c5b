"""Manifests: whatever a spreadsheet writes is read, mistakes are told at once, names make a proposal."""

import csv
import io

import pytest

from torsion.cohort.columns import COLUMNS
from torsion.cohort.manifest import doubts, read_manifest
from torsion.cohort.places import find_photo
from torsion.cohort.proposal import propose_manifest
from torsion.errors import ManifestError

PLAIN = "patient,eye,seated,supine,axis\n007,OD,a.jpg,b.jpg,12.5\n007,OS,c.jpg,d.jpg,\n"


def write(folder, content, name="list.csv"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def cells(manifest):
    return [dict(row.cells) for row in manifest.rows]


@pytest.mark.parametrize(
    "content",
    [
        PLAIN.encode("utf-8-sig"),
        PLAIN.encode("utf-16"),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace(",", "\t").encode(),
        PLAIN.replace(",", ";").encode(),
        PLAIN.replace(",", ";").replace("12.5", "12,5").encode(),
        PLAIN.replace("12.5", '"12,5"').encode(),
        b"sep=;\r\n" + PLAIN.replace(",", ";").encode(),
        b"\n,,,,\n" + PLAIN.encode() + b",,,,\n\n",
        PLAIN.replace("patient,eye", "Patient , EYE").encode(),
        PLAIN.replace("a.jpg", '"a.jpg"').encode(),
    ],
)
def test_whatever_a_spreadsheet_writes_is_the_same_list(tmp_path, content):
    expected = cells(read_manifest(write(tmp_path, PLAIN, "plain.csv")))
    assert cells(read_manifest(write(tmp_path, content))) == expected
    assert expected[0] == {
        "patient": "007",
        "eye": "OD",
        "seated": "a.jpg",
        "supine": "b.jpg",
        "axis": "12.5",
    }


def test_parquet_is_the_same_list_as_csv(tmp_path):
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    table = {
        "patient": ["007", "007"],
        "eye": ["OD", "OS"],
        "seated": ["a.jpg", "c.jpg"],
        "supine": ["b.jpg", "d.jpg"],
        "axis": [12.5, None],
    }
    parquet.write_table(pa.table(table), tmp_path / "list.parquet")
    assert cells(read_manifest(tmp_path / "list.parquet")) == cells(read_manifest(write(tmp_path, PLAIN)))


def test_names_of_any_script_are_found_however_they_are_composed(tmp_path):
    (tmp_path / "mu\u0308ller").mkdir()  # u and diaeresis apart, as some systems write it
    (tmp_path / "mu\u0308ller" / "眼.png").touch()
    path = write(tmp_path, "patient,eye,seated,supine\nm\u00fcller,R,m\u00fcller\\眼.png,.\\x.png\n")
    row = read_manifest(path).rows[0]
    assert row.seated.location == str(tmp_path / "mu\u0308ller" / "眼.png")
    assert row.supine.location == str(tmp_path / "x.png")
    assert row.eye == "OD"


def test_text_of_an_older_spreadsheet_is_read(tmp_path):
    path = write(tmp_path, "patient;eye;seated;supine\nMüller;L;ä.jpg;b.jpg\n".encode("cp1252"))
    assert read_manifest(path).rows[0].cells["seated"] == "ä.jpg"


def test_a_parquet_list_with_an_infinite_number_is_told_like_any_mistake(tmp_path):
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    table = {"patient": ["1"], "eye": ["OD"], "seated": ["a"], "supine": ["b"], "axis": [float("inf")]}
    parquet.write_table(pa.table(table), tmp_path / "list.parquet")
    with pytest.raises(ManifestError, match="row 1, column axis: must be a number, not 'inf'"):
        read_manifest(tmp_path / "list.parquet")


def test_all_mistakes_are_told_together_by_row_and_column(tmp_path):
    path = write(
        tmp_path,
        "patient,eye,seated,supine,axis,posture,minutes,repeat,method.ring,seated_level,mirrored,turned\n"
        ",OX,a.jpg,b.jpg,200,lying,-1,0.5,300,1 2 3,perhaps,45\n"
        "1,OD,../a.jpg,b.jpg,x,,,,,,,\n"
        "1,OD,a.jpg,b.jpg,90,,,,,,,,surplus\n",
    )
    with pytest.raises(ManifestError, match="cannot be used as a manifest") as caught:
        read_manifest(path)
    told = str(caught.value).splitlines()
    for part in (
        "row 1, column patient: is empty",
        "row 1, column eye: eye must be OD or R (right), OS or L (left), not 'OX'",
        "row 1, column axis: axis must lie from 0 to 180 degrees, not 200",
        "row 1, column posture: must be one of seated-supine, seated-seated, supine-supine, not 'lying'",
        "row 1, column minutes: must be a number of minutes, 0 or more, not '-1'",
        "row 1, column repeat: must be a whole number, 1 or more, not '0.5'",
        "row 1, column method.ring: must lie from -180 to 180 degrees, not '300'",
        "row 1, column seated_level: must hold four numbers",
        "row 1, column mirrored: must be yes or no, not 'perhaps'",
        "row 1, column turned: must be 0, 90, 180 or 270 degrees, not '45'",
        "row 2, column seated: must stay in the manifest's folder (allow-outside lifts this), not '../a.jpg'",
        "row 2, column axis: must be a number, not 'x'",
        "row 3: has 13 cells, but the heading has 12",
    ):
        assert any(part in line for line in told), part


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "must name the columns patient, eye, seated, supine, but holds nothing"),
        ("name,side\n1,2\n", "must name the columns patient, eye, seated, supine, but holds name, side"),
        ("patient,eye,seated\n1,OD,a\n", "the column supine is missing"),
        ("patient,eye,seated,supine,eye\n1,OD,a,b,OS\n", "the column eye is there twice"),
        ("patient,eye,seated,supine\n", "there is no row below the heading"),
        ("patient,eye,seated,supine,incision\n1,OD,a,b,90\n", "column incision: needs an axis"),
        ("patient,eye,seated,supine,seated_level\n1,OD,a,b,1 2 3 4\n", "goes with seated_level"),
        ('patient,eye,seated,supine\n1,OD,"a,b\n', "no CSV that can be read"),
        (b"PAR1 and then nothing", "no Parquet file that can be read"),
        (b"patient\x81\x8d,eye", "neither UTF-8, UTF-16 nor Windows-1252"),
    ],
)
def test_a_list_that_cannot_be_used_says_why(tmp_path, text, complaint):
    with pytest.raises(ManifestError, match=complaint):
        read_manifest(write(tmp_path, text))


@pytest.mark.parametrize(
    "name", ["../a.jpg", "/etc/a.jpg", "..\\a.jpg", "C:\\a.jpg", "s3://there/a.jpg", "link/a.jpg"]
)
def test_paths_leave_the_folder_only_where_that_is_allowed(tmp_path, name):
    inside = tmp_path / "inside"
    inside.mkdir()
    (inside / "link").symlink_to(tmp_path, target_is_directory=True)
    path = write(inside, f"patient,eye,seated,supine\n1,OD,{name},b.jpg\n")
    with pytest.raises(ManifestError, match="row 1, column seated: must stay in the manifest's folder"):
        read_manifest(path)
    assert len(read_manifest(path, allow_outside=True).rows) == 1


def test_paths_beside_a_remote_manifest_stay_with_it():
    assert find_photo("p/../a.jpg", "memory://folder").location == "memory://folder/a.jpg"
    for name in ("../a.jpg", "/a.jpg"):
        with pytest.raises(ValueError, match="must stay in the manifest's folder"):
            find_photo(name, "memory://folder")


def test_photos_named_again_or_of_two_eyes_are_doubtful(tmp_path):
    lines = "1,OD,a.jpg,b.jpg\n1,R,.\\a.jpg,b.jpg\n1,OS,c.jpg,b.jpg\n2,OD,a.jpg,d.jpg\n3,OD,e.jpg,e.jpg\n"
    found = doubts(read_manifest(write(tmp_path, f"patient,eye,seated,supine\n{lines}")))
    assert found == [
        "row 2: the photos of row 1 again; statistics count them once",
        "row 3, column supine: 'b.jpg' is of patient 1, OD, in row 1",
        "row 4, column seated: 'a.jpg' is of patient 1, OD, in row 1",
        "row 5: seated and supine are the same file, 'e.jpg'",
    ]


def test_a_list_in_order_raises_no_doubt(tmp_path):
    assert doubts(read_manifest(write(tmp_path, PLAIN))) == []


def test_columns_without_a_meaning_cannot_pass_for_results(tmp_path):
    path = write(tmp_path, "patient,eye,seated,supine,rotation_deg\n1,OD,a,b,5\n")
    manifest = read_manifest(path)
    assert manifest.carried == ("rotation_deg",)
    assert manifest.columns[-1] == "manifest.rotation_deg"


def test_every_column_says_what_it_means():
    assert all(column.meaning for column in COLUMNS.values())


# ---- Proposal ----


def proposed(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    proposal = propose_manifest(folder)
    return proposal, list(csv.DictReader(io.StringIO(proposal.text)))


@pytest.mark.parametrize(
    ("seated", "supine", "told"),
    [
        ("p01/OD/seated1.jpg", "p01/OD/supine1.jpg", ("p01", "OD", "")),
        ("p01_OS_sitting.png", "p01_OS_lying.png", ("p01", "OS", "")),
        ("P-7/visit2/right upright.JPG", "P-7/visit2/right supine.JPG", ("P-7", "OD", "2")),
        ("0012-l-seated-2024-03-01.tif", "0012-l-supine-2024-03-01.tif", ("0012", "OS", "2024-03-01")),
        ("seated/p3_OD.jpg", "supine/p3_OD.jpg", ("p3", "OD", "")),
        ("seated_p5_od_3.png", "supine_p5_od_4.png", ("p5", "OD", "")),
        ("moderate-0000-seated.png", "moderate-0000-supine.png", ("moderate-0000", "", "")),
        ("seated.jpg", "supine_+03.0.jpg", ("", "", "")),
    ],
)
def test_names_tell_patient_eye_session_and_posture(tmp_path, seated, supine, told):
    proposal, rows = proposed(tmp_path, seated, supine)
    assert (proposal.pairs, proposal.controls, proposal.unused) == (1, 0, ())
    assert (rows[0]["seated"], rows[0]["supine"]) == (seated, supine)
    assert (rows[0]["patient"], rows[0]["eye"], rows[0]["session"]) == told


def test_codes_in_names_tell_patients_of_one_folder_apart(tmp_path):
    names = [f"batch/{code}_OD_{posture}_1.jpg" for code in ("p7", "p8") for posture in ("seated", "supine")]
    _, rows = proposed(tmp_path, *names)
    assert [row["patient"] for row in rows] == ["batch-p7", "batch-p8"]


def test_numbers_of_shots_and_other_words_tell_no_patients(tmp_path):
    shots = [f"p1/IMG{k}_OD_{posture}.jpg" for k, posture in ((1, "seated"), (2, "supine"))]
    times = [
        f"p2/{word} OD {posture}.jpg" for word in ("before", "after") for posture in ("seated", "supine")
    ]
    _, rows = proposed(tmp_path, *shots, *times)
    assert {row["patient"] for row in rows} == {"p1", "p2"}


def test_repeats_are_paired_in_order_and_neighbours_are_controls(tmp_path):
    names = [f"p1 OD {posture} {k}.jpg" for posture in ("seated", "supine") for k in (1, 2, 10)]
    proposal, rows = proposed(tmp_path, *names, "p1 OD blurred.jpg", "notes.txt")
    assert (proposal.pairs, proposal.controls) == (3, 4)
    pairs = [
        (row["seated"][-6:-4], row["supine"][-6:-4]) for row in rows if row["posture"] == "seated-supine"
    ]
    assert pairs == [(" 1", " 1"), (" 2", " 2"), ("10", "10")]
    assert proposal.unused == ("p1 OD blurred.jpg",)


def test_numbered_subjects_are_patients_and_no_sessions(tmp_path):
    names = [
        f"{who}/{eye}_{how}.jpg"
        for who in ("S01", "S02")
        for eye in ("OD", "OS")
        for how in ("seated", "supine")
    ]
    _, rows = proposed(tmp_path, *names)
    assert [(row["patient"], row["eye"], row["session"]) for row in rows] == [
        ("S01", "OD", ""), ("S01", "OS", ""), ("S02", "OD", ""), ("S02", "OS", "")
    ]  # fmt: skip


def test_a_proposal_is_a_manifest(tmp_path):
    proposal, _ = proposed(tmp_path, "p1/OD/seated.jpg", "p1/OD/supine 1.jpg", "p1/OD/supine 2.jpg")
    assert len(read_manifest(write(tmp_path, proposal.text)).rows) == 3
