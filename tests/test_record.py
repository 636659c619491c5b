"""Records: the schema holds, nothing is NaN, the same result gives the same bytes, old results still read."""

import csv
import io
import json
import math
import os
import stat
from dataclasses import dataclass, replace
from pathlib import Path

import jsonschema
import made_up
import numpy as np
import pytest

from torsion.axis import AxisTransfer, Incision
from torsion.axis_cost import axis_cost
from torsion.errors import TorsionError
from torsion.files import (
    BUDGET_SCHEMA,
    INSPECTION_SCHEMA,
    MEASUREMENT_SCHEMA,
    PLAN_SCHEMA,
    RECHECK_SCHEMA,
    RESIDUAL_SCHEMA,
    read_json,
    read_schema,
    row,
    to_json,
    write_whole,
)
from torsion.laterality import Laterality
from torsion.record import best_photo, cautions, inspection_record, measurement_record, toric_record
from torsion.toric import turned_lens

OLD = Path(__file__).parent / "data" / "measurement-1.json"


def complaints(record, schema):
    checker = jsonschema.Draft202012Validator(read_schema(schema))
    return [fault.message for fault in checker.iter_errors(record)]


SCHEMAS = [
    MEASUREMENT_SCHEMA, INSPECTION_SCHEMA, PLAN_SCHEMA, RESIDUAL_SCHEMA, RECHECK_SCHEMA, BUDGET_SCHEMA
]  # fmt: skip


@pytest.mark.parametrize("schema", SCHEMAS)
def test_schema_is_itself_valid(schema):
    jsonschema.Draft202012Validator.check_schema(read_schema(schema))


def test_unknown_schema_is_named():
    with pytest.raises(ValueError, match=r"schema must be one of torsion/measurement/1, .*, not 'x'"):
        read_schema("x")


@pytest.mark.parametrize("make", [made_up.accepted, made_up.refused, made_up.nothing_found])
def test_measurement_follows_its_schema(make):
    record = json.loads(to_json(measurement_record(make())))
    assert complaints(record, MEASUREMENT_SCHEMA) == []


def test_inspection_follows_its_schema():
    record = inspection_record([made_up.no_eye(), made_up.prepared_photo()])
    assert complaints(json.loads(to_json(record)), INSPECTION_SCHEMA) == []
    assert record["best"] == 1
    assert record["photos"][0]["limbus"] is None
    stated = replace(made_up.prepared_photo(), photo=replace(made_up.prepared_photo().photo, eye="OS"))
    assert inspection_record([stated])["photos"][0]["eye"] == "OS"
    assert record["limits"]["focus"] == {"flag": "out_of_focus", "least": 0.10, "most": None}


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("verdict",), "maybe"),
        (("rotation_deg",), "6.4"),
        (("rotation_deg",), None),
        (("view", "turn_deg"), 45),
        (("axis", "planned_deg"), 0.0),
        (("axis", "surgical_deg"), 180.5),
        (("incision", "planned_deg"), 360.0),
        (("standard_uncertainty_deg",), -0.1),
        (("record", "sha256", "seated"), "abc"),
        (("schema",), "torsion/measurement/2"),
    ],
)
def test_schema_is_strict_about_what_it_knows(path, value):
    record = measurement_record(made_up.accepted())
    target = record
    for name in path[:-1]:
        target = target[name]
    target[path[-1]] = value
    assert complaints(record, MEASUREMENT_SCHEMA)


def test_schema_lets_no_refused_axis_pass():
    record = measurement_record(made_up.refused())
    assert record["axis"]["surgical_deg"] is None
    record["axis"]["surgical_deg"] = 96.0
    assert complaints(record, MEASUREMENT_SCHEMA)


def test_schema_lets_unknown_fields_pass():
    record = measurement_record(made_up.accepted())
    record["later"] = 1
    record["axis"]["later"] = {"x": None}
    record["seated"]["limbus"]["later"] = "y"
    assert complaints(record, MEASUREMENT_SCHEMA) == []


def test_old_result_still_reads():
    old = read_json(OLD)
    assert complaints(old, MEASUREMENT_SCHEMA) == []
    assert set(old) <= set(measurement_record(made_up.accepted()))  # a field never goes away
    assert set(old["axis"]) <= set(measurement_record(made_up.accepted())["axis"])
    assert set(old["seated"]) <= set(measurement_record(made_up.accepted())["seated"])
    assert row(old)["axis.surgical_deg"] == str(old["axis"]["surgical_deg"])


@pytest.mark.parametrize("make", [made_up.accepted, made_up.refused])
def test_cost_follows_the_schema_and_is_null_when_refused(make):
    made = make()
    record = measurement_record(made, cost=axis_cost(2.5, made.axis, made.rotation_deg))
    assert complaints(record, MEASUREMENT_SCHEMA) == []
    assert (record["cost"]["expected_d"] is None) is (made.verdict == "refuse")
    assert record["cost"]["cylinder_d"] == 2.5
    record["cost"]["expected_d"] = -0.1
    assert complaints(record, MEASUREMENT_SCHEMA)


def test_arithmetic_keeps_nine_decimals():
    lens = turned_lens(2.0, 10.0, axis_deg=90.0)
    fields = {name: getattr(lens, name) for name in lens.__slots__}
    record = toric_record(RESIDUAL_SCHEMA, fields, sha256={"seated": "a" * 64})
    assert complaints(record, RESIDUAL_SCHEMA) == []
    assert record["annulling_turn_deg"] == 30.0  # 30.000000000000004 as computed
    assert record["residual"]["sphere_d"] == pytest.approx(2.0 * math.sin(math.radians(10.0)), abs=5e-10)
    assert record["record"]["sha256"] == {"seated": "a" * 64}


def test_angles_have_four_decimals_and_pixels_two():
    record = measurement_record(made_up.accepted())
    assert record["rotation_deg"] == 6.3775
    assert record["axis"]["surgical_deg"] == 96.3775
    assert record["seated"]["limbus"]["x_px"] == 160.12


def test_axis_and_incision_stay_in_range_after_rounding():
    axis = AxisTransfer(
        0.00001, 0.00001, 0.00001, 0.1, 0.1, 0.0, (-0.2, 0.2), "registration and frame", "same"
    )
    made = made_up.accepted(axis=axis, incision=Incision(359.99999, 359.99999))
    record = measurement_record(made)
    assert [record["axis"][name] for name in ("planned_deg", "surgical_deg", "surgical_patient_deg")] == [
        180.0
    ] * 3
    assert record["incision"] == {"planned_deg": 0.0, "surgical_deg": 0.0}
    assert complaints(record, MEASUREMENT_SCHEMA) == []


def test_what_is_not_a_number_becomes_null():
    photo = made_up.prepared_photo(
        focus=math.nan, overexposed=np.float64(math.inf), limbus_valid=np.float32(0.25)
    )
    measures = inspection_record([photo])["photos"][0]["measures"]
    assert measures["focus"] is None
    assert measures["overexposed"] is None
    assert measures["limbus_valid"] == 0.25


def test_minus_zero_is_zero():
    text = to_json(measurement_record(made_up.accepted(rotation_deg=-0.00001)))
    assert "-0.0," not in text


def test_record_says_how_it_was_made():
    record = measurement_record(made_up.accepted())["record"]
    assert record["version"]
    assert record["options"] == {"mirrored": False, "seated_mirrored": False, "turned_deg": 0}
    assert record["sha256"]["seated"] == made_up.grey_photo().sha256


def test_record_says_which_outlines_were_given_by_hand():
    assert "outlines" not in measurement_record(made_up.accepted())["record"]
    plain = made_up.prepared_photo()
    given = replace(plain, photo=replace(plain.photo, limbus=plain.limbus))
    supine = replace(plain, photo=replace(plain.photo, limbus=plain.limbus, pupil=plain.pupil))
    record = measurement_record(made_up.accepted(seated=given, supine=supine))
    assert complaints(record, MEASUREMENT_SCHEMA) == []
    outlines = record["record"]["outlines"]
    assert {role: list(named) for role, named in outlines.items()} == {
        "seated": ["limbus"],
        "supine": ["limbus", "pupil"],
    }
    assert outlines["seated"]["limbus"]["x_px"] == 160.123456  # not rounded
    inspected = inspection_record([plain, given])
    assert complaints(inspected, INSPECTION_SCHEMA) == []
    assert [list(named) for named in inspected["record"]["outlines"]] == [[], ["limbus"]]
    assert "outlines" not in inspection_record([plain])["record"]


def test_options_are_not_rounded():
    @dataclass(frozen=True)
    class Options:
        step_deg: float = 1e-6

    assert inspection_record([made_up.no_eye()], options=Options())["record"]["options"] == {"step_deg": 1e-6}


def test_a_record_holds_plain_values_only():
    photo = made_up.prepared_photo()
    photo = replace(photo, measures={"texture": object()})
    with pytest.raises(TypeError, match="'texture' of a record must be a plain value, not object"):
        inspection_record([photo])


def test_axis_is_there_only_where_it_was_asked_for():
    assert not {"axis", "incision"} & set(measurement_record(made_up.nothing_found()))


def test_cautions_speak_of_the_axis_only_with_one():
    with_axis, not_carried, without = (
        " ".join(measurement_record(make())["cautions"])
        for make in (made_up.accepted, made_up.refused, made_up.nothing_found)
    )
    assert "holds for that supine photo only" in with_axis
    assert "holds for that supine photo only" not in not_carried + without


def test_best_photo_is_the_one_with_the_better_verdict():
    poor = made_up.prepared_photo(flags=("small_eye",), verdict="review", focus=0.9)
    good = made_up.prepared_photo(focus=0.1)
    assert best_photo([poor, made_up.no_eye(), good]) == 2


def test_best_photo_to_be_reviewed_has_the_fewest_things_to_look_at():
    many = made_up.prepared_photo(flags=("small_eye", "out_of_focus"), verdict="review", focus=0.9)
    one = made_up.prepared_photo(flags=("small_eye", "off_picture"), verdict="review", focus=0.1)
    assert best_photo([many, one]) == 1  # a flag that leaves a photo acceptable does not count


def test_best_photo_of_equals_is_the_one_with_more_to_use():
    photos = [made_up.prepared_photo(iris_valid=share) for share in (0.4, 0.9, 0.9)]
    assert best_photo(photos) == 1


def test_best_photo_of_those_that_are_as_free_is_the_one_with_more_iris_detail():
    photos = [made_up.prepared_photo(iris_detail=area, focus=1.0 - area) for area in (0.2, 0.4, 0.3)]
    assert best_photo(photos) == 1


def test_no_photo_is_best_where_all_are_refused():
    assert best_photo([made_up.no_eye()]) is None
    assert inspection_record([made_up.no_eye()])["best"] is None


def test_row_survives_a_table():
    record = measurement_record(made_up.nothing_found())
    flat = row(record)
    file = io.StringIO()
    writer = csv.DictWriter(file, list(flat))
    writer.writeheader()
    writer.writerow(flat)
    file.seek(0)
    assert next(csv.DictReader(file)) == flat
    assert flat["rotation_deg"] == ""
    assert flat["flags"] == "no_eye"
    assert flat["bands.iris"] == ""


def test_written_file_is_whole_and_reads_back(tmp_path):
    record = measurement_record(made_up.accepted())
    file = tmp_path / "result.json"
    file.write_text("old")
    write_whole(to_json(record), file)
    assert read_json(file) == record
    assert os.listdir(tmp_path) == ["result.json"]


@pytest.fixture
def umask():
    """Set the umask for one test."""
    before = os.umask(0o022)
    yield os.umask
    os.umask(before)


def mode(file):
    return stat.S_IMODE(file.stat().st_mode)


@pytest.mark.skipif(os.name != "posix", reason="the system has other rights")
def test_who_may_read_a_file_is_left_to_the_user(tmp_path, umask):
    open_file, closed = tmp_path / "open.json", tmp_path / "closed.json"
    write_whole("{}", open_file)
    umask(0o077)
    write_whole("{}", closed)
    assert (mode(open_file), mode(closed)) == (0o644, 0o600)
    umask(0o022)
    write_whole("[]", closed)
    assert mode(closed) == 0o600  # what was closed to others stays so


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_or_device_is_written_into_and_stays(tmp_path):
    """Replaced like a file, /dev/null would be gone, for one who may."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)  # else a writer waits for one
    write_whole("{}", pipe)
    assert os.read(reader, 10) == b"{}"
    os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_failed_write_leaves_nothing_behind(tmp_path):
    folder = tmp_path / "result.json"
    folder.mkdir()
    with pytest.raises(OSError, match=r"result\.json"):
        write_whole("{}", folder)
    assert os.listdir(tmp_path) == ["result.json"]
    with pytest.raises(OSError, match=r"missing.*x\.json"):
        write_whole("{}", tmp_path / "missing" / "x.json")


@pytest.mark.parametrize(
    ("text", "message"), [("no", "holds no JSON"), ("[]", "not None"), ('{"schema": 1}', "not 1")]
)
def test_what_is_no_record_is_named(tmp_path, text, message):
    file = tmp_path / "other.json"
    file.write_text(text)
    with pytest.raises(TorsionError, match=message):
        read_json(file)


@pytest.mark.parametrize("pair", [True, False])
def test_no_axis_goes_without_saying_that_nobody_checked_whose_plan_it_is(pair):
    said = " ".join(cautions(axis=True, pair=pair))
    assert "that the plan is this patient's, nor that the right side is prepared" in said
    assert ("same eye" in said) == pair


def test_best_photo_does_not_show_the_other_eye():
    other, review = made_up.prepared_photo(focus=0.9), made_up.prepared_photo(verdict="review")
    other = replace(other, photo=replace(other.photo, eye="OD"), laterality=Laterality("OS"))
    review = replace(review, photo=replace(review.photo, eye="OD"), laterality=Laterality("OD"))
    assert best_photo([other, review]) == 1
    assert best_photo([other]) == 0


def test_text_of_a_record_is_strict_and_readable():
    with pytest.raises(ValueError, match="Out of range float values"):
        to_json({"rotation_deg": math.nan})
    assert to_json({"note": "± 2°"}) == '{\n  "note": "± 2°"\n}\n'


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("\udcc3\udcbc.jpg", "ü.jpg"),  # read where the locale has no such letter
        ("ü\udcff.jpg", "ü?.jpg"),  # no UTF-8
        ("\udcc3\udce9\ud800.jpg", "???.jpg"),
    ],
)
def test_names_of_files_are_text_whatever_the_locale(name, written):
    assert json.loads(to_json({"file": name}).encode()) == {"file": written}


def test_a_cell_is_plain():
    made = {"complete": True, "files": ["a", "b"], "none": None, "turns": [1.5, None], "parts": [{"a": 1}]}
    assert row(made) == {
        "complete": "true",
        "files": "a;b",
        "none": "",
        "turns": "1.5;",
        "parts": '{"a": 1}',
    }


def test_a_reader_never_meets_half_a_file(tmp_path):
    """Who has the old file open goes on reading the old one: the new one takes its place as a whole."""
    path = tmp_path / "record.json"
    write_whole("old", path)
    with path.open(encoding="utf-8") as reader:
        write_whole("new", path)
        assert reader.read() == "old"
    assert path.read_text(encoding="utf-8") == "new"
