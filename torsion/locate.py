"""Find the eye in a photo: the limbus, and the pupil in it.

The red channel is used for the limbus, since irises of every colour are dark in red while both sclera and
skin are bright in it, so that lids disturb least.  A search of rings gives circles to start from; a fit of
the outline to the edge follows, and what it finds there must look like an eye.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import CloseUp, blurred, resampled_crop
from torsion.limbus_fit import fit_limbus, limbus_roundness_of, side_step_of
from torsion.outline import DIRECTIONS
from torsion.photo import Ellipse, Photo, is_grey
from torsion.pupil import ROUND, VERY_ROUND, find_pupil
from torsion.quantiles import median
from torsion.rings import Circle, circles_beside, limbus_circles, small_limbus_circles

__all__ = ["Located", "locate"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

_REACH = 1.8  # radii of a start about which the limbus is seen: as far as fits move, but for a few
_LIKE = 0.7  # smaller over larger of two eyes: alike to a few percent, and outlines may be off
_MIN_LIMBUS_STEP = 0.04  # of the range of brightness; infra-red shows 0.1, white light 0.2 to 0.4
_ROUND_LIMBUS = 0.75  # as of the pupil; one of the two is asked for
_HIGHER = 2.0  # is the step at the edge of the white than at that of the lids, or of a zone of the iris
_ABOUT = 1.25  # radius of a limbus over that of the widest pupil
_LIMBUS_OVER_PUPIL = (1.6, 2.0, 2.5, 3.2)  # ratios of radii, of pupils of 0.3 to 0.65; a fit bridges a fifth


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """Where the eye is.

    Attributes
    ----------
    limbus, pupil : Ellipse or None
        Outlines in pixels of ``photo.pixels`` (the picture as decoded); None where nothing was found.
    limbus_contrast : float
        Step of brightness across the limbus, 0 to 1 of the range in the picture, median of the sides.
    exposed_upper, exposed_lower : float
        Share of the upper and lower half of the limbus at which its edge is seen, 0 to 1.
    other_eye : bool
        Whether a second eye stands beside it in the picture.
    """

    limbus: Ellipse | None
    pupil: Ellipse | None
    limbus_contrast: float = 0.0
    exposed_upper: float = 0.0
    exposed_lower: float = 0.0
    other_eye: bool = False


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
        return _Trial.of(pixels, channel, circle, limbus=given_limbus, pupil=given_pupil).found
    best, circles = _best_trial(pixels, channel, pupil=given_pupil)
    if best is None:
        return Located(None, None)
    own = best.limbus
    beside = circles_beside(circles, (own.x_px, own.y_px, own.radius_px))
    others = (_Trial.of(pixels, channel, circle) for circle in beside)
    return replace(best.found, other_eye=any(other.is_beside(best, channel) for other in others))


def _best_trial(
    pixels: Image, channel: Image, *, pupil: Ellipse | None
) -> tuple["_Trial | None", list[Circle]]:
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
) -> "_Trial | None":
    """Try circles one after the other until one settles as an eye."""
    if not starts:
        return None
    best = _Trial.of(pixels, channel, starts[0], pupil=pupil)
    for start in starts[1:]:
        # Nothing round encloses a limbus; what a ring encloses may be the pupil, with a lamp mirrored in it.
        outer = _encloses(start, best.limbus)
        settled = best.settles(grey=grey)
        if settled and not outer:
            continue
        trial = _Trial.of(pixels, channel, start, pupil=pupil)
        if (outer and trial.has_round_limbus) or (not settled and trial.outdoes(best, grey=grey)):
            best = trial
    if best.settles(grey=grey):
        return best
    if about := best.about_pupil(channel):
        return about
    # The outline may have slipped onto the edge of a wide pupil, which is the higher step.
    further = best.limbus.x_px, best.limbus.y_px, _ABOUT * best.limbus.radius_px
    trial = _Trial.of(pixels, channel, further, pupil=pupil)
    return trial if trial.shows_pupil and trial.outdoes(best, grey=grey) else best


def _is_same(one: Ellipse, other: Ellipse) -> bool:
    """Whether two outlines are one, as far as fits to an edge differ."""
    off = float(np.hypot(one.x_px - other.x_px, one.y_px - other.y_px))
    return max(off, abs(one.radius_px - other.radius_px)) < 0.1 * other.radius_px


def _encloses(circle: Circle, limbus: Ellipse) -> bool:
    """Whether a circle lies about an outline as a limbus about the widest pupil, 0.8 of its radius."""
    x, y, radius = circle
    off = np.hypot(x - limbus.x_px, y - limbus.y_px)
    return bool(radius > _ABOUT * limbus.radius_px and off < 0.3 * limbus.radius_px)


@dataclass(frozen=True, eq=False)
class _Trial:
    """What is found from one start of the search; the pupil, which costs most, is sought when asked for."""

    pixels: Image
    limbus: Ellipse
    given_pupil: Ellipse | None
    side_step: float
    exposed: tuple[float, float]
    limbus_roundness: float

    @classmethod
    def of(
        cls,
        pixels: Image,
        channel: Image,
        start: Circle,
        *,
        limbus: Ellipse | None = None,
        pupil: Ellipse | None = None,
    ) -> "_Trial":
        """Fit the limbus, unless it is given."""
        close_up = CloseUp.on(channel, *start, reach=_REACH)
        smooth = blurred(close_up.pixels.astype(np.float32), 1.5)
        fitted, weights, steps = fit_limbus(close_up, smooth, start)
        limbus = limbus or fitted
        sine, seen = np.sin(DIRECTIONS), weights > 0.05
        exposed = float(seen[sine > 0].mean()), float(seen[sine < 0].mean())
        step = side_step_of(limbus, steps, channel.shape)
        return cls(pixels, limbus, pupil, step, exposed, limbus_roundness_of(close_up, smooth, limbus))

    @cached_property
    def pupil(self) -> tuple[Ellipse | None, float]:
        """Pupil and its roundness."""
        return (self.given_pupil, 1.0) if self.given_pupil else find_pupil(self.pixels, self.limbus)

    @property
    def found(self) -> Located:
        """All of it, once it has been chosen."""
        return Located(self.limbus, self.pupil[0], self.side_step, *self.exposed)

    @property
    def has_round_limbus(self) -> bool:
        """Whether the limbus is seen at both sides, and lies on its outline there."""
        return self.side_step >= _MIN_LIMBUS_STEP and self.limbus_roundness > _ROUND_LIMBUS

    @property
    def is_eye(self) -> bool:
        """Whether there is an edge at the sides, and one of limbus and pupil lies on its outline."""
        return self.has_round_limbus or (self.side_step >= _MIN_LIMBUS_STEP and self.pupil[1] > ROUND)

    @property
    def shows_pupil(self) -> bool:
        """Whether it is an eye whose pupil is seen."""
        return self.side_step >= _MIN_LIMBUS_STEP and self.pupil[1] > VERY_ROUND

    @property
    def is_clear(self) -> bool:
        """Whether both outlines are seen."""
        return self.has_round_limbus and self.shows_pupil

    def is_beside(self, eye: "_Trial", channel: Image) -> bool:
        """Whether this is the other eye of the face: as large, and by itself an eye."""
        one, two = self.limbus.radius_px, eye.limbus.radius_px
        if min(one, two) < _LIKE * max(one, two) or self.side_step < _MIN_LIMBUS_STEP:
            return False  # before its pupil is sought, which costs most
        return self.is_clear or (self.is_eye and self.has_dark_pupil(channel))

    def settles(self, *, grey: bool) -> bool:
        """Whether no other start need be tried: infra-red limbi are faint, there a pupil must do."""
        return self.shows_pupil if grey else self.is_clear

    def outdoes(self, other: "_Trial", *, grey: bool) -> bool:
        """Whether it is an eye and the other is none, or it settles and more speaks for it.

        That is how round both outlines are and, in colour, the step at the limbus, which is half as high on a
        circle of half a limbus and half a pupil; in infra-red limbi are faint.
        """
        if self.is_eye > other.is_eye:
            return True
        step, against = (1.0, 1.0) if grey else (self.side_step, other.side_step)
        return self.settles(grey=grey) and step * self._roundness > against * other._roundness

    def or_within(self, channel: Image, starts: Sequence[Circle]) -> "_Trial":
        """Take a clear eye with a dark pupil that lies inside, if its own limbus is not round; else itself.

        A wide open eye is a bright disc about the limbus as well, whose pupil the limbus seems to be: but
        nothing round lies in a pupil.  A pupil that was given stays.
        """
        if self.has_round_limbus or self.given_pupil is not None:
            return self
        inner = [((own.x_px, own.y_px, own.radius_px), 1.0)] if (own := self.pupil[0]) else []
        for start, times in (*inner, *((start, _HIGHER) for start in starts)):
            if self._holds(start):
                trial = _Trial.of(self.pixels, channel, start)
                higher = trial.side_step > times * self.side_step
                if higher and trial.is_clear and trial.has_dark_pupil(channel):
                    return trial
        return self

    def about_pupil(self, channel: Image) -> "_Trial | None":
        """Look for a clear eye of which the round disc that was found is the pupil; None where none is.

        In a light iris the pupil is the highest step; where lids hide much of the limbus, the only round one.
        """
        disc = self.limbus
        if self.limbus_roundness > _ROUND_LIMBUS:
            for times in _LIMBUS_OVER_PUPIL:
                start = disc.x_px, disc.y_px, times * disc.radius_px
                trial = _Trial.of(self.pixels, channel, start, pupil=self.given_pupil)
                if trial.is_clear and trial.pupil[0] is not None and _is_same(trial.pupil[0], disc):
                    return trial
        return None

    def _holds(self, circle: Circle) -> bool:
        x, y, radius = circle
        off = float(np.hypot(x - self.limbus.x_px, y - self.limbus.y_px))
        return off + radius < self.limbus.radius_px

    def has_dark_pupil(self, channel: Image) -> bool:
        disc = self.pupil[0]
        if disc is None:
            return False
        crop = resampled_crop(channel, disc.x_px, disc.y_px, disc.radius_px / 20, 27)
        beside = np.hypot(*np.mgrid[-27:28, -27:28]) > 22
        return median(crop[~beside]) < median(crop[beside])

    @property
    def _roundness(self) -> float:
        return self.limbus_roundness + self.pupil[1]


def _limbus_channel(pixels: Image) -> Image:
    return pixels if pixels.ndim == 2 else np.asarray(cv2.extractChannel(pixels, 0), np.uint8)
