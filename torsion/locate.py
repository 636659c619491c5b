"""Find the eye in a photo: the limbus, and the pupil in it.

The red channel is used for the limbus, since irises of every colour are dark in red while both sclera and
skin are bright in it, so that lids disturb least.  A search of rings gives circles to start from; a fit of
the outline to the edge follows, and what it finds there must look like an eye.
"""

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse, Photo, is_grey
from torsion.rings import Circle, circles_beside, limbus_circles, small_limbus_circles
from torsion.trial import Located, Trial

__all__ = ["locate"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

_ABOUT = 1.25  # radius of a limbus over that of the widest pupil


def locate(photo: Photo) -> Located:
    """Find the limbus and the pupil of the one eye in a photo.

    Outlines that the photo brings with it (``photo.limbus``, ``photo.pupil``) are taken as they are.

    Parameters
    ----------
    photo : Photo
        Colour or grey.

    Returns
    -------
    Located
        With ``limbus`` None when no dark disc with a brighter surround is found: no eye, closed eye.
    """
    pixels = photo.pixels
    channel = _limbus_channel(pixels)
    given_limbus = photo.limbus and photo.limbus.scaled(1.0 / photo.decoded_scale)
    given_pupil = photo.pupil and photo.pupil.scaled(1.0 / photo.decoded_scale)
    if given_limbus is not None:
        circle = (given_limbus.x_px, given_limbus.y_px, given_limbus.radius_px)
        return Trial.of(pixels, channel, circle, limbus=given_limbus, pupil=given_pupil).found
    best, circles = _best_trial(pixels, channel, pupil=given_pupil)
    if best is None:
        return Located(None, None)
    best = best.past_arcus(channel)
    own = best.limbus
    beside = circles_beside(circles, (own.x_px, own.y_px, own.radius_px))
    others = (Trial.of(pixels, channel, circle) for circle in beside)
    return replace(best.found, other_eye=any(other.is_beside(best, channel) for other in others))


def _best_trial(pixels: Image, channel: Image, *, pupil: Ellipse | None) -> tuple[Trial | None, list[Circle]]:
    """Look for an eye that fills the picture, then for smaller ones; also the circles that were seen.

    Of a small eye a dark pupil must be seen: pictures are full of small dark discs.
    """
    grey = is_grey(pixels)
    starts, circles = limbus_circles(channel, grey=grey)
    best = _best_of(pixels, channel, starts, pupil=pupil, grey=grey)
    found = best.or_within(channel, starts) if best is not None and best.is_eye else None, circles
    if best is not None and (best.has_round_limbus or best.shows_pupil):
        return found
    for starts, circles in small_limbus_circles(channel, grey=grey):
        best = _best_of(pixels, channel, starts, pupil=pupil, grey=grey)
        if best is not None and best.shows_pupil and best.has_dark_pupil(channel):
            if best.is_clear:
                return best, circles
            found = found if found[0] else (best, circles)
    return found


def _best_of(
    pixels: Image, channel: Image, starts: Sequence[Circle], *, pupil: Ellipse | None, grey: bool
) -> Trial | None:
    """Try circles one after the other until one settles as an eye."""
    if not starts:
        return None
    best = Trial.of(pixels, channel, starts[0], pupil=pupil)
    for start in starts[1:]:
        # Nothing round encloses a limbus; what a ring encloses may be the pupil, with a lamp mirrored in it.
        outer = _encloses(start, best.limbus)
        settled = best.settles(grey=grey)
        if settled and not outer:
            continue
        trial = Trial.of(pixels, channel, start, pupil=pupil)
        if (outer and trial.has_round_limbus) or (not settled and trial.outdoes(best, grey=grey)):
            best = trial
    if best.settles(grey=grey):
        return best
    if about := best.about_pupil(channel):
        return about
    # The outline may have slipped onto the edge of a wide pupil, which is the higher step.
    further = best.limbus.x_px, best.limbus.y_px, _ABOUT * best.limbus.radius_px
    trial = Trial.of(pixels, channel, further, pupil=pupil)
    return trial if trial.shows_pupil and trial.outdoes(best, grey=grey) else best


def _encloses(circle: Circle, limbus: Ellipse) -> bool:
    """Whether a circle lies about an outline as a limbus about the widest pupil, 0.8 of its radius."""
    x, y, radius = circle
    off = np.hypot(x - limbus.x_px, y - limbus.y_px)
    return bool(radius > _ABOUT * limbus.radius_px and off < 0.3 * limbus.radius_px)


def _limbus_channel(pixels: Image) -> Image:
    return pixels if pixels.ndim == 2 else np.asarray(cv2.extractChannel(pixels, 0), np.uint8)
