"""How far the centre of the seated pupil is carried astray, by the map of the limbus and by that of the iris.

``python -m tests.benchmarks.centre_study drawn --eyes 24`` on drawn pairs whose gaze changes, where the truth
is known; ``real --set NAME`` on real ones, where the pupil found in the second photo stands for it.
"""

import argparse
import itertools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

import synthetic
import torsion
from synthetic.geometry import project, pupil_center
from tests.benchmarks.photos import VARIABLE, list_eyes, photo_folder
from tests.benchmarks.progress import counted
from tests.benchmarks.summary import count_text
from torsion.aids import carried_centre
from torsion.centre import pixels_per_mm
from torsion.iris_map import iris_matrix

_TILT_DEG = 10.0  # largest change of gaze between the postures
_WIDE = (0.6, 0.7)  # pupil of every other supine photo, limbus radii

Point = NDArray[np.float64]


class Astray(NamedTuple):
    """One carried centre, mm of the supine photo (x right, y down).

    Attributes
    ----------
    missing_mm : (float, float)
        From where the map of the limbus carries it to where it belongs.
    shift_mm : (float, float)
        By which the map of the iris carries it further.
    stated_mm : float
        Standard uncertainty in each direction of what is reported.
    """

    missing_mm: tuple[float, float]
    shift_mm: tuple[float, float]
    stated_mm: float


def draw_tilted(seed: int) -> tuple[synthetic.Picture, synthetic.Picture]:
    """Draw an eye that looks elsewhere in the supine photo, every other one with a wide pupil there."""
    rng = np.random.default_rng([seed, 800])
    eye = synthetic.random_eye(rng)
    first, second = synthetic.draw_views(eye, "moderate", rng)
    size, toward = _TILT_DEG * np.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * np.pi)
    second = replace(
        second,
        yaw_deg=first.yaw_deg + float(size * np.cos(toward)),
        pitch_deg=first.pitch_deg + float(size * np.sin(toward)),
        pupil_ratio=float(rng.uniform(*_WIDE)) if seed % 2 else second.pupil_ratio,
    )
    return synthetic.draw_picture(eye, first, rng), synthetic.draw_picture(eye, second, rng)


def astray(found: torsion.Measurement, seated_px: Point, supine_px: Point) -> Astray | None:
    """Carry a point of the seated photo by either map, and hold it against its place in the supine photo.

    None where the measurement is refused.
    """
    carried = carried_centre(found)
    if carried is None or carried.pupil is None or found.supine.limbus is None:
        return None
    unit = pixels_per_mm(found.supine.limbus)
    by_limbus, by_iris = (
        matrix[:, :2] @ seated_px + matrix[:, 2] for matrix in (found.matrix, iris_matrix(found))
    )
    missing, shift = (supine_px - by_limbus) / unit, (by_iris - by_limbus) / unit
    return Astray(
        (float(missing[0]), float(missing[1])),
        (float(shift[0]), float(shift[1])),
        carried.pupil.standard_uncertainty_mm,
    )


def study_drawn(seed: int) -> tuple[Astray | None, Astray | None]:
    """Carry the true centre of the seated pupil of a drawn eye, and the centre as it is found."""
    seated, supine = draw_tilted(seed)
    found = torsion.measure(seated.rgb, supine.rgb)
    x, y = pupil_center(seated.eye, seated.view)
    polar = np.degrees(np.arctan2(y, x)), np.hypot(x, y)
    before, after = (
        np.array(project(seated.eye, picture.view, *polar, surface="iris"), float)
        for picture in (seated, supine)
    )
    return astray(found, before, after), _from_found(found, after)


def _from_found(found: torsion.Measurement, supine_px: Point | None = None) -> Astray | None:
    """Carry the centre as found; to the pupil found in the supine photo where its place is not known."""
    seated, supine = found.seated.pupil, found.supine.pupil
    if seated is None or (supine is None and supine_px is None):
        return None
    if supine_px is None:
        supine_px = np.array((supine.x_px, supine.y_px))
    return astray(found, np.array((seated.x_px, seated.y_px)), supine_px)


def study_real(shots: Sequence[Path]) -> list[Astray | None]:
    """Carry the pupil's centre over all pairs of photos of one eye, none dilated; None if not accepted."""
    photos = [torsion.prepare(shot) for shot in shots]
    found = (torsion.measure(*pair) for pair in itertools.combinations(photos, 2))
    return [_from_found(one) if one.verdict == "accept" else None for one in found]


def report(what: str, pairs: Sequence[Astray | None]) -> str:
    """Lines about pairs: how far astray the centre is carried by either map, and how far is stated."""
    known = [pair for pair in pairs if pair is not None]
    lines = [f"{what}: {count_text(len(known), len(pairs))} pairs, the rest refused or without a pupil"]
    if known:
        missing, shift = (np.array([pair[part] for pair in known]) for part in (0, 1))
        stated = np.array([pair.stated_mm for pair in known])
        by_limbus, by_iris = np.hypot(*missing.T), np.hypot(*(missing - shift).T)
        for word, off in (("limbus", by_limbus), ("iris", by_iris)):
            median, high = np.percentile(off, [50, 95])
            rms = np.sqrt(np.mean(off**2))
            lines.append(
                f"  by the map of the {word}: {median:.3f} / {high:.3f} mm (median / 95th percentile), "
                f"root mean square {rms:.3f}"
            )
        if np.any(shift):
            share = np.sum(missing * shift) / np.sum(shift**2)
            lines.append(
                f"  what the limbus's map misses goes {share:.2f} of the way of the iris's own shift"
            )
        within = by_iris < 2.45 * stated  # 95 % of a circular normal distribution
        lines.append(
            f"  stated {np.median(stated):.3f} mm each way: holds {count_text(int(within.sum()), len(known))}"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.centre_study", description=__doc__)
    parts = parser.add_subparsers(dest="part", required=True)
    drawn = parts.add_parser("drawn", help="drawn pairs whose gaze changes")
    drawn.add_argument("--eyes", type=int, default=24)
    real = parts.add_parser("real", help="all pairs of each eye of a set, none dilated")
    real.add_argument("--photos", type=Path, default=photo_folder(), help=f"folder; default ${VARIABLE}")
    real.add_argument("--set", dest="set_name", required=True, help="first-level folder to use")
    real.add_argument("--limit-eyes", type=int, help="the first only")
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    if given.part == "drawn":
        pairs = counted(map(study_drawn, range(given.eyes)), "eyes")
        print(report("centre as it is", [truly for truly, _ in pairs]))
        print(report("centre as it is found", [as_found for _, as_found in pairs]))
        return
    if given.photos is None:
        parser.error(f"name the folder of photos with --photos or {VARIABLE}")
    eyes = list_eyes(given.photos, given.set_name, limit=given.limit_eyes).values()
    pairs = [pair for eye in counted(map(study_real, eyes), "eyes") for pair in eye]
    print(report("centre as it is found, to the pupil found", pairs))


if __name__ == "__main__":
    main()
