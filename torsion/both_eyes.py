"""Both eyes: what their rotations share, and what they do in mirror image."""

import math
from dataclasses import dataclass
from typing import Literal, get_args

from torsion.angles import check_turn, read_choice
from torsion.flags import Verdict, worst_verdict
from torsion.quantiles import COVERAGE

__all__ = ["ROLL_DEG", "BothEyes", "Taken", "both_eyes"]

Taken = Literal["one frame", "fixed", "apart"]

ROLL_DEG = 2.0
"""Standard deviation of head and camera roll from one photo to the next taken by a free hand: what people
judge a tilt to (30 examiners, SD 1.6 to 2.8 degrees: Arq Bras Oftalmol 2018;81(1))."""


@dataclass(frozen=True, slots=True)
class BothEyes:
    """Rotations of both eyes split into what they share and what they do in mirror image.

    Attributes
    ----------
    right_deg, left_deg : float
    common_deg : float
        ``(right + left) / 2``: head tilt, camera roll, or a turn of both eyes the same way, which cannot be
        told apart.
    symmetric_deg : float
        ``(right - left) / 2``: cyclotorsion of either eye, excyclotorsion positive.
    standard_uncertainty_deg : float
        Of the common part, and the same of the symmetric one.
    interval_95_common_deg, interval_95_symmetric_deg : (float, float)
    taken : {"one frame", "fixed", "apart"}
    flags : tuple of str
    verdict : {"accept", "review", "refuse"}
    """

    right_deg: float
    left_deg: float
    common_deg: float
    symmetric_deg: float
    standard_uncertainty_deg: float
    interval_95_common_deg: tuple[float, float]
    interval_95_symmetric_deg: tuple[float, float]
    taken: Taken
    flags: tuple[str, ...]
    verdict: Verdict


def both_eyes(
    right_deg: float,
    left_deg: float,
    *,
    right_standard_uncertainty_deg: float,
    left_standard_uncertainty_deg: float,
    taken: Taken = "apart",
) -> BothEyes:
    """Split the rotations of both eyes into a common and a symmetric part.

    Parameters
    ----------
    right_deg, left_deg : float
        From the seated to the supine photo, counter-clockwise positive, view undone.
    right_standard_uncertainty_deg, left_standard_uncertainty_deg : float
    taken : {"apart", "fixed", "one frame"}
        Both eyes in one frame, or one after the other with camera and head fixed; otherwise head and camera
        may roll between the four photos, and the uncertainty grows by `ROLL_DEG`.

    Returns
    -------
    BothEyes

    Raises
    ------
    ValueError
        If a rotation lies beyond 45 degrees, an uncertainty is not from 0 to 45, or `taken` is another word.

    Examples
    --------
    >>> errors = {"right_standard_uncertainty_deg": 0.3, "left_standard_uncertainty_deg": 0.4}
    >>> both = both_eyes(5.0, -3.0, **errors, taken="one frame")
    >>> both.common_deg, both.symmetric_deg, both.standard_uncertainty_deg
    (1.0, 4.0, 0.25)
    """
    taken = read_choice(taken, get_args(Taken), name="taken")
    errors = right_standard_uncertainty_deg, left_standard_uncertainty_deg
    for side, turn, error in zip(("right", "left"), (right_deg, left_deg), errors, strict=True):
        check_turn(turn, error, name=f"the rotation of the {side} eye")
    uncertainty = math.hypot(*errors) / 2.0
    if taken == "apart":  # four photos roll by themselves: half of their difference has the spread of one
        uncertainty = math.hypot(uncertainty, ROLL_DEG)
    common, symmetric = (right_deg + left_deg) / 2.0, (right_deg - left_deg) / 2.0
    half = COVERAGE * uncertainty
    beyond = [abs(turn) > 2.0 * error for turn, error in zip((right_deg, left_deg), errors, strict=True)]
    conditions = {
        "same_way": right_deg * left_deg > 0.0 and all(beyond),
        "taken_apart": taken == "apart",
    }
    flags = tuple(name for name, present in conditions.items() if present)
    return BothEyes(
        right_deg,
        left_deg,
        common,
        symmetric,
        uncertainty,
        (common - half, common + half),
        (symmetric - half, symmetric + half),
        taken,
        flags,
        worst_verdict(flags),
    )
