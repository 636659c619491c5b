"""Whether two photos are one and the same exposure, also re-saved, resized, cropped, turned or edited.

The same photograph twice would be the most confident wrong answer: it always matches, at no torsion.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.eye_picture import EyePicture
from torsion.lattice import lattice_blur
from torsion.unwrap import places, sample_at, sample_lattice

__all__ = ["same_exposure"]

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_STILL = 0.0025  # limbus radii, 15 micrometres: gaze of 0.15 degrees moves the eye that far under its lids
_STRETCHED = 0.0006  # likewise, where the whole may have changed its shape, too, as it does in bursts
_ALIKE = 0.7  # correlation; below it the two pictures do not lie on each other
_LIKENESS = 0.4  # likewise as the eye's map lays them, before any fit; of what surrounds it in copies 0.8
_REACH = 1.4  # limbus radii; what is compared lies within it
_OUTSIDE = 1.1  # limbus radii: pupil, iris and limbus lie within it
_ENOUGH = 0.02  # of the square; with less of lids and skin to see, as under a speculum, glints must do
_INSIDE, _GLINT, _SPOT = 0.9, 0.2, 0.0005  # limbus radii; a fifth brighter than about it; of the square
_COINCIDE = 0.9  # correlation; of glints that stay while the eye turns by degrees there is less
_TRIAL = np.radians(0.8)  # radians; a turn by half of it is told by glints, which are small
_ALONG = np.linspace(-1.55, 1.55, 141)  # limbus radii: a side of the compared square, as far as the cut
_BURNT = 250  # grey levels; what is burnt out in one copy may still show in the other
_FINE, _COARSE = 0.015, 0.06  # limbus radii: detail that survives a resize and strong compression
_AROUND = 21  # points, half a limbus radius: over it contrast is made even
_DARK = 3.0  # grey levels; in what is darker there is more noise than contrast
_NOISE = 0.003  # of the brightness; less counts as no contrast
_LEAST_DEPTH = 0.5  # of that in the middle; a plane seen at 45 degrees from a foot away has more
_STEPS = (
    4  # from the eye's map, good to a pixel or two where a copy lost detail, and to more where it is aslant
)
_FEW = 0.005  # of the square; with less nothing is told from chance
_NEAR = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))  # reaches as far as a mean over coarse detail
# Moves along x and y, growth, turn, two that change the shape, and two by which a plane is seen aslant.
_MOVES = np.array(
    [
        [[0, 0, 1], [0, 0, 0], [0, 0, 0]],
        [[0, 0, 0], [0, 0, 1], [0, 0, 0]],
        [[1, 0, 0], [0, 1, 0], [0, 0, 0]],  # growth
        [[0, -1, 0], [1, 0, 0], [0, 0, 0]],  # turn
        [[1, 0, 0], [0, -1, 0], [0, 0, 0]],
        [[0, 1, 0], [1, 0, 0], [0, 0, 0]],
        [[0, 0, 0], [0, 0, 0], [1, 0, 0]],
        [[0, 0, 0], [0, 0, 0], [0, 1, 0]],
    ],
    np.float64,
)
_PLACING = 3  # of them find the place; the turn is the eye's own, which nothing else tells as well
_SIMILAR, _AFFINE = 4, 6  # of them keep the shape; of the little that surrounds an eye no shape can be told


def same_exposure(seated: EyePicture, supine: EyePicture, matrix: Doubles) -> bool:
    """Whether one map lays the eye of one picture and all that surrounds it on that of the other.

    Parameters
    ----------
    seated, supine : EyePicture
    matrix : (2, 3) ndarray
        Map of seated to supine coordinates in limbus radii, y up.

    Notes
    -----
    In two exposures lids, lashes and skin have moved against the eye, head and gaze have changed its shape,
    and the pupil its size; a copy keeps all of it, whatever was done to its tones, size, angle or detail.
    So one map is fitted to everything (S. Baker, I. Matthews, doi 10.1023/B:VISI.0000011205.11775.fd, with
    the gradient of both pictures), and it is asked how far the eye, and what surrounds it, still lie off it:
    a similarity, turned as the eye is; or, much more closely, the map of one plane on another, since a copy
    may have been stretched, or be a photograph of a print or a screen.  A copy saved at a quality of 5 can
    lie farther than the limits; so can a burst in which eye and head kept still lie closer.
    """
    if np.array_equal(seated.rgb, supine.rgb):  # told without the map, which much noise leads astray
        return True
    pair = _Compared.of(seated, supine)
    as_the_eye = np.vstack([matrix, [0.0, 0.0, 1.0]])
    if not pair.surroundings_may_be_alike(as_the_eye):  # the usual pair, told at little cost
        return False
    off = pair.lies_off(as_the_eye, len(_MOVES))
    if math.isinf(off):
        return False
    return off < _STRETCHED or pair.lies_off(_nearest_similarity(matrix), _PLACING) < _STILL


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """Move that brings the second picture nearer: its matrix (3, 3), root mean square, correlation before."""

    move: Doubles
    size: float
    correlation: float


@dataclass(frozen=True, slots=True, eq=False)
class _Grey:
    """Slightly blurred brightness of an eye's cut, on a lattice.

    Its logarithm is compared: exposure, contrast and a vignette only add to it or stretch it, and what they
    add is no detail.
    """

    eye: EyePicture
    inside: Floats
    lattice: Floats
    step: int

    @classmethod
    def of(cls, eye: EyePicture) -> "_Grey":
        colour, step = lattice_blur(eye.rgb, _FINE * eye.px_per_radius)
        grey = cv2.transform(colour, np.full((1, 3), 1.0 / 3.0, np.float32))
        return cls(eye, eye.in_picture.astype(np.float32), np.asarray(grey, np.float32), step)

    def at(self, x: Doubles, y: Doubles) -> tuple[Floats, Mask]:
        """Logarithm of the brightness at places, and where it is that of the picture and not burnt out."""
        at = places(self.eye, x, y)
        seen = sample_lattice(self.lattice, self.step, at)
        lost = (sample_at(self.inside, at) < 0.99) | (seen > _BURNT)
        near = cv2.dilate(lost.astype(np.uint8), _NEAR)  # it has a part in the detail beside it
        return np.log(seen + np.float32(_DARK)), near == 0


@dataclass(frozen=True, slots=True, eq=False)
class _Compared:
    """The seated picture on a square of points, its parts, and the picture that is laid on it."""

    x: Doubles
    y: Doubles
    seen: Floats
    usable: Mask
    eye: Mask
    around: Mask | None
    supine: _Grey

    @classmethod
    def of(cls, seated: EyePicture, supine: EyePicture) -> "_Compared":
        x, y = np.meshgrid(_ALONG, _ALONG)
        seen, usable = _Grey.of(seated).at(x, y)
        radius = np.hypot(x, y)
        usable &= radius < _REACH
        stays = usable & (sample_at(seated.valid.astype(np.float32), places(seated, x, y)) < 0.5)
        around = stays & (radius > _OUTSIDE)
        enough = around.sum() > _ENOUGH * around.size
        return cls(x, y, seen, usable, radius < _OUTSIDE, around if enough else None, _Grey.of(supine))

    def surroundings_may_be_alike(self, placed: Doubles) -> bool:
        """Whether what surrounds the eye resembles that of the other picture; True where nothing does."""
        if self.around is None:
            return True
        step = self.step(placed, self.around, _PLACING)
        return step is not None and step.correlation > _LIKENESS

    def glints_coincide(self, placed: Doubles) -> bool:
        """Whether glints on iris and pupil lie where they do in the other picture, and not turned from it."""
        first = _detail(self.seen)
        spots = (np.hypot(self.x, self.y) < _INSIDE) & (first > _GLINT)
        if spots.sum() < _SPOT * spots.size:
            return False
        before, at_map, after = (self._likeness(first, spots, placed, by) for by in (-_TRIAL, 0.0, _TRIAL))
        bend = before + after - 2.0 * at_map
        turned = 0.5 * (before - after) / bend * _TRIAL if bend < 0.0 else np.inf
        return bool(at_map > _COINCIDE and abs(turned) < _TRIAL / 2.0)

    def _likeness(self, first: Floats, spots: Mask, placed: Doubles, turn: float) -> float:
        """Correlation about spots, with the seated picture turned first, radians."""
        seen, _ = self._laid(placed @ (np.eye(3) + turn * _MOVES[_PLACING]))
        a, b = first[spots], _detail(seen)[spots]
        a, b = a - a.mean(), b - b.mean()
        energy = float(a @ a) * float(b @ b)
        return float(a @ b) / math.sqrt(energy) if energy > 0.0 else 0.0

    def _laid(self, placed: Doubles) -> tuple[Floats, Mask]:
        """Brightness and use of the other picture at the points, as a (3, 3) map lays them on it."""
        x, y, depth = (row[0] * self.x + row[1] * self.y + row[2] for row in placed)
        near = np.maximum(depth, _LEAST_DEPTH)
        return self.supine.at(x / near, y / near)

    def lies_off(self, placed: Doubles, moves: int) -> float:
        """How far eye and surroundings lie off where such moves of the whole bring them, limbus radii."""
        everywhere = np.ones_like(self.eye)
        for taken in range(_STEPS):
            step = self.step(placed, everywhere, moves)
            if step is None or (taken and step.correlation < _ALIKE):
                return math.inf
            placed = placed @ (np.eye(3) + step.move)
        if self.around is None and not self.glints_coincide(placed):
            return math.inf
        parts = [self.step(placed, self.eye, _AFFINE)]
        if self.around is not None:
            parts.append(self.step(placed, self.around, _SIMILAR))
        if any(part is None or part.correlation < _ALIKE for part in parts):
            return math.inf
        return math.hypot(*(part.size for part in parts if part is not None))

    def step(self, placed: Doubles, part: Mask, moves: int) -> _Step | None:
        """Least-squares move of a part of the seated picture; None where too little of it is in both."""
        seen, common = self._laid(placed)
        common &= self.usable
        used = common & part
        if used.sum() < _FEW * used.size:
            return None
        first = _even_detail(self.seen, common)
        second = _even_detail(seen, common)
        a, b = first[used], second[used]
        if not (a.any() and b.any()):
            return None
        gain = float(np.sqrt((b @ b) / (a @ a)))
        down, right = np.gradient(0.5 * (gain * first + second), _ALONG[1] - _ALONG[0])
        x, y, right, down = self.x[used], self.y[used], right[used], down[used]
        at = np.stack([x, y, np.ones(len(a))])
        slope = np.stack([right, down, -(x * right + y * down)])  # of depth: what comes nearer grows
        slopes = _MOVES[:moves].reshape(moves, -1) @ (slope[:, None] * at).reshape(_MOVES[0].size, -1)
        normal = slopes @ slopes.T
        normal += 1e-6 * np.trace(normal) / moves * np.eye(moves)  # no texture, no move
        move = np.tensordot(np.linalg.solve(normal, slopes @ (gain * a - b)), _MOVES[:moves], 1)
        across, up, nearer = move @ at
        size = float(np.sqrt(((across - nearer * x) ** 2 + (up - nearer * y) ** 2).mean()))
        return _Step(move, size, float(a @ b) / (gain * float(a @ a)))


def _nearest_similarity(matrix: Doubles) -> Doubles:
    """(3, 3) similarity that is nearest to an affine map."""
    left, scales, right = np.linalg.svd(matrix[:, :2])
    near = np.eye(3)
    near[:2, :2], near[:2, 2] = scales.mean() * left @ right, matrix[:, 2]
    return near


def _detail(seen: Floats) -> Floats:
    return np.asarray(seen - cv2.GaussianBlur(seen, (0, 0), _COARSE / (_ALONG[1] - _ALONG[0])), np.float32)


def _even_detail(seen: Floats, where: Mask) -> Floats:
    """Detail at the points, of about the same contrast everywhere."""
    weight = where.astype(np.float32)
    detail = _detail(seen) * weight
    power, share = (cv2.blur(part, (_AROUND, _AROUND)) for part in (detail**2, weight))
    return np.asarray(detail / np.sqrt(power / (share + 1e-3) + _NOISE**2), np.float32)
