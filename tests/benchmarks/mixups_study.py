"""How often a photo shows its side, right or wrong, an order is doubted, and a turned view is measured.

``TORSION_PHOTOS=... python -m tests.benchmarks.mixups_study --set NAME`` on real photos, whose eyes are named
so that OD or OS ends the name; ``--eyes 16`` on drawn pairs of each class.
"""

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import permutations
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

import synthetic
import torsion
from synthetic.presets import Preset
from tests.benchmarks.photos import list_eyes
from torsion.angles import wrap_rotation_deg
from torsion.intake import photo_from_array
from torsion.order import order_signs
from torsion.photo import TURNS, Turn
from torsion.preparation import PreparedPhoto, prepare

PRESETS: tuple[Preset, ...] = ("moderate", "hard", "dilated")


def side(prepared: PreparedPhoto, truth: str) -> str:
    """Say what an upright photo shows of its side."""
    shown = prepared.laterality.upright
    return "not visible" if shown is None else "stated eye" if shown == truth else "other eye"


def is_doubted(first: PreparedPhoto, second: PreparedPhoto, *, times: bool) -> bool:
    """Whether anything speaks for an exchange of two photos."""
    if first.picture is None or second.picture is None:
        return False
    pupils = first.measures["pupil_ratio"], second.measures["pupil_ratio"]
    captured_at = (first.photo.captured_at, second.photo.captured_at) if times else (None, None)
    exposed = min(first.measures[name] or 0.0 for name in ("exposed_upper", "exposed_lower"))
    return bool(
        order_signs(first.picture, second.picture, pupils=pupils, captured_at=captured_at, exposed=exposed)
    )


def study_real(eyes: Iterable[Sequence[Path]]) -> Counter[str]:
    """Count over real photos of one posture: each side, its mirror image, and each order of each pair."""
    counts: Counter[str] = Counter()
    for paths in eyes:
        truth = paths[0].parent.name[-2:]
        photos = [prepare(path) for path in sorted(paths)]
        for photo in photos:
            counts[f"photo shows {side(photo, truth)}"] += 1
            mirrored = prepare(photo_from_array(np.ascontiguousarray(photo.photo.pixels[:, ::-1])))
            counts[f"mirrored photo shows {side(mirrored, truth)}"] += 1
        for first, second in permutations(photos, 2):
            counts["ordered pairs"] += 1
            counts["doubted by more than time"] += is_doubted(first, second, times=False)
            if first.photo.captured_at and second.photo.captured_at:
                later = first.photo.captured_at > second.photo.captured_at
                doubted = is_doubted(first, second, times=True)
                counts[f"{'later' if later else 'earlier'} first"] += 1
                counts[f"{'later' if later else 'earlier'} first, doubted"] += doubted
    return counts


def study_drawn(preset: Preset, eyes: int) -> Counter[str]:
    """Count over drawn pairs, in their order and exchanged."""
    counts: Counter[str] = Counter()
    for seed in range(eyes):
        rng = np.random.default_rng([seed, 900])
        eye = synthetic.random_eye(rng, laterality="OD" if seed % 2 else "OS")
        pair = synthetic.draw_pair(eye, preset, rng, width_px=720, height_px=480)
        first, second = (prepare(picture.rgb) for picture in pair)
        for photo in (first, second):
            counts[f"photo shows {side(photo, eye.laterality)}"] += 1
        counts["pairs"] += 1
        counts["doubted"] += is_doubted(first, second, times=False)
        counts["exchanged, doubted"] += is_doubted(second, first, times=False)
        truth = pair[1].rotation_deg - pair[0].rotation_deg
        for turn in TURNS:
            counts += turned_view(first, pair[1].rgb, turn, truth)
    return counts


def turned_view(first: PreparedPhoto, rgb: NDArray[np.uint8], turn: Turn, truth_deg: float) -> Counter[str]:
    """Measure a supine picture as turned, the turn being stated, and count what comes of it."""
    options = torsion.MeasureOptions(turned_deg=turn)
    found = torsion.measure(first, np.ascontiguousarray(np.rot90(rgb, turn // 90)), options=options)
    counts = Counter({f"turned by {turn}, accepted": int(found.verdict == "accept")})
    if found.verdict == "accept":
        counts["accepted, over 0.3 degrees off"] += (
            abs(wrap_rotation_deg(found.rotation_deg - truth_deg)) > 0.3
        )
    return counts


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--set", help="set of real photos in the folder that TORSION_PHOTOS names")
    parser.add_argument("--limit-eyes", type=int, help="first eyes of the set only")
    parser.add_argument("--eyes", type=int, default=0, help="drawn eyes of each class")
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    if options.set:
        folder = Path(os.environ["TORSION_PHOTOS"])
        eyes = list_eyes(folder, options.set, limit=options.limit_eyes)
        print(options.set, dict(study_real(eyes.values())))
    for preset in PRESETS if options.eyes else ():
        print(preset, dict(study_drawn(preset, options.eyes)))


if __name__ == "__main__":
    sys.exit(main())
