"""Whether each limit of the photo gate lies where the measurement fails: one cause at a time, made worse.

``python -m tests.benchmarks.gate_sweep --eyes 8``; of each drawn pair the supine photo alone is made worse.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

import synthetic
import torsion
from synthetic import View

Picture = NDArray[np.uint8]
_ROTATION_DEG = 4.0
_SMALLEST_PX = 240  # of a side, once the eye is small
_USUAL = {"eye_not_given", "side_not_seen"}


def smaller(picture: Picture, scale: float, eye: torsion.PreparedPhoto) -> Picture:
    """Take it from further away, with more of the face round it where it would be too small for a photo."""
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    rim = max(0, (_SMALLEST_PX - min(small.shape[:2])) // 2)
    return np.asarray(cv2.copyMakeBorder(small, rim, rim, rim, rim, cv2.BORDER_REPLICATE), np.uint8)


def blurred(picture: Picture, sigma_deg: float, eye: torsion.PreparedPhoto) -> Picture:
    """Blur it, in degrees at the limbus."""
    assert eye.limbus is not None
    sigma_px = float(np.radians(sigma_deg)) * eye.limbus.radius_px
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.uint8)


def cut(picture: Picture, share: float, eye: torsion.PreparedPhoto) -> Picture:
    """Cut it so that a share of the limbus's width lies beyond the edge."""
    assert eye.limbus is not None
    start = eye.limbus.x_px + (2.0 * share - 1.0) * eye.limbus.radius_px
    return np.ascontiguousarray(picture[:, max(0, round(start)) :])


def closed(view: View, cover: float) -> View:
    """Bring both lids nearer to each other."""
    return replace(view, lids=replace(view.lids, upper_cover=min(0.4, cover), lower_gap=-1.2 * cover))


def brighter(view: View, stops: float) -> View:
    """Expose it longer."""
    return replace(view, light=replace(view.light, exposure_ev=view.light.exposure_ev + stops))


def glinting(picture: Picture, count: float, eye: torsion.PreparedPhoto) -> Picture:
    """Lay so many burnt-out spots of a tenth of the limbus's radius over iris and limbal band."""
    assert eye.limbus is not None
    limbus, spotted, rng = eye.limbus, picture.copy(), np.random.default_rng(0)
    for turn, out in rng.uniform((0.0, 0.5), (2.0 * np.pi, 1.4), (int(count), 2)):
        away = out * limbus.radius_px
        middle = round(limbus.x_px + away * np.cos(turn)), round(limbus.y_px - away * np.sin(turn))
        cv2.circle(spotted, middle, round(0.1 * limbus.radius_px), (255, 255, 255), -1, cv2.LINE_AA)
    return spotted


def fainter(picture: Picture, share: float, eye: torsion.PreparedPhoto) -> Picture:
    """Take away contrast, as haze does, and add noise of two grey levels, as a camera does to any picture."""
    noise = np.random.default_rng(0).normal(0.0, 2.0, picture.shape)
    faint = 128.0 + share * (picture.astype(np.float64) - 128.0) + noise
    return np.clip(np.rint(faint), 0, 255).astype(np.uint8)


def compressed(picture: Picture, quality: float, eye: torsion.PreparedPhoto) -> Picture:
    """Save it as a JPEG of so low a quality."""
    coded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(quality)])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1], np.uint8)


IN_THE_FILE: dict[str, tuple[Callable[..., Picture], tuple[float, ...]]] = {
    "limbus_radius_px": (smaller, (0.6, 0.4, 0.3, 0.25, 0.2, 0.15)),
    "focus": (blurred, (0.5, 1.0, 1.5, 2.0, 3.0, 4.0)),
    "outside": (cut, (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)),
    "rounding": (compressed, (50, 25, 15, 12, 8, 5)),
    "iris_detail": (fainter, (0.5, 0.35, 0.25, 0.18, 0.12, 0.08)),
    "glare": (glinting, (10, 20, 40, 80, 120, 160)),
}


def tilted(view: View, tilt_deg: float) -> View:
    """Let the eye look aside and up."""
    return replace(view, yaw_deg=view.yaw_deg + tilt_deg, pitch_deg=view.pitch_deg + tilt_deg / 2.0)


def dilated(view: View, pupil_ratio: float) -> View:
    """Widen the pupil."""
    return replace(view, pupil_ratio=pupil_ratio)


BEFORE_THE_LENS: dict[str, tuple[Callable[[View, float], View], tuple[float, ...]]] = {
    "exposed": (closed, (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)),
    "overexposed": (brighter, (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)),
    "white_level": (brighter, (-1.0, -2.0, -3.0, -4.0, -5.0, -6.0)),
    "pupil_ratio": (dilated, (0.4, 0.5, 0.6, 0.7, 0.75, 0.8)),
    "tilt": (tilted, (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)),
}


class Step(NamedTuple):
    """One pair at one step of one cause."""

    figure: float
    marked: bool
    verdict: str
    error_deg: float
    stated_deg: float
    flags: tuple[str, ...]


def measure_eye(seed: int, *, causes: Sequence[str]) -> dict[tuple[str, float], Step]:
    """Measure one drawn eye against itself, the supine photo made worse by each cause in turn."""
    cv2.setNumThreads(1)
    eye = synthetic.random_eye(np.random.default_rng(seed))
    views = synthetic.draw_views(
        eye, "moderate", np.random.default_rng([seed, 7]), rotation_deg=_ROTATION_DEG
    )
    seated = torsion.prepare(synthetic.draw_picture(eye, views[0], seed).rgb)
    supine = synthetic.draw_picture(eye, views[1], seed + 1).rgb
    whole = torsion.prepare(supine)
    steps = {}
    for cause in causes:
        made = IN_THE_FILE.get(cause)
        for level in (made or BEFORE_THE_LENS[cause])[1]:
            if made is None:
                worse = BEFORE_THE_LENS[cause][0](views[1], level)
                picture = synthetic.draw_picture(eye, worse, seed + 1).rgb
            else:
                picture = made[0](supine, level, whole)
            steps[cause, level] = measured(seated, picture, cause, level)
    return steps


def measured(seated: torsion.PreparedPhoto, picture: Picture, cause: str, level: float) -> Step:
    """Measure a pair."""
    photo = torsion.prepare(picture)
    found = torsion.measure(seated, photo)
    figures = {name: np.nan if value is None else value for name, value in photo.measures.items()}
    return Step(
        figures.get(cause, level),  # nothing in one photo measures its tilt
        photo.verdict != "accept",
        found.verdict,
        np.nan if found.rotation_deg is None else abs(found.rotation_deg - _ROTATION_DEG),
        found.standard_uncertainty_deg or np.nan,
        tuple(set(found.flags + photo.flags) - _USUAL),
    )


def row(cause: str, level: float, steps: Sequence[Step]) -> str:
    """Give the line of one step."""
    verdicts = Counter(step.verdict for step in steps)
    matched = [step for step in steps if step.verdict != "refuse"]
    error = np.array([step.error_deg for step in matched])
    covered = sum(step.error_deg <= 1.96 * step.stated_deg for step in matched)
    flags = Counter(flag for step in steps for flag in step.flags)
    known = [step.figure for step in steps if np.isfinite(step.figure)]
    cells = [
        f"{cause} {level:g}",
        f"{np.median(known):.2f}" if known else "-",
        f"{sum(step.marked for step in steps)} of {len(steps)}",
        " / ".join(str(verdicts[name]) for name in ("accept", "review", "refuse")),
        f"{np.median(error):.3f} / {error.max():.2f}" if error.size else "-",
        f"{covered} of {error.size}",
        ", ".join(f"{flag} {n}" for flag, n in flags.most_common(4)),
    ]
    return f"| {' | '.join(cells)} |"


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.gate_sweep", description=__doc__)
    causes = [*IN_THE_FILE, *BEFORE_THE_LENS]
    parser.add_argument("--eyes", type=int, default=8)
    parser.add_argument("--only", action="append", choices=causes, help="may be repeated")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(arguments)
    eyes = []
    with ProcessPoolExecutor(given.workers) as pool:
        for one in pool.map(partial(measure_eye, causes=given.only or causes), range(given.eyes)):
            eyes.append(one)
            print(f"\r{len(eyes)} eyes", end="", file=sys.stderr)
    print(file=sys.stderr)
    heads = "cause, step", "figure, median", "photo marked", "accept / review / refuse"
    print(f"| {' | '.join(heads)} | error unless refused: median / worst | interval holds it | flags |")
    print("|---|---|---|---|---|---|---|")
    for cause, level in eyes[0]:
        print(row(cause, level, [eye[cause, level] for eye in eyes]))


if __name__ == "__main__":
    main()
