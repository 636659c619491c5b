"""Light photos: prepared ones that wait without the whole picture, and how pairs of them are measured."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from torsion.angles import Eye
from torsion.axis import AxisFrame
from torsion.measurement import Measurement, MeasureOptions, measure_pair
from torsion.preparation import PreparedPhoto

__all__ = ["light", "measure_light"]


def light(photo: PreparedPhoto) -> PreparedPhoto:
    """Drop the whole picture, since the eye has been cut out: what is left takes a tenth of the memory."""
    return replace(photo, photo=replace(photo.photo, pixels=np.zeros((1, 1), np.uint8)))


def measure_light(
    seated: PreparedPhoto,
    supine: PreparedPhoto,
    *,
    whole: Callable[[], PreparedPhoto],
    eye: Eye | None = None,
    axis_deg: float | None = None,
    axis_frame: AxisFrame = "unknown",
    incision_deg: float | None = None,
    options: MeasureOptions | None = None,
) -> Measurement:
    """Measure a pair of light photos, with the same result as if they were whole.

    Parameters
    ----------
    seated, supine : PreparedPhoto
    whole : callable
        Gives the supine photo with its picture.  It is asked only where the view is found turned and that was
        not stated, since such a photo is to be prepared anew.
    eye, axis_deg, axis_frame, incision_deg, options
        As for `torsion.measurement.measure_pair`.

    Returns
    -------
    Measurement

    Raises
    ------
    PhotoError
        If the supine photo is asked for and can no longer be read.
    ValueError
        As `torsion.measurement.measure_pair`.
    """

    def measured(second: PreparedPhoto) -> Measurement:
        return measure_pair(
            seated,
            second,
            eye=eye,
            axis_deg=axis_deg,
            axis_frame=axis_frame,
            incision_deg=incision_deg,
            options=options,
        )

    found = measured(supine)
    if found.view is None or found.view.displayed_deg == found.supine.turned_deg:
        return found
    return measured(whole())
