"""Rotation from landmarks that a person picked in both photos: a check that owes nothing to the registration.

The pairs are fitted with one turn, scale and shift.  Gaze and dilation move the iris against the limbus, so
what lies on one of them should be picked, best on the limbus; a misfit widens the stated uncertainty.
"""

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from torsion.angles import read_eye, rotation_name, wrap_rotation_deg
from torsion.delimited import read_delimited, read_number
from torsion.errors import TorsionError
from torsion.flags import Verdict, worst_verdict
from torsion.match import angle_flags
from torsion.pair_suspects import Expected, Suspect, find_suspects, looks_mirrored
from torsion.photo import Ellipse
from torsion.quantiles import COVERAGE
from torsion.similarity import Similarity, fit_similarity, t_quantile

__all__ = ["Agreement", "HandRotation", "LandmarkPair", "compare_rotation", "fit_pairs", "read_pairs"]

_ASSUMED_PX = 1.0  # of a click, each way, where two pairs cannot show it; common practice, no source
_ROUNDING_PX = 1.0 / math.sqrt(12.0)  # of a click that falls anywhere in its pixel, each way
_COLUMNS = ("seated_x_px", "seated_y_px", "supine_x_px", "supine_y_px")
_VIEW_DEG = 45.0  # beyond, the picture is turned by another quarter than was stated


@dataclass(frozen=True, slots=True)
class LandmarkPair:
    """One thing on the eye, picked in both photos: pixels of the full pictures as displayed."""

    name: str
    seated_x_px: float
    seated_y_px: float
    supine_x_px: float
    supine_y_px: float


@dataclass(frozen=True, slots=True, eq=False)
class HandRotation:
    """Rotation from hand-picked pairs.

    Attributes
    ----------
    rotation_deg : float
        Counter-clockwise positive, the given view undone.
    standard_uncertainty_deg : float
        Half of the interval over 1.96, so that few pairs weigh as little as they should.  Where it rests on
        the misfit, it is no less than what rounding clicks to pixels leaves, however well pairs happen to
        fit.
    interval_95_deg : (float, float)
    direction : {"excyclotorsion", "incyclotorsion", "none"} or None
    verdict : {"accept", "review", "refuse"}
    flags : tuple of str
    pairs : tuple of LandmarkPair
    residuals_px : tuple of float
        Distance of each pair from the fit, in the supine photo.
    residual_px : float or None
        Their root mean square for each coordinate, freedom of the fit allowed for; None with two pairs.
    scale : float
        Size of the eye in the supine photo over that in the seated photo.
    click_px : float or None
        Standard deviation of a click that the uncertainty rests on; None where it rests on the misfit.
    degrees_of_freedom : int or None
        Of Student's t in the interval; None where the click's is given or assumed.
    suspects : tuple of Suspect
        Pairs that look swapped or misplaced.
    matrix : (2, 3) ndarray
        Map of full-picture pixels of the seated photo to those of the supine photo.
    """

    rotation_deg: float
    standard_uncertainty_deg: float
    interval_95_deg: tuple[float, float]
    direction: Literal["excyclotorsion", "incyclotorsion", "none"] | None
    verdict: Verdict
    flags: tuple[str, ...]
    pairs: tuple[LandmarkPair, ...]
    residuals_px: tuple[float, ...]
    residual_px: float | None
    scale: float
    click_px: float | None
    degrees_of_freedom: int | None
    suspects: tuple[Suspect, ...]
    matrix: NDArray[np.float64]

    def __post_init__(self) -> None:
        self.matrix.setflags(write=False)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether the rotation from hand-picked pairs agrees with a measured one.

    Attributes
    ----------
    difference_deg : float
        Measured minus hand-picked.
    standard_uncertainty_deg : float
        Of both together.
    agrees : bool
        True within their joint 95 % interval, 1.96 of them.
    flags : tuple of str
        ``landmarks_disagree`` where they do not agree.
    """

    difference_deg: float
    standard_uncertainty_deg: float
    agrees: bool
    flags: tuple[str, ...]


def read_pairs(path: str | os.PathLike[str]) -> tuple[LandmarkPair, ...]:
    """Read pairs from a CSV file with a heading, as a spreadsheet saves it (`torsion.delimited`).

    Columns ``seated_x_px, seated_y_px, supine_x_px, supine_y_px``, and ``name`` if wanted (by default the
    number of the pair); others are ignored, and so are rows without any text.

    Raises
    ------
    TorsionError
        If a column is missing, a value is no finite number, or there are fewer than two pairs.
    OSError
        If the file cannot be read.
    """
    file = Path(path)
    try:
        table = read_delimited(file.read_bytes())
    except ValueError as fault:
        msg = f"'{file.name}' {fault}"
        raise TorsionError(msg) from fault
    heading, *lines = [[cell.strip() for cell in line] for line in table if any(map(str.strip, line))] or [[]]
    if missing := [name for name in _COLUMNS if name not in heading]:
        msg = f"'{file.name}' must have the columns {', '.join(_COLUMNS)}; {', '.join(missing)} is missing"
        raise TorsionError(msg)
    if len(lines) < 2:
        msg = f"'{file.name}' must hold two pairs or more, not {len(lines)}"
        raise TorsionError(msg)
    rows = [dict(zip(heading, line, strict=False)) for line in lines]
    return tuple(_read_pair(row, number, file.name) for number, row in enumerate(rows, 1))


def _read_pair(row: dict[str, str], number: int, file: str) -> LandmarkPair:
    values = [read_number(row.get(column, "")) for column in _COLUMNS]
    for column, value in zip(_COLUMNS, values, strict=True):
        if math.isnan(value):
            found = repr(row[column]) if row.get(column) else "empty"
            msg = f"'{file}', pair {number}: {column} must be a number of pixels, not {found}"
            raise TorsionError(msg)
    return LandmarkPair(row.get("name") or str(number), *values)


def fit_pairs(
    pairs: Sequence[LandmarkPair],
    *,
    click_px: float | None = None,
    turn_deg: float = 0.0,
    mirrored: bool = False,
    seated_limbus: Ellipse | None = None,
    supine_limbus: Ellipse | None = None,
    eye: str | None = None,
) -> HandRotation:
    """Rotation, scale and misfit of two or more pairs.

    Parameters
    ----------
    pairs : sequence of LandmarkPair
    click_px : float, optional
        Standard deviation of a click in each direction and photo.  By default the misfit shows it (three
        pairs or more, Student's t; no less than rounding to pixels), and with two pairs 1 pixel is assumed,
        with a flag.
    turn_deg : float, default 0
        Turn of the supine picture, counter-clockwise, to be undone.
    mirrored : bool, default False
        Whether the supine picture is mirrored left to right.
    seated_limbus, supine_limbus : Ellipse, optional
        Help to tell which pair is wrong when there are few; they do not enter the rotation.
    eye : {"OD", "OS", "R", "L"}, optional
        Names the direction.

    Returns
    -------
    HandRotation

    Raises
    ------
    ValueError
        If there are fewer than two pairs, the points of a photo all coincide, `click_px` is not positive, or
        `eye` names no eye.
    """
    eye = None if eye is None else read_eye(eye)
    if click_px is not None and not 0.0 < click_px < math.inf:
        msg = f"click_px must be a number of pixels above 0, not {click_px:g}"
        raise ValueError(msg)
    flip = -1.0 if mirrored else 1.0
    first = np.array([complex(pair.seated_x_px, -pair.seated_y_px) for pair in pairs])
    second = np.array([complex(flip * pair.supine_x_px, -pair.supine_y_px) for pair in pairs])
    fit = fit_similarity(first, second)
    reach_px, freedom = _reach_px(fit, click_px)
    half = math.degrees(reach_px / (abs(fit.factor) * math.sqrt(fit.spread)))
    rotation = wrap_rotation_deg(fit.turn_deg - turn_deg)
    uncertainty = half / COVERAGE
    expected = Expected.of(seated_limbus, supine_limbus, turn_deg=turn_deg, flip=flip)
    suspects = find_suspects(
        first, second, [pair.name for pair in pairs], click_px=click_px, expected=expected
    )
    mirror = looks_mirrored(first, second, click_px=click_px)
    flags = _flags(fit, rotation, uncertainty, suspects, click_px=click_px, mirrored=mirror)
    assumed = _ASSUMED_PX if click_px is None and freedom is None else click_px
    return HandRotation(
        rotation,
        uncertainty,
        (rotation - half, rotation + half),
        rotation_name(rotation, uncertainty, eye) if eye else None,
        worst_verdict(flags),
        flags,
        tuple(pairs),
        tuple(float(length) for length in np.abs(fit.residuals)),
        math.sqrt(fit.squares / fit.degrees_of_freedom) if fit.degrees_of_freedom else None,
        abs(fit.factor),
        assumed,
        freedom,
        suspects,
        _pixel_map(fit, flip),
    )


def _reach_px(fit: Similarity, click_px: float | None) -> tuple[float, int | None]:
    """Return how far 95 % of residuals reach in each direction, and the freedom of t if it was used.

    With few pairs a misfit near zero is chance.  So no reach is less than that of clicks that are off by
    nothing but their rounding, which is known and needs no t.
    """
    # A click is off in both photos; the seated one's error is scaled with the eye.
    both = math.hypot(1.0, abs(fit.factor))
    if click_px is None and fit.degrees_of_freedom:
        freedom = fit.degrees_of_freedom
        shown = t_quantile(0.95, freedom) * math.sqrt(fit.squares / freedom)
        return max(shown, COVERAGE * _ROUNDING_PX * both), freedom
    return COVERAGE * (click_px or _ASSUMED_PX) * both, None


def _flags(
    fit: Similarity,
    rotation_deg: float,
    uncertainty_deg: float,
    suspects: Sequence[Suspect],
    *,
    click_px: float | None,
    mirrored: bool,
) -> tuple[str, ...]:
    kinds = {suspect.kind for suspect in suspects}
    conditions = {
        "two_pairs": fit.degrees_of_freedom == 0 and click_px is None,
        "mirrored": mirrored,
        "pairs_swapped": "swapped" in kinds,
        "pair_misplaced": "misplaced" in kinds,
        "pairs_disagree": "unknown" in kinds and not mirrored,
        "turned_view": abs(rotation_deg) > _VIEW_DEG,
    }
    found = [name for name, present in conditions.items() if present]
    # Another photo would not mend vague picks, so they have flags of their own.
    of_pairs = {"uncertain": "pairs_uncertain", "too_uncertain": "pairs_too_uncertain"}
    return (*found, *(of_pairs.get(name, name) for name in angle_flags(rotation_deg, uncertainty_deg)))


def _pixel_map(fit: Similarity, flip: float) -> NDArray[np.float64]:
    turn, lean = fit.factor.real, fit.factor.imag
    linear = np.diag([flip, -1.0]) @ np.array([[turn, -lean], [lean, turn]]) @ np.diag([1.0, -1.0])
    return np.column_stack([linear, [flip * fit.shift.real, -fit.shift.imag]])


def compare_rotation(hand: HandRotation, rotation_deg: float, standard_uncertainty_deg: float) -> Agreement:
    """Compare the rotation from hand-picked pairs with a measured one, such as `Measurement.rotation_deg`.

    Parameters
    ----------
    hand : HandRotation
        With the view of the measurement undone.
    rotation_deg, standard_uncertainty_deg : float
        As measured.

    Returns
    -------
    Agreement
    """
    difference = wrap_rotation_deg(rotation_deg - hand.rotation_deg)
    both = math.hypot(standard_uncertainty_deg, hand.standard_uncertainty_deg)
    agrees = abs(difference) <= COVERAGE * both
    return Agreement(difference, both, agrees, () if agrees else ("landmarks_disagree",))
