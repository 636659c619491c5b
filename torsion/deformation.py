"""Deformation: the map between two eyes, its 16 parameters and what anatomy says of them beforehand.

In limbus radii, y up:

* an affine map shared by both bands;
* shifts against the limbus when gaze changes: of the white, which curves backwards, and of the iris, which
  lies behind;
* what dilation does to the iris beyond a linear stretch;
* the twist of the conjunctiva, which slides over the globe, the more the further from the limbus.
"""

import numpy as np
from numpy.typing import NDArray

from torsion.unwrap import Band

__all__ = ["PARAMETERS", "PRIOR", "affine", "displacement", "turns_of"]

Doubles = NDArray[np.float64]
Reals = NDArray[np.floating]

PARAMETERS = 16
"""6 affine (x, y, xx, xy, yx, yy), 2 gaze (radians, seen in the limbal band), 4 dilation, 2 shift of the
iris, 2 twist of the conjunctiva (radians at the limbus, radians for each radius further out)."""

_BOTH = np.sqrt(2.0)  # two photos, each with an error of its own
_GAZE_SD = _BOTH * np.radians(5.0)  # of a subject who looks into the camera
_TILT_SD = 1.0 - np.cos(_GAZE_SD)  # the foreshortening that goes with it
_OFFSET_SD, _SCALE_SD = _BOTH * 0.1, _BOTH * 0.1  # errors of the limbus fits
_DILATION_SD = _BOTH * 0.03
_IRIS_BEHIND = 0.1  # depth of the iris below the plane of the limbus, limbus radii (from memory)
# Conjunctiva slides easily by 0.015 mm at the limbus (from memory, no source). With this and its growth the
# rings of the white lie as far from the iris as is stated for them, in real photos a minute apart.
_TWIST_SD, _TWIST_GROWTH_SD = np.radians(0.15), np.radians(0.75)
_GLOBE = 2.05  # radius of the globe over that of the limbus, 12 over 5.9 mm (from memory)


def affine(start_deg: float, parameters: Doubles) -> Doubles:
    """Affine map (2, 3) that a start rotation and the parameters describe."""
    x, y, xx, xy, yx, yy = parameters[:6]
    cosine, sine = np.cos(np.radians(start_deg)), np.sin(np.radians(start_deg))
    linear = np.array([[1 + xx, xy], [yx, 1 + yy]]) @ np.array([[cosine, -sine], [sine, cosine]])
    return np.column_stack([linear, [x, y]])


def turns_of(parameters: Doubles) -> Doubles:
    """Degrees by which maps (n, 16) turn further than the start: by their polar decomposition, y up."""
    _, _, xx, xy, yx, yy = parameters.T[:6]
    return np.asarray(np.degrees(np.arctan2(yx - xy, 2.0 + xx + yy)), np.float64)


def displacement(
    parameters: Reals, x: Reals, y: Reals, depth: Reals, band: Band
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Displacement that the parameters give to points of a band.

    Parameters
    ----------
    parameters : (16,) ndarray
        See `PARAMETERS`.
    x, y : ndarray
        Points of the first eye, limbus radii from its middle, y up, turned by the rotation that the
        parameters count from.
    depth : ndarray
        How far out each lies, or each row of them: in the limbal band, distance in limbus radii; in the iris,
        0 at the pupil and 1 at the limbus.
    band : {"iris", "limbus"}

    Returns
    -------
    x, y : ndarray
        From there to where they lie in the second eye, limbus radii, y up.
    """
    across: Reals
    up: Reals
    stretch: Reals
    twist: Reals
    if band == "limbus":
        behind = np.sqrt(_GLOBE**2 - 1.0) - np.sqrt(_GLOBE**2 - depth**2)  # of the plane of the limbus
        across, up, stretch = parameters[6] * behind, parameters[7] * behind, 0.0 * behind
        twist = parameters[14] + parameters[15] * (depth - 1.0)
    else:
        inward = 1.0 - depth  # 1 at the pupil, 0 at the limbus
        across, up = parameters[12] + parameters[8] * inward, parameters[13] + parameters[9] * inward
        stretch = (parameters[10] + parameters[11] * inward) * inward
        twist = 0.0 * inward
    return (
        (parameters[0] + across) + (parameters[2] + stretch) * x + (parameters[3] - twist) * y,
        (parameters[1] + up) + (parameters[4] + twist) * x + (parameters[5] + stretch) * y,
    )


def _prior() -> Doubles:
    """Inverse covariance of the parameters; the rotation is all but free."""
    information = np.zeros((PARAMETERS, PARAMETERS))
    half = np.sqrt(0.5)
    directions = [
        ((2, half, 5, -half), _TILT_SD),
        ((3, half, 4, half), _TILT_SD),
        ((0, 1.0), _OFFSET_SD),
        ((1, 1.0), _OFFSET_SD),
        ((2, half, 5, half), _SCALE_SD),
        ((3, half, 4, -half), 1.0),  # a radian: it only keeps empty bands solvable
        ((6, 1.0), _GAZE_SD),
        ((7, 1.0), _GAZE_SD),
        *(((at, 1.0), _DILATION_SD) for at in range(8, 12)),
        *(((at, 1.0), _GAZE_SD * _IRIS_BEHIND) for at in range(12, 14)),
        ((14, 1.0), _TWIST_SD),
        ((15, 1.0), _TWIST_GROWTH_SD),
    ]
    for entries, deviation in directions:
        direction = np.zeros(PARAMETERS)
        direction[[int(at) for at in entries[::2]]] = entries[1::2]
        information += np.outer(direction, direction) / deviation**2
    information.setflags(write=False)
    return information


PRIOR = _prior()
"""Inverse covariance (16, 16) of the parameters before anything is seen: for what photos leave open."""
