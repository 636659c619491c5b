"""One photo given twice, the copy in disguise: the most confident wrong answer there is, never accepted.

A copy always matches, at the rotation that was put in, whatever the eye did between two photos.
"""

import io
from functools import cache
from itertools import combinations

import cv2
import numpy as np
import pytest
from PIL import Image

import synthetic
import torsion

pytestmark = pytest.mark.slow


def saved(photo, quality):
    file = io.BytesIO()
    Image.fromarray(photo).save(file, "JPEG", quality=quality)
    return np.asarray(Image.open(file))


def resized(photo, size):
    method = cv2.INTER_AREA if size < 1 else cv2.INTER_CUBIC
    return cv2.resize(photo, None, fx=size, fy=size, interpolation=method)


def cropped(photo, share):
    """Cut a share off the height and width, more at one side than at the other."""
    rows, columns = (round(share * side) for side in photo.shape[:2])
    return photo[rows // 3 : rows // 3 - rows, columns // 4 : columns // 4 - columns]


def turned(photo, angle_deg):
    height, width = photo.shape[:2]
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), angle_deg, 1.0)
    how = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_REPLICATE}
    return cv2.warpAffine(photo, matrix, (width, height), **how)


def lit(photo, *, gain=(1.0, 1.0, 1.0), power=1.0):
    return np.clip(np.rint(255 * np.array(gain) * (photo / 255) ** power), 0, 255).astype(np.uint8)


def grey(photo):
    return np.repeat(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2)


def noisy(photo, sigma):
    noise = np.random.default_rng(0).normal(0.0, sigma, photo.shape)
    return np.clip(np.rint(photo + noise), 0, 255).astype(np.uint8)


# Of each sort of disguise the usual one first; it is the one that is combined with others.
DISGUISES = {
    "saved": [lambda photo, q=quality: saved(photo, q) for quality in (60, 30, 95)],
    "resized": [lambda photo, s=size: resized(photo, s) for size in (0.6, 0.5, 0.8, 1.2, 1.5)],
    "cropped": [lambda photo, s=share: cropped(photo, s) for share in (0.15, 0.3)],
    "on its side": [lambda photo, k=quarters: np.rot90(photo, k) for quarters in (1, 2, 3)],
    "turned": [lambda photo, a=angle: turned(photo, a) for angle in (4.0, 1.0, -2.0, 7.0, -10.0)],
    "lit": [
        lambda photo, s=settings: lit(photo, **s)
        for settings in (
            {"power": 0.7, "gain": (1.1, 1.0, 0.85)},
            {"power": 0.5},
            {"power": 1.6},
            {"gain": (1.25, 1.25, 1.25)},
            {"gain": (0.7, 0.7, 0.7)},
            {"gain": (0.85, 1.0, 1.2)},
        )
    ],
    "grey": [grey],
    "blurred": [lambda photo, s=sigma: cv2.GaussianBlur(photo, (0, 0), s) for sigma in (1.5, 0.8)],
    "noisy": [lambda photo, s=sigma: noisy(photo, s) for sigma in (5.0, 2.0, 10.0)],
    "mirrored": [lambda photo: photo[:, ::-1]],
}


@cache
def photo(preset, seed):
    eye = synthetic.random_eye(np.random.default_rng(seed))
    return synthetic.draw_pair(eye, preset, np.random.default_rng([seed, 7]))[1].rgb


@cache
def prepared(preset, seed):
    return torsion.prepare(photo(preset, seed))


def outcome(first, second):
    """Verdict and flags, None where the copy is refused as it must be."""
    found = torsion.measure(first, second)
    return None if found.verdict == "refuse" else (found.verdict, *found.flags)


def disguised(preset, seed, *steps):
    copy = photo(preset, seed)
    for step in steps:
        copy = np.ascontiguousarray(step(copy))
    return torsion.prepare(copy)


@pytest.mark.parametrize("sort", DISGUISES)
@pytest.mark.parametrize(("preset", "seed"), [("easy", 31), ("dilated", 33)])
def test_a_copy_in_disguise_is_refused(preset, seed, sort):
    original = prepared(preset, seed)
    copies = [disguised(preset, seed, disguise) for disguise in DISGUISES[sort]]
    pairs = [(copies[0], original), *((original, copy) for copy in copies)]
    assert not any(outcome(*pair) for pair in pairs)


@pytest.mark.parametrize(("one", "other"), list(combinations(DISGUISES, 2)))
def test_a_copy_in_two_disguises_is_refused(one, other):
    copy = disguised("moderate", 34, DISGUISES[one][0], DISGUISES[other][0])
    assert outcome(prepared("moderate", 34), copy) is None


def test_a_copy_blurred_much_is_refused():
    copy = disguised("easy", 31, lambda photo: cv2.GaussianBlur(photo, (0, 0), 2.5))
    assert outcome(prepared("easy", 31), copy) is None


def test_the_originals_are_accepted_against_another_photo():
    """Without this a picture that is refused anyhow would pass for a copy that was found out."""
    for preset, seed in (("easy", 31), ("dilated", 33), ("moderate", 34)):
        eye = synthetic.random_eye(np.random.default_rng(seed))
        other = synthetic.draw_pair(eye, preset, np.random.default_rng([seed, 7]))[0].rgb
        assert torsion.measure(other, prepared(preset, seed)).verdict == "accept"
