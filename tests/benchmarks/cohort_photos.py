"""Photos and a list of pairs for a cohort of any size, composed from the demo's eye."""

import csv
import math
from itertools import combinations
from pathlib import Path

import numpy as np
from PIL import Image

from torsion.demo_layers import load_layers, take_photo

__all__ = ["draw_cohort"]

VIEWS = 40  # composed once; a file more than that repeats one under another comment


def draw_cohort(folder: Path, pairs: int, *, width_px: int, shots: int = 5) -> Path:
    """Compose photos of the demo's eye, no two files alike, and a list of all pairs of so many shots."""
    layers, rng = load_layers()["supine"], np.random.default_rng(0)
    views = []
    for angle in rng.uniform(-12.0, 12.0, VIEWS):
        picture = Image.fromarray(take_photo(layers, float(angle), role="supine"))
        size = (width_px, picture.height * width_px // picture.width)
        views.append(picture.resize(size, Image.Resampling.BOX))
    lines: list[list[str]] = []
    for number in range(-(-pairs // math.comb(shots, 2))):
        names = [f"{number:04d}-{shot}.jpg" for shot in range(shots)]
        for shot, name in enumerate(names):
            view = views[(shots * number + shot) % VIEWS]
            view.save(folder / name, quality=92, comment=f"{name}, so that no two files are alike")
        lines += [[f"{number:04d}", "OD", *pair] for pair in combinations(names, 2)]
    with (folder / "list.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([["patient", "eye", "seated", "supine"], *lines[:pairs]])
    return folder / "list.csv"
