"""Take a photograph of an eye: the picture, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from synthetic.camera import develop
from synthetic.eye import Eye
from synthetic.fields import Byte
from synthetic.geometry import Ellipse, head_grid, outline
from synthetic.globe import Mask, draw_globe
from synthetic.ink import MarkTruth, mark_truth
from synthetic.scene import draw_overlay
from synthetic.view import View

_T = TypeVar("_T", bound=np.generic)


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """A photograph and the truth about it.

    Attributes
    ----------
    rgb : ndarray (H, W, 3) uint8
        The picture as displayed.
    rotation_deg : float
        By how much the eye is turned in the picture, counter-clockwise, torsion and roll together, before the
        picture is mirrored and turned. The rotation between two pictures is the difference.
    limbus, pupil : Ellipse
        As drawn, in the picture as displayed.
    iris_visible, limbus_visible : ndarray (H, W) bool
        Masks, True = usable: pixels that show the iris, or the ring from the limbus to 1.4 radii, hidden by
        no lid, lash or glint.
    eye, view : Eye, View
    marks : tuple of MarkTruth
        Of the ink marks of the view, in their order.
    """

    rgb: Byte
    rotation_deg: float
    limbus: Ellipse
    pupil: Ellipse
    iris_visible: Mask
    limbus_visible: Mask
    eye: Eye
    view: View
    marks: tuple[MarkTruth, ...] = ()


def draw_picture(eye: Eye, view: View, rng: np.random.Generator | int = 0) -> Picture:
    """Take a photograph.

    Parameters
    ----------
    eye : Eye
    view : View
    rng : numpy.random.Generator or int
        Draws the noise and places the lashes; an integer is the seed of a generator.

    Returns
    -------
    Picture
    """
    generator = np.random.default_rng(rng)
    lash_rng, noise_rng = generator.spawn(2)
    x, y = head_grid(view)
    planes, alpha, hidden = draw_overlay(eye, view, x, y, lash_rng)
    globe = draw_globe(eye, view, x, y, covered=alpha)
    planes += globe.planes * (1 - alpha)
    clear = hidden < 0.25
    limbus, covered = outline(eye, view, surface="limbus"), _display(hidden, view)
    picture = Picture(
        rgb=_display(develop(planes, view, noise_rng), view),
        rotation_deg=view.rotation_deg + view.roll_deg,
        limbus=limbus,
        pupil=outline(eye, view, surface="pupil"),
        iris_visible=_display(globe.iris & clear, view),
        limbus_visible=_display(globe.ring & clear, view),
        eye=eye,
        view=view,
        marks=tuple(mark_truth(eye, view, mark, limbus=limbus, hidden=covered) for mark in view.marks),
    )
    for array in (picture.rgb, picture.iris_visible, picture.limbus_visible):
        array.setflags(write=False)
    return picture


def _display(array: npt.NDArray[_T], view: View) -> npt.NDArray[_T]:
    """Mirror, then turn counter-clockwise."""
    if view.mirrored:
        array = array[:, ::-1]
    return np.array(np.rot90(array, view.turn_deg // 90))
