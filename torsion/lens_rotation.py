"""Rotation of a lens in the eye since an earlier look at it."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot
from typing import Any, Literal

from torsion.angles import axis_difference_deg, read_axis_deg
from torsion.errors import TorsionError

__all__ = ["Baseline", "RotationSince", "read_baseline", "rotation_since"]


@dataclass(frozen=True, slots=True)
class Baseline:
    """An earlier look at the lens, as it was kept.

    Attributes
    ----------
    axis_deg : float
        Axis of the marks in the frame of the seated photo.
    standard_uncertainty_deg : float
    at_surgery : bool
        Whether it was read at the end of surgery.
    eye : {"OD", "OS"}
    seated_sha256 : str
        Of the seated photo that both looks are referred to.
    """

    axis_deg: float
    standard_uncertainty_deg: float
    at_surgery: bool
    eye: str
    seated_sha256: str


@dataclass(frozen=True, slots=True)
class RotationSince:
    """How far the lens has turned since an earlier look at it.

    Attributes
    ----------
    since : {"surgery", "first photo"}
        What the earlier axis was: read at the end of surgery, or merely the first one there is.
    baseline_deg : float
        The earlier axis, in the same frame of the eye as the present one.
    rotation_deg : float
        Counter-clockwise positive, in [-90, 90).
    standard_uncertainty_deg : float
        Of the rotation.
    """

    since: Literal["surgery", "first photo"]
    baseline_deg: float
    rotation_deg: float
    standard_uncertainty_deg: float


def rotation_since(
    axis_deg: float,
    baseline_deg: float,
    *,
    at_surgery: bool,
    standard_uncertainty_deg: float,
    baseline_standard_uncertainty_deg: float | None = None,
) -> RotationSince:
    """Rotation of the lens since an earlier axis in the same frame of the eye.

    Parameters
    ----------
    axis_deg, baseline_deg : float
        Present and earlier axis of the marks, 0 to 180 degrees.
    at_surgery : bool
        Whether the earlier axis was read at the end of surgery.  If not, rotation before it cannot be seen.
    standard_uncertainty_deg, baseline_standard_uncertainty_deg : float
        Of the two readings, taken as independent; the second is the first where it is not given.

    Returns
    -------
    RotationSince

    Raises
    ------
    ValueError
        If an axis is out of range.

    Examples
    --------
    >>> rotation_since(4.0, 178.0, at_surgery=True, standard_uncertainty_deg=1.0).rotation_deg
    6.0
    """
    present = read_axis_deg(axis_deg, name="present axis")
    baseline = read_axis_deg(baseline_deg, name="earlier axis")
    second = standard_uncertainty_deg
    if baseline_standard_uncertainty_deg is not None:
        second = baseline_standard_uncertainty_deg
    return RotationSince(
        since="surgery" if at_surgery else "first photo",
        baseline_deg=baseline,
        rotation_deg=axis_difference_deg(present, baseline),
        standard_uncertainty_deg=hypot(standard_uncertainty_deg, second),
    )


def read_baseline(record: Mapping[str, Any], *, eye: str, seated_sha256: str) -> Baseline:
    """Read an earlier look at the lens from its record, and check that it speaks of the same frame.

    Parameters
    ----------
    record : mapping
        What ``torsion recheck`` wrote for a photo (schema ``torsion/recheck/1``).
    eye : {"OD", "OS"}
    seated_sha256 : str
        Of the seated photo that is used now.

    Returns
    -------
    Baseline

    Raises
    ------
    TorsionError
        If the record holds no axis read in a photo, or is of the other eye or of another seated photo.
    """
    lens, sha256 = record.get("lens"), record.get("record", {}).get("sha256")
    if not lens or lens.get("axis_deg") is None or not sha256:
        msg = "the baseline must hold an axis read in a photo (recheck SEATED PHOTO --mark ... --json FILE)"
        raise TorsionError(msg)
    if record["eye"] != eye:
        msg = f"the baseline is of the other eye ({record['eye']}, not {eye})"
        raise TorsionError(msg)
    if sha256["seated"] != seated_sha256:
        msg = (
            "the baseline was read against another seated photo, so the two axes are not in one frame; "
            "use the same seated photo"
        )
        raise TorsionError(msg)
    uncertainty = float(lens["standard_uncertainty_deg"])
    return Baseline(float(lens["axis_deg"]), uncertainty, bool(record["at_surgery"]), eye, seated_sha256)
