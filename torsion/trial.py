"""Trial: what is found from one start of the search for an eye, and what speaks for it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from torsion.crops import CloseUp, blurred, resampled_crop
from torsion.limbus_fit import beyond_arcus, fit_limbus, limbus_roundness_of, side_step_of
from torsion.outline import DIRECTIONS
from torsion.photo import Ellipse
from torsion.pupil import ROUND, VERY_ROUND, find_pupil
from torsion.quantiles import median
from torsion.rings import Circle

__all__ = ["Located", "Trial"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

_REACH = 1.8  # radii of a start about which the limbus is seen: as far as fits move, but for a few
_LIKE = 0.7  # smaller over larger of two eyes: alike to a few percent, and outlines may be off
_MIN_LIMBUS_STEP = 0.04  # of the range of brightness; infra-red shows 0.1, white light 0.2 to 0.4
_ROUND_LIMBUS = 0.75  # as of the pupil; one of the two is asked for
_HIGHER = 2.0  # is the step at the edge of the white than at that of the lids, or of a zone of the iris
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


@dataclass(frozen=True, eq=False)
class Trial:
    """What is found from one start of the search; the pupil, which costs most, is sought when asked for."""

    pixels: Image
    close_up: CloseUp
    smooth: Floats
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
    ) -> "Trial":
        """Fit the limbus, unless it is given."""
        close_up = CloseUp.on(channel, *start, reach=_REACH)
        smooth = blurred(close_up.pixels.astype(np.float32), 1.5)
        fitted, weights, steps = fit_limbus(close_up, smooth, start)
        limbus = limbus or fitted
        sine, seen = np.sin(DIRECTIONS), weights > 0.05
        exposed = float(seen[sine > 0].mean()), float(seen[sine < 0].mean())
        step = side_step_of(limbus, steps, channel.shape)
        roundness = limbus_roundness_of(close_up, smooth, limbus)
        return cls(pixels, close_up, smooth, limbus, pupil, step, exposed, roundness)

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

    def is_beside(self, eye: "Trial", channel: Image) -> bool:
        """Whether this is the other eye of the face: as large, and by itself an eye."""
        one, two = self.limbus.radius_px, eye.limbus.radius_px
        if min(one, two) < _LIKE * max(one, two) or self.side_step < _MIN_LIMBUS_STEP:
            return False  # before its pupil is sought, which costs most
        return self.is_clear or (self.is_eye and self.has_dark_pupil(channel))

    def settles(self, *, grey: bool) -> bool:
        """Whether no other start need be tried: infra-red limbi are faint, there a pupil must do."""
        return self.shows_pupil if grey else self.is_clear

    def outdoes(self, other: "Trial", *, grey: bool) -> bool:
        """Whether it is an eye and the other is none, or it settles and more speaks for it.

        That is how round both outlines are and, in colour, the step at the limbus, which is half as high on a
        circle of half a limbus and half a pupil; in infra-red limbi are faint.
        """
        if self.is_eye > other.is_eye:
            return True
        step, against = (1.0, 1.0) if grey else (self.side_step, other.side_step)
        return self.settles(grey=grey) and step * self._roundness > against * other._roundness

    def or_within(self, channel: Image, starts: Sequence[Circle]) -> "Trial":
        """Take a clear eye with a dark pupil that lies inside, if its own limbus is not round; else itself.

        A wide open eye is a bright disc about the limbus as well, whose pupil the limbus seems to be: but
        nothing round lies in a pupil.  A pupil that was given stays.
        """
        if self.has_round_limbus or self.given_pupil is not None:
            return self
        inner = [((own.x_px, own.y_px, own.radius_px), 1.0)] if (own := self.pupil[0]) else []
        for start, times in (*inner, *((start, _HIGHER) for start in starts)):
            if self._holds(start):
                trial = Trial.of(self.pixels, channel, start)
                higher = trial.side_step > times * self.side_step
                if higher and trial.is_clear and trial.has_dark_pupil(channel):
                    return trial
        return self

    def about_pupil(self, channel: Image) -> "Trial | None":
        """Look for a clear eye of which the round disc that was found is the pupil; None where none is.

        In a light iris the pupil is the highest step; where lids hide much of the limbus, the only round one.
        """
        disc = self.limbus
        if self.limbus_roundness > _ROUND_LIMBUS:
            for times in _LIMBUS_OVER_PUPIL:
                start = disc.x_px, disc.y_px, times * disc.radius_px
                trial = Trial.of(self.pixels, channel, start, pupil=self.given_pupil)
                if trial.is_clear and trial.pupil[0] is not None and _is_same(trial.pupil[0], disc):
                    return trial
        return None

    def past_arcus(self, channel: Image) -> "Trial":
        """Take the clear eye that the white surrounds, if this outline follows an arcus in it; else itself.

        Where gaze or light make the inner edge of an arcus the higher step at one side, a circle fits there
        and to the limbus at the other.
        """
        start = beyond_arcus(self.close_up, self.smooth, self.limbus)
        if start is None:
            return self
        trial = Trial.of(self.pixels, channel, start, pupil=self.given_pupil)
        if not trial.is_clear or beyond_arcus(trial.close_up, trial.smooth, trial.limbus) is not None:
            return self
        return trial

    def _holds(self, circle: Circle) -> bool:
        x, y, radius = circle
        off = float(np.hypot(x - self.limbus.x_px, y - self.limbus.y_px))
        return off + radius < self.limbus.radius_px

    def has_dark_pupil(self, channel: Image) -> bool:
        """Whether the pupil is darker than what lies about it."""
        disc = self.pupil[0]
        if disc is None:
            return False
        crop = resampled_crop(channel, disc.x_px, disc.y_px, disc.radius_px / 20, 27)
        beside = np.hypot(*np.mgrid[-27:28, -27:28]) > 22
        return median(crop[~beside]) < median(crop[beside])

    @property
    def _roundness(self) -> float:
        return self.limbus_roundness + self.pupil[1]


def _is_same(one: Ellipse, other: Ellipse) -> bool:
    """Whether two outlines are one, as far as fits to an edge differ."""
    off = float(np.hypot(one.x_px - other.x_px, one.y_px - other.y_px))
    return max(off, abs(one.radius_px - other.radius_px)) < 0.1 * other.radius_px
