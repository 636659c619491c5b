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

from torsion.limbus_guess import Limbus
from torsion.turned_ring import blended, limbal_radii, turned_ring

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
    share = np.clip((limbal_radii(photo, limbus) - reach) / feather, 0.0, 1.0)
    return blended(photo, moved, share)
