"""The general recipe, the peer to be measured against: local features, RANSAC, affine alignment.

What any engineer would try first, written with care: contrast-equalised green channel, SIFT inside the eye,
ratio test, matches limited to plausible moves, RANSAC similarity, then a masked and robust affine
Gauss-Newton alignment of the locally normalised pictures.  It imports nothing from the package.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.alignment import MAX_SCALE, MIN_SCALE, align, normalised, rotation_deg, square
from tests.benchmarks.guess import Limbus

__all__ = ["RecipePhoto", "RecipeResult", "match_recipe", "prepare_recipe", "register_recipe"]

RADIUS_PX = (
    200.0  # limbus radius after rescaling; features of colour photos lose nothing, small ones are enlarged
)
REACH = 1.5  # the eye: a disc of this many limbus radii
RING = (0.5, 1.4)  # aligned: the pupil changes size and carries reflections, far sclera has another depth
MAX_TURN_DEG = 25.0
RATIO = 0.8
TOLERANCE_PX = 5.0
HYPOTHESES = 4000
_Float = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RecipePhoto:
    """A photo made ready: normalised patch with its features.

    ``to_photo`` (2, 3) maps patch pixels to photo pixels; ``radius_px`` is the unit of the patch's geometry.
    """

    green: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    to_photo: _Float
    centre_px: complex
    radius_px: float
    points: NDArray[np.complex128]
    angles_deg: NDArray[np.float32]
    sizes: NDArray[np.float32]
    descriptors: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class RecipeResult:
    """What the recipe says about a pair.

    Attributes
    ----------
    rotation_deg : float or None
        Turn of the second eye against the first, counter-clockwise as seen positive; None if nothing matched.
    score : float
        Inliers of the similarity; 0 if nothing matched.
    matrix : ndarray, shape (2, 3), or None
        Affine map from pixels of the first photo to pixels of the second.
    matches : int
        Matches that passed the ratio test and the limits.
    correlation : float or None
        Correlation of the locally normalised pictures under the refined map; None without refinement.
    """

    rotation_deg: float | None
    score: float
    matrix: _Float | None
    matches: int
    correlation: float | None = None


def register_recipe(
    first_rgb: NDArray[np.uint8],
    second_rgb: NDArray[np.uint8],
    *,
    refine: bool = True,
    first_limbus: Limbus | None = None,
    second_limbus: Limbus | None = None,
) -> RecipeResult:
    """Register two photos by the general recipe.

    Parameters
    ----------
    first_rgb, second_rgb : ndarray, shape (H, W) or (H, W, 3), uint8
        Pictures in RGB or grey.
    refine : bool
        Align by Gauss-Newton after the features.
    first_limbus, second_limbus : Limbus, optional
        Where the eyes are; without one the whole picture is searched.
    """
    first = prepare_recipe(first_rgb, limbus=first_limbus)
    return match_recipe(first, prepare_recipe(second_rgb, limbus=second_limbus), refine=refine)


def prepare_recipe(
    photo: NDArray[np.uint8], *, limbus: Limbus | None = None, stays: NDArray[np.bool_] | None = None
) -> RecipePhoto:
    """Crop and rescale to the eye, equalise the contrast, find the features.

    ``stays`` (H, W) marks skin, lids and glints, which hold no feature and are left out of the alignment.
    """
    height, width = photo.shape[:2]
    if limbus is None:
        x, y, radius, half = (
            (width - 1) / 2,
            (height - 1) / 2,
            0.25 * min(width, height),
            0.5 * max(width, height),
        )
    else:
        x, y, radius = limbus.x_px, limbus.y_px, limbus.radius_px
        half = REACH * radius
    zoom = RADIUS_PX / radius
    side = 2 * int(np.ceil(half * zoom)) + 1
    to_photo = np.array([[1 / zoom, 0, x - side // 2 / zoom], [0, 1 / zoom, y - side // 2 / zoom]])
    if zoom < 1:  # against aliasing
        photo = cv2.GaussianBlur(photo, (0, 0), 0.5 * np.sqrt(1 / zoom**2 - 1) + 1e-3)
    patch = cv2.warpAffine(photo, to_photo, (side, side), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
    usable = np.ones((height, width), np.uint8) if stays is None else (~stays).astype(np.uint8)
    inside = cv2.warpAffine(usable, to_photo, (side, side), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    green = np.ascontiguousarray(patch if patch.ndim == 2 else patch[..., 1])
    if limbus is not None:
        inside &= _annulus(side, (0.0, REACH))
    equal = cv2.createCLAHE(3.0, (8, 8)).apply(green)
    found, descriptors = cv2.SIFT_create(contrastThreshold=0.01, edgeThreshold=15).detectAndCompute(
        equal, inside
    )
    if descriptors is None:
        descriptors = np.zeros((0, 128), np.float32)
    descriptors = np.sqrt(descriptors / (descriptors.sum(axis=1, keepdims=True) + 1e-9))  # Hellinger distance
    return RecipePhoto(
        green=green,
        valid=(inside if limbus is None else inside & _annulus(side, RING)) > 0,
        to_photo=to_photo,
        centre_px=complex(side // 2, side // 2),
        radius_px=RADIUS_PX,
        points=np.array([complex(*point.pt) for point in found], dtype=complex),
        angles_deg=np.array([point.angle for point in found], dtype=np.float32),
        sizes=np.array([point.size for point in found], dtype=np.float32),
        descriptors=descriptors,
    )


def _annulus(side: int, limits: tuple[float, float]) -> NDArray[np.uint8]:
    rows, columns = np.ogrid[:side, :side]
    radius = np.hypot(rows - side // 2, columns - side // 2) / RADIUS_PX
    return ((radius >= limits[0]) & (radius <= limits[1])).astype(np.uint8)


def match_recipe(first: RecipePhoto, second: RecipePhoto, *, refine: bool = True) -> RecipeResult:
    """Register two photos made ready by :func:`prepare_recipe`."""
    here, there = _matches(first, second)
    similarity, score = _ransac(first.points[here], second.points[there])
    if similarity is None:
        return RecipeResult(None, 0.0, None, len(here))
    result = RecipeResult(rotation_deg(similarity), float(score), similarity, len(here))
    if refine:
        one, two = (
            normalised(photo.green, photo.valid, radius_px=photo.radius_px) for photo in (first, second)
        )
        affine, correlation = align(one, first.valid, two, second.valid, similarity)
        result = replace(result, rotation_deg=rotation_deg(affine), matrix=affine, correlation=correlation)
    assert result.matrix is not None
    to_photo = square(second.to_photo) @ square(result.matrix) @ np.linalg.inv(square(first.to_photo))
    return replace(result, matrix=to_photo[:2])


def _matches(first: RecipePhoto, second: RecipePhoto) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Match the features: ratio test among the plausible candidates, mutual best."""
    if min(len(first.points), len(second.points)) < 2:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    distance = np.sqrt(np.clip(2.0 - 2.0 * (first.descriptors @ second.descriptors.T), 0.0, None))
    turn = np.abs(np.subtract.outer(first.angles_deg, second.angles_deg))
    # A keypoint's own direction and size are good to about 10 degrees and 20 %.
    plausible = np.minimum(turn, 360.0 - turn) <= MAX_TURN_DEG + 10.0
    scale = np.subtract.outer(np.log(first.sizes), np.log(second.sizes))
    plausible &= (scale <= -np.log(MIN_SCALE / 1.2)) & (scale >= -np.log(MAX_SCALE * 1.2))
    here, there = first.points - first.centre_px, second.points - second.centre_px
    for part in (np.real, np.imag):
        plausible &= np.abs(np.subtract.outer(part(here), part(there)).astype(np.float32)) <= RADIUS_PX
    distance[~plausible] = 9.0
    rows = np.arange(len(distance))
    column = distance.argmin(axis=1)
    mutual = distance.argmin(axis=0)[column] == rows
    nearest = distance[rows, column]
    distance[rows, column] = 9.0
    rival = np.minimum(distance.min(axis=1), 1.4)  # unrelated descriptors are about that far apart
    keep = mutual & (nearest < RATIO * rival)
    return rows[keep], column[keep]


def _ransac(first: NDArray[np.complex128], second: NDArray[np.complex128]) -> tuple[_Float | None, int]:
    """Plausible similarity with the most inliers, refitted to them; the same pair gives the same answer."""
    if len(first) < 3:
        return None, 0
    rng = np.random.default_rng(len(first))
    one, two = rng.integers(len(first), size=(2, HYPOTHESES))
    apart = np.abs(first[two] - first[one]) > 20.0
    one, two = one[apart], two[apart]
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = (second[two] - second[one]) / (first[two] - first[one])
    shift = second[one] - turn * first[one]
    keep = _plausible(turn)
    turn, shift = turn[keep], shift[keep]
    if not len(turn):
        return None, 0
    counts = [
        (np.abs(turn[i : i + 500, None] * first + shift[i : i + 500, None] - second) < TOLERANCE_PX).sum(
            axis=1
        )
        for i in range(0, len(turn), 500)
    ]
    best = int(np.concatenate(counts).argmax())
    a, b = turn[best], shift[best]
    inliers = np.abs(a * first + b - second) < TOLERANCE_PX
    for _ in range(5):
        if inliers.sum() < 3:
            return None, 0
        p, q = first[inliers], second[inliers]
        a = np.vdot(p - p.mean(), q - q.mean()) / np.vdot(p - p.mean(), p - p.mean())
        b = q.mean() - a * p.mean()
        inliers = np.abs(a * first + b - second) < TOLERANCE_PX
    if not _plausible(np.array([a]))[0]:
        return None, 0
    matrix = np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag]])
    return matrix, int(inliers.sum())


def _plausible(turn: NDArray[np.complex128]) -> NDArray[np.bool_]:
    size = np.abs(turn)
    return (np.abs(np.angle(turn, deg=True)) <= MAX_TURN_DEG) & (size >= MIN_SCALE) & (size <= MAX_SCALE)
