"""Records at the ends of their ranges: where rounding leaves one, the number is wrapped into it again."""

import json
from dataclasses import replace
from functools import cache

import jsonschema
import made_up
import pytest
from click.testing import CliRunner

from torsion.aids_record import with_aids
from torsion.angles import wrap_axis_deg
from torsion.axis import AxisTransfer, Incision
from torsion.cli import main
from torsion.files import INSPECTION_SCHEMA, MEASUREMENT_SCHEMA, read_schema, to_json
from torsion.landmark_pairs import fit_pairs
from torsion.landmark_survey import LandmarkSurvey
from torsion.landmarks import AxisOffset, Landmark
from torsion.level import LevelledAxis, reference_tilt
from torsion.marks import MarkAxis, Meridian
from torsion.marks_record import INK_SCHEMA, marks_record
from torsion.point_marks import PointMark
from torsion.record import inspection_record, measurement_record, plain_fields
from torsion.theatre_record import (
    LANDMARKS_SCHEMA,
    LEVEL_SCHEMA,
    landmarks_record,
    level_record,
    pairs_record,
)

# Half a step of rounding beside 0 and 360, for 4 decimals and for the 9 of arithmetic; up is 12 o'clock.
BESIDE = [1e-5, 1e-10, 90.0 - 1e-5, 180.0 - 1e-5, 180.0 - 1e-10, 360.0 - 1e-5, 360.0 - 1e-10]


def photo(angle_deg, name="seated.png"):
    made = made_up.prepared_photo(name)
    return replace(made, limbus=replace(made.limbus, axis_deg=wrap_axis_deg(angle_deg)))


def axis(angle_deg):
    axes = [wrap_axis_deg(angle_deg)] * 3
    return AxisTransfer(*axes, 0.1, 0.1, 0.0, (-0.1, 0.1), "registration and frame", "same")


def measured(angle_deg):
    return made_up.registered(
        axis=axis(angle_deg),
        incision=Incision(angle_deg, angle_deg),
        seated=photo(angle_deg),
        supine=photo(angle_deg, "supine.png"),
    )


def of_measurement(angle_deg):
    made = measured(angle_deg)
    aids = made_up.aids(made)
    ways = [replace(way, direction_deg=angle_deg, end_deg=angle_deg) for way in aids.ways]
    aids = replace(aids, ways=tuple(ways), ink=marking(angle_deg))
    return with_aids(measurement_record(made), aids, sha256={"landmarks": "0" * 64})


def marking(angle_deg):
    across = wrap_axis_deg(angle_deg)
    mark = made_up.ink_mark(
        angle_deg, photo_direction_deg=angle_deg, meridian_deg=across, offset_deg=0.0, holds_meridian=True
    )
    return replace(
        made_up.marking(measured(angle_deg), mark, mark),
        axis=MarkAxis(across, (0, 1), 0.0, 0.1, 0.0),
        meridians=(Meridian(across, 0, 0.0, True),),
        points=(PointMark(across, across, "seated", 0.1, None, ((0.0, 0.0), (9.0, 0.0))),),
    )


def of_landmarks(angle_deg):
    seen = Landmark(1, "vessel", "limbus", 85.0, 160.0, angle_deg, 1.1, 0.2, 0.8, 0.5)
    offsets = (AxisOffset(seen, 0.0, angle_deg),)
    survey = LandmarkSurvey(photo(angle_deg), "OD", wrap_axis_deg(angle_deg), (seen,), offsets, (), "accept")
    return landmarks_record(survey, count=1)


def of_pairs(angle_deg):
    hand = fit_pairs(made_up.picked(made_up.registered()), eye="OD")
    return pairs_record(hand, axis=axis(angle_deg), options={}, sha256={"pairs": "0" * 64})


def of_level(angle_deg):
    tilt = reference_tilt("line", (0.0, 100.0), (1000.0, 100.0), posture="seated")
    across = wrap_axis_deg(angle_deg)
    axes = [(tilt, LevelledAxis(across, across, 0.1, "the head is upright"))]
    return level_record([tilt], axes=axes, flags=[], verdict="accept", sha256={})


MADE = {
    "measurement": (MEASUREMENT_SCHEMA, of_measurement),
    "inspection": (INSPECTION_SCHEMA, lambda angle_deg: inspection_record([photo(angle_deg)])),
    "ink": (INK_SCHEMA, lambda angle_deg: marks_record(marking(angle_deg))),
    "landmarks": (LANDMARKS_SCHEMA, of_landmarks),
    "pairs": (LANDMARKS_SCHEMA, of_pairs),
    "level": (LEVEL_SCHEMA, of_level),
}
TYPED = {
    "plan": "--astigmatism 2@{axis:.10f} --incision {axis:.10f} --sia 0.3 --cylinders 2 --at-cornea",
    "residual": "--cylinder 2 --off 3 --axis {axis:.10f}",
    "recheck": "--cylinder 2 --at-cornea --axis {axis:.10f} --cornea 2@{axis:.10f} "
    "--refraction 0/-1x{axis:.10f}",
}


def complaints(record, schema):
    checker = jsonschema.Draft202012Validator(read_schema(schema))
    return [
        f"{'.'.join(map(str, fault.absolute_path))}: {fault.message}"
        for fault in checker.iter_errors(json.loads(to_json(record)))
    ]


@pytest.mark.parametrize("angle_deg", BESIDE)
@pytest.mark.parametrize("name", MADE)
def test_a_record_of_what_was_measured_keeps_to_its_schema_beside_its_wraps(name, angle_deg):
    schema, make = MADE[name]
    assert complaints(make(angle_deg), schema) == []


@pytest.mark.parametrize("angle_deg", BESIDE)
@pytest.mark.parametrize("name", TYPED)
def test_a_record_of_arithmetic_keeps_to_its_schema_beside_its_wraps(name, angle_deg):
    typed = TYPED[name].format(axis=wrap_axis_deg(angle_deg)).split()
    result = CliRunner().invoke(main, [name, *typed, "--json", "-"])
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert complaints(record, record["schema"]) == []


@cache
def ranges_of_schemas():
    """Return the fields that a schema holds to be an axis or a direction, with what they stand in."""
    found = {}
    for name in ("measurement", "inspection", "ink", "landmarks", "level", "plan", "residual", "recheck"):
        schema = read_schema(f"torsion/{name}/1")

        def walk(node, path, schema=schema):
            node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]] if "$ref" in node else node
            for part in node.get("oneOf", ()):
                walk(part, path)
            walk_items = node.get("items")
            if isinstance(walk_items, dict):
                walk(walk_items, path)
            if (node.get("exclusiveMinimum"), node.get("maximum")) == (0, 180):
                found[".".join(path[-2:])] = "axis"
            if 360 in (node.get("exclusiveMaximum"), node.get("maximum")):
                found[".".join(path[-2:])] = "direction"
            for own, inner in node.get("properties", {}).items():
                walk(inner, (*path, own))

        walk(schema, (name,))
    return found


def test_every_axis_and_direction_of_a_schema_is_wrapped_after_rounding():
    assert len(ranges_of_schemas()) > 25
    for name, kind in ranges_of_schemas().items():
        holder, own = name.split(".")
        low, high = (plain_fields({holder: {own: angle}})[holder][own] for angle in (1e-5, 360.0 - 1e-5))
        assert (low, high) == ((180.0, 180.0) if kind == "axis" else (0.0, 0.0)), name
