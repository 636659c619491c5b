"""Real photos changed on purpose: how many pairs of one eye are still accepted, and whether they still close.

``TORSION_PHOTOS=... python -m tests.benchmarks.changed_study --set NAME --out FILE.jsonl``

Both photos of a pair are changed in the same way.  Finished eyes stand in the file, a line each: run again,
the study goes on where it was stopped.
"""

import argparse
import itertools
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

import torsion
from tests.benchmarks.photos import VARIABLE, list_eyes, photo_folder, read_rgb
from tests.benchmarks.summary import count_text

__all__ = ["CHANGES", "Change", "ChangedEye", "Picture", "levels", "main", "measure_eye", "row"]

Picture = NDArray[np.uint8]
Change = Callable[[Picture, np.random.Generator], Picture]
_USUAL = {"eye_not_given", "side_not_seen"}


def levels(values: NDArray[np.floating]) -> Picture:
    """Round to grey levels."""
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def _resized(share: float) -> Change:
    return lambda photo, _: cv2.resize(photo, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)


def _scaled(*gains: float) -> Change:
    return lambda photo, _: levels(photo * np.array(gains))


def _jpeg(photo: Picture, _: np.random.Generator) -> Picture:
    coded = cv2.imencode(".jpg", photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 12])[1]
    return cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1]


def _uneven(photo: Picture, _: np.random.Generator) -> Picture:
    return levels(photo * np.linspace(0.5, 1.4, photo.shape[1])[:, None])


def _vignetted(photo: Picture, _: np.random.Generator) -> Picture:
    """Darken towards the corners: to 0.43 at the sides."""
    height, width = photo.shape[:2]
    y, x = np.mgrid[:height, :width]
    out = np.hypot(x - width / 2, y - height / 2) / (width / 2)
    return levels(photo * np.exp(-(out**2) / 1.2)[..., None])


def _cut(photo: Picture, _: np.random.Generator) -> Picture:
    """Leave away other shares at all four sides, so that the eye is no longer in the middle."""
    height, width = photo.shape[:2]
    return photo[round(0.09 * height) : -round(0.045 * height), round(0.07 * width) : -round(0.05 * width)]


def _framed(photo: Picture, _: np.random.Generator) -> Picture:
    up, across = round(0.22 * photo.shape[0]), round(0.24 * photo.shape[1])
    return cv2.copyMakeBorder(photo, up, up, across, across, cv2.BORDER_REPLICATE)


# One table of all changes: name -> what is done.
CHANGES: dict[str, Change] = {
    # As they are: what all others are held against.
    "unchanged": lambda photo, _: photo,
    # Sent by a messenger, or taken from further away with a better camera.
    "half the size": _resized(1 / 2),
    "a third of the size": _resized(1 / 3),
    "a fifth of the size": _resized(1 / 5),
    # Too little light.
    "darkened to 45 %": _scaled(0.45, 0.45, 0.45),
    # Another tone curve: a phone that lifts shadows.
    "gamma 0.6": lambda photo, _: levels(255.0 * (photo / 255.0) ** 0.6),
    # Saved over and over, or squeezed into a page.
    "JPEG, quality 12": _jpeg,
    # Missed focus.
    "blurred by 4 px": lambda photo, _: cv2.GaussianBlur(photo, (0, 0), 4.0),
    # A small sensor in a dim room.
    "noise of 12 levels": lambda photo, rng: levels(photo + rng.normal(0.0, 12.0, photo.shape)),
    # A lamp at one side.
    "light from one side": _uneven,
    # A microscope or loupe that darkens towards its edge.
    "vignette": _vignetted,
    # Lamps of another colour with the white balance of daylight.
    "warm cast": _scaled(1.25, 1.0, 0.70),
    "cold cast": _scaled(0.75, 1.0, 1.25),
    # A camera that sharpens much.
    "sharpened": lambda photo, _: cv2.addWeighted(photo, 2.5, cv2.GaussianBlur(photo, (0, 0), 3.0), -1.5, 0),
    # A camera that takes fine texture for noise.
    "smoothed": lambda photo, _: cv2.bilateralFilter(photo, 9, 25, 5),
    # Cut by hand, or laid out on a slide.
    "cut": _cut,
    "framed": _framed,
    # A program that takes BGR for RGB.
    "red and blue exchanged": lambda photo, _: photo[..., ::-1],
    # A print or a copier without colour.
    "grey": lambda photo, _: cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY),
}


class ChangedEye(NamedTuple):
    """One eye under one change: photos without an eye in them, pairs accepted, closure, flags of the rest."""

    photos: int
    no_eye: int
    pairs: int
    accepted: int
    closure_deg: tuple[float, ...]
    flags: tuple[str, ...]


def measure_eye(shots: Sequence[Path], name: str) -> ChangedEye:
    """Change all photos of one eye and measure all pairs of them."""
    photos = []
    for number, shot in enumerate(shots):
        changed = CHANGES[name](read_rgb(shot), np.random.default_rng([number, len(shots)]))
        photos.append(torsion.prepare(np.ascontiguousarray(changed)))
    turns, flags = {}, []
    pairs = list(itertools.combinations(range(len(photos)), 2))
    for first, second in pairs:
        found = torsion.measure(photos[first], photos[second])
        if found.verdict == "accept":
            turns[first, second] = found.rotation_deg
        else:
            flags += sorted(set(found.flags) - _USUAL)
    closure = [
        abs(turns[a, b] + turns[b, c] - turns[a, c])
        for a, b, c in itertools.combinations(range(len(photos)), 3)
        if {(a, b), (b, c), (a, c)} <= turns.keys()
    ]
    missed = sum(photo.limbus is None for photo in photos)
    return ChangedEye(len(photos), missed, len(pairs), len(turns), tuple(closure), tuple(flags))


def row(name: str, eyes: Sequence[ChangedEye]) -> str:
    """Give one change's line of the table."""
    closure = [value for eye in eyes for value in eye.closure_deg]
    flags = Counter(flag for eye in eyes for flag in eye.flags)
    cells = (
        name,
        f"{sum(eye.no_eye for eye in eyes)} of {sum(eye.photos for eye in eyes)}",
        count_text(sum(eye.accepted for eye in eyes), sum(eye.pairs for eye in eyes)),
        "{:.3f} / {:.3f} ({})".format(*np.percentile(closure, [50, 95]), len(closure)) if closure else "-",
        ", ".join(f"{flag} {count}" for flag, count in flags.most_common(3)),
    )
    return f"| {' | '.join(cells)} |"


def _read(file: Path) -> Iterator[tuple[tuple[str, str], ChangedEye]]:
    for line in file.read_text().splitlines():
        name, eye, found = json.loads(line)
        yield (name, eye), ChangedEye(*found[:4], *map(tuple, found[4:]))


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.changed_study", description=__doc__)
    parser.add_argument("--photos", type=Path, default=photo_folder(), help=f"folder; default ${VARIABLE}")
    parser.add_argument("--set", required=True, dest="set_name", help="first-level folder to use")
    parser.add_argument("--limit-eyes", type=int, help="the first only")
    parser.add_argument("--only", action="append", choices=CHANGES, help="may be repeated")
    parser.add_argument("--out", type=Path, help="file to which finished eyes are added")
    given = parser.parse_args(arguments)
    if given.photos is None:
        parser.error(f"name the folder of photos with --photos or {VARIABLE}")
    cv2.setNumThreads(1)
    eyes = list_eyes(given.photos, given.set_name, limit=given.limit_eyes)
    done = dict(_read(given.out)) if given.out and given.out.exists() else {}
    print("| changed | photos without an eye | accepted | closure: median / 95th (triples) | why not |")
    print("|---|---|---|---|---|")
    for name in given.only or CHANGES:
        try:
            for eye, shots in eyes.items():
                if (name, eye) not in done:
                    done[name, eye] = measure_eye(shots, name)
                    if given.out:
                        with given.out.open("a") as out:
                            out.write(json.dumps([name, eye, done[name, eye]]) + "\n")
                print(f"\r{name}, {eye}   ", end="", file=sys.stderr, flush=True)
            print(file=sys.stderr)
            print(row(name, [done[name, eye] for eye in eyes]), flush=True)
        except torsion.PhotoError as fault:  # small photos cannot be made smaller
            print(f"| {name} | not possible: {fault} | | | |", flush=True)


if __name__ == "__main__":
    main()
