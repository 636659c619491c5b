"""How often the eye is found, how closely, and how often something else is taken for one.

``python -m tests.benchmarks.locate_study drawn --preset hard --eyes 64 --cache FOLDER`` on drawn photos,
where the truth is known; ``photos --set NAME`` on real ones, where a limbus should keep its size; ``none`` on
pictures that show no human eye; ``two --preset moderate --cache FOLDER`` on two eyes side by side.
"""

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

import synthetic
import torsion
from synthetic.presets import Preset
from tests.benchmarks.drawn_photos import Circle, DrawnPhoto, drawn_photos
from tests.benchmarks.photos import VARIABLE, list_eyes, photo_folder
from tests.benchmarks.progress import counted
from tests.benchmarks.summary import count_text
from torsion.intake import photo_from_array
from torsion.locate import locate

OFF = 1 / 8  # of the radius: further from the truth than this, another thing was found
SIZE_OFF = 0.1  # of the median radius of an eye whose photos all have one scale
_SHOTS = (2, 2)  # photos of each drawn eye, seated and supine

# General pictures without a human eye that come with scikit-image itself.
PICTURES = (
    "brick", "camera", "cat", "cell", "clock", "coffee", "coins", "colorwheel", "grass", "gravel",
    "hubble_deep_field", "immunohistochemistry", "logo", "moon", "retina", "rocket", "stereo_motorcycle",
)  # fmt: skip
_CUTTINGS = 6  # of each picture, besides the whole
_LEAST_SIDE_PX = 200  # smaller pictures are refused before an eye is looked for

Picture = NDArray[np.uint8]


class Off(NamedTuple):
    """What was found in a drawn photo, less the truth, in true radii; NaN where nothing was found."""

    name: str
    x: float
    y: float
    radius: float
    pupil_radius: float
    other_eye: bool

    @property
    def is_found(self) -> bool:
        """Whether a limbus was found at all."""
        return np.isfinite(self.radius)

    @property
    def is_off(self) -> bool:
        """Whether what was found is not the limbus."""
        return self.is_found and max(abs(self.x), abs(self.y), abs(self.radius)) > OFF


class Shot(NamedTuple):
    """What was found in a real photo; NaN where nothing was."""

    name: str
    radius_px: float
    pupil_radius_px: float
    flags: tuple[str, ...]


def off_truth(photo: DrawnPhoto, name: str) -> Off:
    """Find the eye in a drawn photo."""
    found = locate(photo_from_array(photo.rgb))
    x, y, radius = _from(photo.limbus, found.limbus)
    return Off(name, x, y, radius, _from(photo.pupil, found.pupil)[2], found.other_eye)


def _from(truth: Circle, found: torsion.Ellipse | None) -> tuple[float, float, float]:
    if found is None:
        return np.nan, np.nan, np.nan
    unit = truth.radius_px
    return (
        (found.x_px - truth.x_px) / unit,
        (found.y_px - truth.y_px) / unit,
        found.radius_px / unit - 1.0,
    )


def study_drawn(preset: Preset, eyes: range, cache: Path | None) -> Iterator[Off]:
    """Find the drawn eyes of a class, each in four photos."""
    for seed in eyes:
        for shot, photo in enumerate(drawn_photos(preset, seed, shots=_SHOTS, cache=cache)):
            yield off_truth(photo, f"{preset} eye {seed} shot {shot}")


def report_drawn(preset: str, photos: Sequence[Off]) -> str:
    """Lines about one class of drawn photos: failures by name, then the errors of all that were found."""
    found = [photo for photo in photos if photo.is_found]
    right = [photo for photo in found if not photo.is_off]
    pupil = np.array([photo.pupil_radius for photo in right])
    missed = [photo for photo, radius in zip(right, pupil, strict=True) if np.isnan(radius)]
    lines = [
        f"{preset}: {len(photos)} photos",
        *_named("no limbus", [photo.name for photo in photos if not photo.is_found], len(photos)),
        *_named("another thing taken for it", [photo.name for photo in found if photo.is_off], len(photos)),
        *_named("limbus right, no pupil", [photo.name for photo in missed], len(right)),
        *_named("limbus right, pupil of another size", _wrong_pupils(right), len(right)),
        *_named("a second eye", [photo.name for photo in photos if photo.other_eye], len(photos)),
    ]
    for word, values in (
        ("centre across", [photo.x for photo in found]),
        ("centre up and down", [photo.y for photo in found]),
        ("radius", [photo.radius for photo in found]),
    ):
        if found:
            median, high = np.percentile(100.0 * np.abs(values), [50, 95])
            lines.append(f"  {word}: {median:.2f} / {high:.2f} % of the radius (median / 95th percentile)")
    return "\n".join(lines)


def _wrong_pupils(photos: Sequence[Off]) -> list[str]:
    return [photo.name for photo in photos if abs(photo.pupil_radius) > OFF]  # NaN is not


def _named(what: str, names: Sequence[str], total: int) -> list[str]:
    """Line with a count; which photos they are goes to stderr, to be looked at."""
    if names:
        print(f"{what}: {', '.join(names)}", file=sys.stderr)
    return [f"  {what}: {count_text(len(names), total)}"]


def study_photos(shots: Sequence[Path]) -> list[Shot]:
    """Find one real eye in all its photos, as a measurement would."""
    found = [torsion.prepare(shot) for shot in shots]
    return [
        Shot(
            f"{shot.parent.name}/{shot.stem}",
            np.nan if photo.limbus is None else photo.limbus.radius_px,
            np.nan if photo.pupil is None else photo.pupil.radius_px,
            photo.flags,
        )
        for shot, photo in zip(shots, found, strict=True)
    ]


def report_photos(eyes: Sequence[Sequence[Shot]]) -> str:
    """Lines about a set of real photos: eyes missed, limbi of another size than the eye's others, pupils."""
    shots = [shot for eye in eyes for shot in eye]
    found = [shot for shot in shots if np.isfinite(shot.radius_px)]
    resized = [shot.name for eye in eyes for shot in _resized(eye)]
    pupils = [shot.name for shot in found if np.isnan(shot.pupil_radius_px) and shot.name not in resized]
    return "\n".join(
        (
            f"{len(shots)} photos of {len(eyes)} eyes",
            *_named("no eye", [shot.name for shot in shots if np.isnan(shot.radius_px)], len(shots)),
            *_named(f"radius over {100 * SIZE_OFF:.0f} % off the eye's median", resized, len(shots)),
            *_named("else, no pupil", pupils, len(found) - len(resized)),
            *_named("a second eye", [shot.name for shot in shots if "two_eyes" in shot.flags], len(shots)),
        )
    )


def _resized(shots: Sequence[Shot]) -> list[Shot]:
    """Shots of one eye whose limbus is not as large as in most of them, which one scale does not allow."""
    found = [shot for shot in shots if np.isfinite(shot.radius_px)]
    usual = np.median([shot.radius_px for shot in found]) if found else np.nan
    return [shot for shot in found if abs(shot.radius_px / usual - 1.0) > SIZE_OFF]


def cuttings(picture: Picture, rng: np.random.Generator) -> list[Picture]:
    """Give a picture and some parts of it, each in colour (if it has any) and in grey."""
    height, width = picture.shape[:2]
    parts = [picture]
    for _ in range(_CUTTINGS):
        share = rng.uniform(0.35, 0.8)
        h, w = int(height * share), int(width * share)
        y, x = rng.integers(0, height - h), rng.integers(0, width - w)
        parts.append(picture[y : y + h, x : x + w])
    parts = [np.ascontiguousarray(part) for part in parts if min(part.shape[:2]) >= _LEAST_SIDE_PX]
    colour = [part for part in parts if part.ndim == 3]
    return parts + [cv2.cvtColor(part, cv2.COLOR_RGB2GRAY) for part in colour]


def study_none() -> Iterator[tuple[str, str | None]]:
    """Give each cutting of each picture the verdict on the eye that is seen in it, None where none is."""
    for name, rng in zip(PICTURES, np.random.default_rng(0).spawn(len(PICTURES)), strict=True):
        picture = getattr(skimage.data, name)()
        picture = picture[0] if isinstance(picture, tuple) else picture
        for part in cuttings(picture[..., :3] if picture.ndim == 3 else picture, rng):
            look = f"{name}, {part.shape[1]} x {part.shape[0]}, {'grey' if part.ndim == 2 else 'colour'}"
            found = torsion.prepare(part)
            yield look, None if found.limbus is None else found.verdict


def study_two(preset: Preset, pairs: int, cache: Path | None) -> Iterator[tuple[str, bool]]:
    """Say of two drawn eyes side by side, one mirrored, whether a second eye is seen."""
    for number in range(pairs):
        seeds = 2 * number, 2 * number + 1
        left, right = (drawn_photos(preset, seed, shots=_SHOTS, cache=cache)[0].rgb for seed in seeds)
        both = np.hstack([left, right[:, ::-1]])
        yield f"{preset} eyes {seeds[0]} and {seeds[1]}", "two_eyes" in torsion.prepare(both).flags


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.locate_study", description=__doc__)
    parts = parser.add_subparsers(dest="part", required=True)
    real = parts.add_parser("photos", help="real photos, all of an eye at one scale")
    real.add_argument("--photos", type=Path, default=photo_folder(), help=f"folder; default ${VARIABLE}")
    real.add_argument("--set", dest="set_name", required=True, help="first-level folder to use")
    real.add_argument("--limit-eyes", type=int, help="the first only")
    parts.add_parser("none", help="general pictures, whole and cut, in colour and grey")
    for name, about, count in (("drawn", "drawn photos", 24), ("two", "two drawn eyes side by side", 20)):
        part = parts.add_parser(name, help=about)
        part.add_argument("--preset", action="append", choices=synthetic.PRESETS, help="may be repeated")
        part.add_argument("--eyes", type=int, default=count, help="of each class")
        part.add_argument("--cache", type=Path, help="folder that keeps drawn photos for another run")
    return parser


def _reports(given: argparse.Namespace) -> Iterator[str]:
    if given.part == "photos":
        eyes = list_eyes(given.photos, given.set_name, limit=given.limit_eyes).values()
        yield report_photos(counted(map(study_photos, eyes), "eyes"))
    elif given.part == "none":
        seen = counted(study_none(), "pictures")
        yield from _named("taken for an eye", [name for name, verdict in seen if verdict], len(seen))
        unmarked = [name for name, verdict in seen if verdict == "accept"]
        yield from _named("taken for an eye that can be measured", unmarked, len(seen))
    else:
        for preset in given.preset or synthetic.PRESETS:
            if given.part == "drawn":
                yield report_drawn(
                    preset, counted(study_drawn(preset, range(given.eyes), given.cache), "photos")
                )
            else:
                seen = counted(study_two(preset, given.eyes // 2, given.cache), "pictures")
                missed = [name for name, is_seen in seen if not is_seen]
                yield from _named(f"{preset}, second eye not seen", missed, len(seen))


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print; what failed is named on stderr."""
    parser = _parser()
    given = parser.parse_args(arguments)
    if given.part == "photos" and given.photos is None:
        parser.error(f"name the folder of photos with --photos or {VARIABLE}")
    cv2.setNumThreads(1)
    for text in _reports(given):
        print(text, flush=True)


if __name__ == "__main__":
    main()
