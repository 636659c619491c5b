"""A folder of real photos kept outside the checkout, the pairs in it and pictures made from them.

The environment variable ``TORSION_PHOTOS`` names the folder, laid out as ``SET/EYE/SHOT.jpg`` (or ``.bmp``,
``.png``): one folder for each set of like photos, in it one for each eye.
"""

import itertools
import os
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.guess import Limbus

__all__ = [
    "VARIABLE",
    "different_eye_pairs",
    "list_eyes",
    "photo_folder",
    "read_rgb",
    "same_eye_pairs",
    "swapped_surroundings",
    "triples",
    "turned_ring",
]

VARIABLE = "TORSION_PHOTOS"
_SUFFIXES = {".jpg", ".jpeg", ".bmp", ".png"}

Picture = NDArray[np.uint8]
Pair = tuple[Path, Path]
Eyes = dict[str, list[Path]]


def photo_folder() -> Path | None:
    """Folder named by the environment variable; None if it is not set or not there."""
    name = os.environ.get(VARIABLE)
    return Path(name) if name and Path(name).is_dir() else None


def list_eyes(folder: Path, set_name: str, *, limit: int | None = None) -> Eyes:
    """Shots of every eye of a set, both sorted by name; ``limit`` keeps the first eyes only."""
    home = folder / set_name
    if not home.is_dir():
        known = sorted(p.name for p in folder.iterdir() if p.is_dir())
        msg = f"no set {set_name!r} among the photos; there are {known}"
        raise FileNotFoundError(msg)
    eyes = {}
    for eye in sorted(p for p in home.iterdir() if p.is_dir()):
        shots = sorted(p for p in eye.iterdir() if p.suffix.lower() in _SUFFIXES)
        if shots:
            eyes[eye.name] = shots
    return dict(itertools.islice(eyes.items(), limit))


def read_rgb(path: Path) -> Picture:
    """Read a photo as RGB, shape (H, W, 3)."""
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        msg = f"{path.name} cannot be read as a picture"
        raise ValueError(msg)
    return np.ascontiguousarray(picture[..., ::-1])


def same_eye_pairs(eyes: Eyes) -> list[Pair]:
    """All pairs of shots of one eye; mirrored pairs are these with the second picture mirrored."""
    return [pair for shots in eyes.values() for pair in itertools.combinations(shots, 2)]


def triples(eyes: Eyes) -> list[tuple[Path, Path, Path]]:
    """All triples of shots of one eye, in the order of their pairs."""
    return [triple for shots in eyes.values() for triple in itertools.combinations(shots, 3)]


def different_eye_pairs(eyes: Eyes, *, count: int | None, rng: np.random.Generator) -> list[Pair]:
    """Pairs of shots of different eyes: all of them, or a sample without repetition.

    The sample draws pairs of eyes first, so that it covers as many of them as it can.
    """
    names = list(eyes)
    both = list(itertools.combinations(names, 2))
    total = sum(len(eyes[a]) * len(eyes[b]) for a, b in both)
    if count is None or count >= total:
        return [pair for a, b in both for pair in itertools.product(eyes[a], eyes[b])]
    queues = {}
    for a, b in both:
        pairs = list(itertools.product(eyes[a], eyes[b]))
        queues[a, b] = [pairs[k] for k in rng.permutation(len(pairs))]
    chosen: list[Pair] = []
    while len(chosen) < count:
        for k in rng.permutation(len(both)):
            if queues[both[k]] and len(chosen) < count:
                chosen.append(queues[both[k]].pop())
    return chosen


def turned_ring(
    photo: Picture,
    limbus: Limbus,
    stays: NDArray[np.bool_],
    *,
    angle_deg: float,
    reach: float = 1.35,
    feather: float = 0.12,
) -> Picture:
    """Turn only the eye of a photo about the centre of its limbus.

    Parameters
    ----------
    photo : ndarray, shape (H, W) or (H, W, 3), uint8
        Picture in RGB or grey.
    limbus : Limbus
        Centre and outline; an ellipse is turned in its own plane.
    stays : ndarray, shape (H, W), bool
        Skin, lids, lashes and glints: they stay where they are.  Where the turned eye would need what they
        hide, a smooth continuation of the eye is drawn.
    angle_deg : float
        Turn, counter-clockwise as seen.
    reach : float
        Everything within so many limbus radii turns as a whole.
    feather : float
        Width, in limbus radii, over which the turned picture fades into the photo.

    Returns
    -------
    ndarray
        Like `photo`.
    """
    fill = _continued(photo, ~stays)
    to_circle, centre = _to_circle(limbus)
    angle = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])  # y grows downwards
    linear = np.linalg.inv(to_circle) @ turn @ to_circle
    matrix = np.column_stack([linear, centre - linear @ centre])
    size = photo.shape[1], photo.shape[0]
    turned = cv2.warpAffine(fill, matrix, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)
    soft = cv2.GaussianBlur((~stays).astype(np.float32), (0, 0), max(0.015 * limbus.radius_px, 0.5))
    share = np.clip(2.0 * soft - 1.0, 0.0, 1.0)  # fades inside the eye: no pixel that stays is touched
    share *= np.clip((reach + feather - _radii(photo, limbus)) / feather, 0.0, 1.0)
    return _blend(photo, turned, share)


def swapped_surroundings(
    photo: Picture,
    limbus: Limbus,
    other: Picture,
    other_limbus: Limbus,
    *,
    reach: float = 1.5,
    feather: float = 0.15,
) -> Picture:
    """Replace everything beyond `reach` limbus radii by that of another photo.

    The other photo is shifted and scaled so that both limbi coincide; beyond its edges it is reflected.
    """
    zoom = limbus.radius_px / other_limbus.radius_px
    shift = limbus.x_px - zoom * other_limbus.x_px, limbus.y_px - zoom * other_limbus.y_px
    matrix = np.array([[zoom, 0.0, shift[0]], [0.0, zoom, shift[1]]])
    size = photo.shape[1], photo.shape[0]
    moved = cv2.warpAffine(other, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101)
    share = np.clip((_radii(photo, limbus) - reach) / feather, 0.0, 1.0)
    return _blend(photo, moved, share)


def _to_circle(limbus: Limbus) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Linear map that takes the limbus ellipse about its centre to a circle, and the centre."""
    tilt = -np.deg2rad(limbus.tilt_deg)
    along = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    stretch = along @ np.diag([1.0, 1.0 / limbus.ratio]) @ along.T
    return stretch, np.array([limbus.x_px, limbus.y_px])


def _radii(photo: Picture, limbus: Limbus) -> NDArray[np.float32]:
    """Distance of every pixel from the centre, in limbus radii."""
    stretch, centre = _to_circle(limbus)
    stretch = stretch / limbus.radius_px
    x = np.arange(photo.shape[1], dtype=np.float32)[None, :] - centre[0]
    y = np.arange(photo.shape[0], dtype=np.float32)[:, None] - centre[1]
    return np.hypot(stretch[0, 0] * x + stretch[0, 1] * y, stretch[1, 0] * x + stretch[1, 1] * y)


def _blend(below: Picture, above: Picture, share: NDArray[np.float32]) -> Picture:
    weight = share if below.ndim == 2 else share[..., None]
    mixed = below + weight * (above.astype(np.float32) - below)
    return np.clip(np.rint(mixed), 0, 255).astype(np.uint8)


def _continued(photo: Picture, known: NDArray[np.bool_]) -> Picture:
    """Fill the unknown pixels smoothly from the known ones about them, coarse to fine."""
    levels = [(photo.astype(np.float32) * _like(known, photo), known.astype(np.float32))]
    while min(levels[-1][1].shape) > 8:
        picture, weight = (cv2.pyrDown(part) for part in levels[-1])
        levels.append(
            (picture / np.maximum(_like(weight, picture), 1e-6), (weight > 1e-3).astype(np.float32))
        )
        levels[-1] = levels[-1][0] * _like(levels[-1][1], picture), levels[-1][1]
    filled = levels[-1][0]
    for picture, weight in levels[-2::-1]:
        coarse = cv2.pyrUp(filled, dstsize=(picture.shape[1], picture.shape[0]))
        filled = picture + (1.0 - _like(weight, picture)) * coarse
    return np.clip(np.rint(filled), 0, 255).astype(np.uint8)


def _like(weight: NDArray[np.generic], picture: NDArray[np.generic]) -> NDArray[np.generic]:
    return weight if picture.ndim == 2 else weight[..., None]
