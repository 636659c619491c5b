"""Records of what is used beside the measurement: landmark sheets, hand-picked pairs, levels."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from torsion._version import __version__
from torsion.axis import AxisTransfer
from torsion.both_eyes import BothEyes
from torsion.centre import mm_per_degree
from torsion.landmark_pairs import HandRotation
from torsion.landmark_survey import LandmarkSurvey
from torsion.landmarks import clock_hour
from torsion.level import HeadTurn, LevelledAxis, Tilt
from torsion.photo import Ellipse
from torsion.record import cautions, plain_fields

__all__ = [
    "LANDMARKS_SCHEMA",
    "LEVEL_SCHEMA",
    "landmarks_record",
    "level_record",
    "pairs_cautions",
    "pairs_record",
]

LANDMARKS_SCHEMA = "torsion/landmarks/1"
LEVEL_SCHEMA = "torsion/level/1"


def landmarks_record(survey: LandmarkSurvey, *, count: int) -> dict[str, Any]:
    """Fields of a landmark sheet, ready for `to_json`: the schema ``torsion/landmarks/1``.

    Parameters
    ----------
    survey : LandmarkSurvey
    count : int
        How many landmarks were asked for.
    """
    landmarks = []
    for index, landmark in enumerate(survey.landmarks):
        fields = {**asdict(landmark), "clock_hour": clock_hour(landmark.direction_deg)}
        if survey.offsets is not None:
            offset = survey.offsets[index]
            fields |= {
                "offset_deg": offset.offset_deg,
                "offset_mm": offset.offset_deg * mm_per_degree(),
                "end_deg": offset.end_deg,
            }
        landmarks.append(fields)
    fields = {
        "schema": LANDMARKS_SCHEMA,
        "eye": survey.eye,
        "verdict": survey.verdict,
        "flags": survey.flags,
        "axis": None if survey.axis_deg is None else {"planned_deg": survey.axis_deg},
        "limbus": _outline(survey.prepared.limbus),
        "landmarks": landmarks,
        "pairs": None,
        "cautions": cautions(axis=survey.axis_deg is not None, pair=False),
    }
    made = _made({"count": count}, {"seated": survey.prepared.photo.sha256})
    return {**plain_fields(fields), "record": made}


def pairs_cautions(axis: AxisTransfer | None) -> tuple[str, ...]:
    """Sentences that go with hand-picked pairs: nothing in them compares the eyes themselves."""
    general, _, *more = cautions(axis=axis is not None and axis.surgical_deg is not None)
    unseen = (
        "'accept' says that the picked points fit together; that both photos show the same eye, that the "
        "plan is this patient's, and that the right side is prepared, is not checked."
    )
    return (general, unseen, *more)


def pairs_record(
    hand: HandRotation,
    *,
    axis: AxisTransfer | None,
    options: Mapping[str, object],
    sha256: Mapping[str, str],
) -> dict[str, Any]:
    """Fields of a rotation from hand-picked pairs: the schema ``torsion/landmarks/1``.

    Parameters
    ----------
    hand : HandRotation
    axis : AxisTransfer or None
        A planned axis carried by that rotation.
    options : mapping
        What was asked for.
    sha256 : mapping of str to str
        Of the photos and the file of pairs, by their role.
    """
    names = (
        "rotation_deg", "standard_uncertainty_deg", "interval_95_deg", "direction", "verdict", "flags",
        "scale", "residual_px", "click_px", "degrees_of_freedom",
    )  # fmt: skip
    fields = {
        "schema": LANDMARKS_SCHEMA,
        **{name: getattr(hand, name) for name in names},
        "suspects": [asdict(suspect) for suspect in hand.suspects],
        "landmarks": None,
        "pairs": [
            {**asdict(pair), "residual_px": residual}
            for pair, residual in zip(hand.pairs, hand.residuals_px, strict=True)
        ],
        "axis": None if axis is None else asdict(axis),
        "cautions": pairs_cautions(axis),
    }
    return {**plain_fields(fields), "record": _made(options, sha256)}


def level_record(
    tilts: Sequence[Tilt],
    *,
    axes: Sequence[tuple[Tilt, LevelledAxis]] = (),
    head: Sequence[tuple[Tilt, HeadTurn]] = (),
    eyes: BothEyes | None = None,
    flags: Sequence[str],
    verdict: str,
    sha256: Mapping[str, str],
) -> dict[str, Any]:
    """Fields of a level: the schema ``torsion/level/1``.

    Parameters
    ----------
    tilts : sequence of Tilt
    axes : sequence of (Tilt, LevelledAxis)
        The planned axis in the seated photo, once for each reference there.
    head : sequence of (Tilt, HeadTurn)
        With the seated reference of each.
    eyes : BothEyes, optional
    flags : sequence of str
    verdict : str
    sha256 : mapping of str to str
        Of the photos that were given.
    """
    fields = {
        "schema": LEVEL_SCHEMA,
        "verdict": verdict,
        "flags": list(flags),
        "references": [asdict(tilt) for tilt in tilts],
        "axes": [{"kind": tilt.kind, **asdict(axis)} for tilt, axis in axes],
        "head": [{"kind": tilt.kind, **asdict(turn)} for tilt, turn in head],
        "eyes": None if eyes is None else asdict(eyes),
        "cautions": cautions(axis=bool(axes), pair=False),
    }
    return {**plain_fields(fields), "record": _made({}, sha256)}


def _outline(ellipse: Ellipse | None) -> dict[str, float] | None:
    if ellipse is None:
        return None
    return {name: getattr(ellipse, name) for name in ("x_px", "y_px", "radius_px")}


def _made(options: Mapping[str, object], sha256: Mapping[str, str]) -> dict[str, Any]:
    return {"version": __version__, "options": dict(options), "sha256": dict(sha256)}
