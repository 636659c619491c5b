"""The map of the iris: where what lies in the plane of the iris goes between two photos.

Gaze moves the iris against the limbus, behind which it lies, by 0.09 mm for 9 degrees; dilation stretches it.
"""

import numpy as np
from numpy.typing import NDArray

from torsion.deformation import displacement
from torsion.measurement import Measurement
from torsion.unwrap import iris_coordinates, iris_point

__all__ = ["iris_matrix", "iris_places"]

Doubles = NDArray[np.float64]


def iris_matrix(measurement: Measurement) -> Doubles | None:
    """Map for what lies in the plane of the iris and does not stretch with it, as the pupil's centre, (2, 3).

    In pixels of the full pictures, as `Measurement.matrix`; where no parameters were kept it is that one.
    """
    m = measurement
    if m.matrix is None or m.parameters is None or m.supine.limbus is None or m.view is None:
        return m.matrix
    across, up = m.supine.limbus.radius_px * m.parameters[12:14]
    moved = m.matrix.copy()
    moved[:, 2] += (-across if m.view.mirrored else across, -up)
    return moved


def iris_places(measurement: Measurement, points_px: Doubles) -> Doubles | None:
    """Where points of the seated iris lie in the supine photo, dilation included.

    Parameters
    ----------
    measurement : Measurement
    points_px : (n, 2) ndarray
        Of the seated photo, full picture.

    Returns
    -------
    (n, 2) ndarray or None
        Of the supine photo; None where no parameters were kept.
    """
    m = measurement
    first, second, seated, supine = m.seated.picture, m.supine.picture, m.seated.limbus, m.supine.limbus
    if first is None or second is None or seated is None or supine is None:
        return None
    if m.start_deg is None or m.parameters is None or m.view is None:
        return None
    flip = -1.0 if m.view.mirrored else 1.0
    across, down = (points_px - (seated.x_px, seated.y_px)).T / seated.radius_px
    angle_deg, depth = iris_coordinates(first.pupil, across, -down)
    pupil = (flip * second.pupil[0], *second.pupil[1:])
    x, y = iris_point(pupil, angle_deg + m.start_deg, depth)
    dx, dy = displacement(m.parameters, x, y, depth, "iris")
    columns = supine.x_px + supine.radius_px * flip * (x + dx)
    return np.stack([columns, supine.y_px - supine.radius_px * (y + dy)], axis=1)
