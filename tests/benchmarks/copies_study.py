"""Photos against copies of themselves, changed: how many copies pass for a second photo.

``TORSION_PHOTOS=... python -m tests.benchmarks.copies_study --set NAME``

The first shot of each eye is measured against each of its copies; then all pairs of shots of one eye, of
which none should be taken for a copy unless it is one.
"""

import argparse
import itertools
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

import torsion
from tests.benchmarks.changed_study import CHANGES, Change, Picture, levels
from tests.benchmarks.photos import VARIABLE, list_eyes, photo_folder, read_rgb
from tests.benchmarks.summary import count_text
from torsion.raster import MIN_SIDE_PX

__all__ = ["COPIES", "main"]


def _jpeg(quality: int) -> Change:
    def saved(photo: Picture, _: np.random.Generator) -> Picture:
        coded = cv2.imencode(".jpg", photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        return cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1]

    return saved


def _turned(by_deg: float) -> Change:
    def turned(photo: Picture, _: np.random.Generator) -> Picture:
        height, width = photo.shape[:2]
        matrix = cv2.getRotationMatrix2D((width / 2, height / 2), by_deg, 1.0)
        return cv2.warpAffine(photo, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)

    return turned


def _aslant(by_deg: float) -> Change:
    """Photograph a print or a screen from one side, at a distance of one and a half of its widths."""

    def aslant(photo: Picture, _: np.random.Generator) -> Picture:
        height, width = photo.shape[:2]
        far, lean = 1.5 * width, np.radians(by_deg)
        at_middle = np.array([[1.0, 0.0, -width / 2], [0.0, 1.0, -height / 2], [0.0, 0.0, 0.0]])
        leant = np.array([[np.cos(lean), 0.0, 0.0], [0.0, 1.0, 0.0], [-np.sin(lean), 0.0, 0.0]]) @ at_middle
        leant[2, 2] += far
        camera = np.array([[far, 0.0, width / 2], [0.0, far, height / 2], [0.0, 0.0, 1.0]])
        return cv2.warpPerspective(photo, camera @ leant, (width, height), borderMode=cv2.BORDER_REPLICATE)

    return aslant


def _evened(photo: Picture, _: np.random.Generator) -> Picture:
    """Make the contrast as strong everywhere, as programs that improve photos do."""
    light, *colour = cv2.split(cv2.cvtColor(photo, cv2.COLOR_RGB2LAB))
    light = cv2.createCLAHE(clipLimit=2.0).apply(light)
    return cv2.cvtColor(cv2.merge([light, *colour]), cv2.COLOR_LAB2RGB)


# One table of all copies: name -> what was done. Blurs are shares of the height.
COPIES: dict[str, Change] = {
    **{f"JPEG, quality {quality}": _jpeg(quality) for quality in (50, 30, 15, 5)},
    **{f"turned by {by_deg:g}": _turned(by_deg) for by_deg in (5.0, 20.0)},
    **{f"photographed aslant by {by_deg:g} degrees": _aslant(by_deg) for by_deg in (4.0, 10.0)},
    **{
        f"blurred by {share:.2%}": lambda photo, _, share=share: cv2.GaussianBlur(
            photo, (0, 0), share * photo.shape[0]
        )
        for share in (0.0025, 0.005, 0.01)
    },
    "twice the size": lambda photo, _: cv2.resize(photo, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC),
    "brightened by half": lambda photo, _: levels(photo * 1.5),
    "darkened to 30 %": lambda photo, _: levels(photo * 0.3),
    "gamma 0.5": lambda photo, _: levels(255.0 * (photo / 255.0) ** 0.5),
    "gamma 2": lambda photo, _: levels(255.0 * (photo / 255.0) ** 2),
    "contrast made even": _evened,
    "median of 5 px": lambda photo, _: cv2.medianBlur(photo, 5),
    **{
        name: CHANGES[name]
        for name in (
            "half the size",
            "noise of 12 levels",
            "vignette",
            "warm cast",
            "sharpened",
            "cut",
            "grey",
        )
    },
}


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print the table and the count of pairs."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.copies_study", description=__doc__)
    parser.add_argument("--photos", type=Path, default=photo_folder(), help=f"folder; default ${VARIABLE}")
    parser.add_argument("--set", required=True, dest="set_name", help="first-level folder to use")
    parser.add_argument("--skip-eyes", type=int, default=0, metavar="N", help="leave out the first")
    parser.add_argument("--limit-eyes", type=int, metavar="N", help="the first only")
    given = parser.parse_args(arguments)
    if given.photos is None:
        parser.error(f"name the folder of photos with --photos or {VARIABLE}")
    cv2.setNumThreads(1)
    eyes = list(list_eyes(given.photos, given.set_name, limit=given.limit_eyes).values())[given.skip_eyes :]
    made, told, accepted = Counter[str](), Counter[str](), Counter[str]()
    alike: list[str] = []
    pairs = 0
    for shots in eyes:
        photos = [torsion.prepare(torsion.read_photo(shot)) for shot in shots]
        for (first, one), (second, other) in itertools.combinations(zip(shots, photos, strict=True), 2):
            pairs += 1
            if "same_picture" in torsion.measure(one, other).flags:
                alike.append(f"{first.parent.name}: {first.name}, {second.name}")
        for name, change in COPIES.items():
            copy = np.ascontiguousarray(change(read_rgb(shots[0]), np.random.default_rng(0)))
            if min(copy.shape[:2]) >= MIN_SIDE_PX:
                found = torsion.measure(photos[0], copy)
                made[name] += 1
                told[name] += "same_picture" in found.flags
                accepted[name] += found.verdict == "accept"
        print(f"\r{shots[0].parent.name}   ", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print("| copy | told for one | accepted |\n|---|---|---|")
    for name in made:
        print(f"| {name} | {told[name]} of {made[name]} | {accepted[name]} |")
    print(f"| all | {told.total()} of {made.total()} | {count_text(accepted.total(), made.total())} |")
    print(f"pairs of shots taken for one: {count_text(len(alike), pairs)}")
    print(*alike, sep="\n")


if __name__ == "__main__":
    main()
