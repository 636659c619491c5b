"""Survey of one photo for its landmarks: what the landmark sheet prints."""

from dataclasses import dataclass

from torsion.angles import Eye, read_axis_deg, read_eye
from torsion.centre import mm_per_degree
from torsion.flags import Verdict, worst_verdict
from torsion.landmark_search import check_count, find_landmarks
from torsion.landmarks import AxisOffset, Landmark, axis_offsets, clock_hour
from torsion.preparation import PhotoLike, PreparedPhoto, prepare

__all__ = ["LandmarkSurvey", "clock_words", "length_words", "offset_words", "survey_landmarks"]

_CALLIPERS_DEG = 45.0  # beyond, the chord that callipers span is 3 % shorter than the arc, and growing
_FEW = 3  # with fewer, a mistaken one is not found out


@dataclass(frozen=True, slots=True, eq=False)
class LandmarkSurvey:
    """Landmarks of a seated photo.

    Attributes
    ----------
    prepared : PreparedPhoto
    eye : {"OD", "OS"} or None
    axis_deg : float or None
        Planned axis in the frame of the photo, in (0, 180].
    landmarks : tuple of Landmark
    offsets : tuple of AxisOffset or None
        One for each landmark; None without an axis, and where the photo is refused.
    flags : tuple of str
    verdict : {"accept", "review", "refuse"}
    """

    prepared: PreparedPhoto
    eye: Eye | None
    axis_deg: float | None
    landmarks: tuple[Landmark, ...]
    offsets: tuple[AxisOffset, ...] | None
    flags: tuple[str, ...]
    verdict: Verdict


def survey_landmarks(
    seated: PhotoLike, *, eye: str | None = None, axis_deg: float | None = None, count: int = 8
) -> LandmarkSurvey:
    """Find the landmarks of a seated photo, and how far a planned axis lies from each.

    Parameters
    ----------
    seated : path, (H, W[, 3]) uint8 or uint16 array, Photo or PreparedPhoto
    eye : {"OD", "OS", "R", "L"}, optional
    axis_deg : float, optional
        Planned axis in [0, 180], in the frame of the photo.
    count : int, default 8
        Landmarks at most.

    Returns
    -------
    LandmarkSurvey
        Refused where no eye or no landmark was found, or the photo shows the other eye than was stated.

    Raises
    ------
    PhotoError
        If the file cannot be used.
    ValueError
        If the eye or the axis is not one of those allowed, or `count` is below 1.
    """
    named = read_eye(eye) if eye is not None else None
    axis = None if axis_deg is None else read_axis_deg(axis_deg)
    check_count(count)
    prepared = prepare(seated, eye=named)
    landmarks: tuple[Landmark, ...] | None = None
    if prepared.picture is not None and prepared.limbus is not None:
        landmarks = find_landmarks(prepared.picture, prepared.limbus, count=count)
    stated = named or prepared.photo.eye
    conditions = {
        "other_side": prepared.laterality.contradicts(stated),  # the seated photo is upright
        "no_landmarks": landmarks is not None and not landmarks,  # without an eye none were looked for
        "few_landmarks": landmarks is not None and 0 < len(landmarks) < min(_FEW, count),
    }
    landmarks = landmarks or ()
    flags = (*prepared.flags, *(name for name, present in conditions.items() if present))
    verdict = worst_verdict(flags)
    offsets = axis_offsets(landmarks, axis) if axis is not None and verdict != "refuse" else None
    return LandmarkSurvey(prepared, stated, axis, landmarks, offsets, flags, verdict)


def clock_words(direction_deg: float) -> str:
    """Clock hour of a direction to the nearest quarter.

    Examples
    --------
    >>> clock_words(90.0), clock_words(48.0), clock_words(89.0)
    ('12:00', '1:30', '12:00')
    """
    quarters = round(4.0 * clock_hour(direction_deg))
    hour, quarter = divmod(quarters, 4)
    return f"{(hour - 1) % 12 + 1}:{15 * quarter:02d}"


def offset_words(offset: AxisOffset) -> str:
    """Say how to get from a landmark to the axis.

    Examples
    --------
    >>> offset_words(AxisOffset(Landmark(1, "spot", "iris", 0, 0, 80.0, 1.0, 0.2, 0.8, 0.5), -12.0, 68.0))
    '12.0° clockwise'
    """
    size = abs(offset.offset_deg)
    if size < 0.05:
        return "runs through it"
    return f"{size:.1f}° {'counter-clockwise' if offset.offset_deg > 0 else 'clockwise'}"


def length_words(offset: AxisOffset) -> str | None:
    """Say that way in millimetres along an average limbus; None where it is too far for callipers.

    Examples
    --------
    >>> length_words(AxisOffset(Landmark(1, "spot", "iris", 0, 0, 80.0, 1.0, 0.2, 0.8, 0.5), -12.0, 68.0))
    '1.2 mm'
    """
    size = abs(offset.offset_deg)
    return f"{size * mm_per_degree():.1f} mm" if size <= _CALLIPERS_DEG else None
