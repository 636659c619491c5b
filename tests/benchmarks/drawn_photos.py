"""Drawn photos of one eye in both postures, with the truth about each, kept in a folder once they are drawn.

Drawing takes a second or two a photo, and more than one study looks at the same ones.
"""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

import synthetic
from synthetic.eye import Laterality
from synthetic.presets import Preset
from tests.benchmarks.photos import read_rgb

__all__ = ["Circle", "DrawnPhoto", "draw_photos", "drawn_photos"]

_MOST_DEG = 12.0  # of torsion between the postures; seated eyes are turned a little too


class Circle(NamedTuple):
    """Middle and radius of an outline, pixels of the picture."""

    x_px: float
    y_px: float
    radius_px: float


class DrawnPhoto(NamedTuple):
    """A drawn photo, which eye it shows, its posture (0 seated, 1 supine) and the truth about it."""

    rgb: NDArray[np.uint8]
    eye: Laterality
    posture: int
    rotation_deg: float
    limbus: Circle
    pupil: Circle


def draw_photos(preset: Preset, seed: int, *, shots: tuple[int, int]) -> Iterator[DrawnPhoto]:
    """Draw the eye of that number, so many photos of it seated and so many supine.

    Each photo has a generator of its own, so that asking for fewer does not change the others.
    """
    eye = synthetic.random_eye(np.random.default_rng(seed))
    for posture, count in enumerate(shots):
        for shot in range(count):
            rng = np.random.default_rng([seed, posture, shot])
            turn = rng.uniform(-_MOST_DEG, _MOST_DEG)
            view = synthetic.draw_views(eye, preset, rng, rotation_deg=turn)[posture]
            drawn = synthetic.draw_picture(eye, view, rng)
            limbus, pupil = (Circle(*_middle(outline)) for outline in (drawn.limbus, drawn.pupil))
            yield DrawnPhoto(drawn.rgb, eye.laterality, posture, drawn.rotation_deg, limbus, pupil)


def _middle(outline: synthetic.Ellipse) -> tuple[float, float, float]:
    return outline.x_px, outline.y_px, outline.radius_px


def drawn_photos(
    preset: Preset, seed: int, *, shots: tuple[int, int], cache: Path | None
) -> list[DrawnPhoto]:
    """Take the photos from the cache, or draw them and keep them there.

    The cache is a folder; what another version of the renderer drew lies in another folder in it.
    """
    if cache is None:
        return list(draw_photos(preset, seed, shots=shots))
    home = cache / _renderer_digest()
    home.mkdir(parents=True, exist_ok=True)
    truths = home / f"{preset}-{seed}-{shots[0]}-{shots[1]}.json"
    if not truths.exists():
        _keep(list(draw_photos(preset, seed, shots=shots)), truths)
    photos = []
    for number, (eye, posture, turn_deg, limbus, pupil) in enumerate(json.loads(truths.read_text())):
        rgb = read_rgb(_picture_file(truths, number))
        photos.append(DrawnPhoto(rgb, eye, posture, turn_deg, Circle(*limbus), Circle(*pupil)))
    return photos


def _keep(photos: list[DrawnPhoto], truths: Path) -> None:
    """Write pictures without loss, and the truths last and at once: where they stand, all is there."""
    for number, photo in enumerate(photos):
        cv2.imwrite(str(_picture_file(truths, number)), photo.rgb[..., ::-1])
    part = truths.with_suffix(".part")
    part.write_text(json.dumps([photo[1:] for photo in photos]))
    part.replace(truths)


def _picture_file(truths: Path, number: int) -> Path:
    return truths.with_name(f"{truths.stem}-{number}.png")


def _renderer_digest() -> str:
    sources = sorted(Path(synthetic.__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()[:12]
