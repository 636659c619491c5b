"""Remake the layers that the package ships for its demo: ``python -m synthetic.sample FOLDER``.

One invented right eye, twice: seated, and supine with other lids, other lashes, another glint, another size
and a wider pupil. Both are drawn at rotation 0, so the rotation of a pair is what the composer applies.
"""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from PIL import Image

from synthetic.eye import Eye
from synthetic.fields import Byte
from synthetic.layers import Layers, draw_layers
from synthetic.view import Glint, Lids, Light, View

SEED = 2
"""Seed of the shipped eye, chosen for clear fibres and vessels; nothing else is drawn at random."""

_EYE = Eye(SEED, "OD", "hazel")
_VIEWS = {
    "seated": View(
        width_px=1200,
        height_px=800,
        limbus_radius_px=190.0,
        center_x_px=606.0,
        center_y_px=408.0,
        pupil_ratio=0.30,
        lids=Lids(upper_cover=0.11, lower_gap=0.06, lashes=0.8, droop=0.05),
        light=Light(glints=(Glint("window", -0.16, 0.20, 0.09, 0.7),)),
    ),
    "supine": View(
        width_px=1200,
        height_px=800,
        limbus_radius_px=201.0,
        center_x_px=588.0,
        center_y_px=396.0,
        pupil_ratio=0.38,
        lids=Lids(upper_cover=0.17, lower_gap=0.14, lashes=0.8, droop=0.15),
        light=Light(glints=(Glint("flash", 0.14, 0.12, 0.05), Glint("flash", -0.10, 0.06, 0.03, 0.9))),
    ),
}


def sample_layers() -> dict[str, Layers]:
    """Draw the layers of the shipped sample, by role (seated, supine)."""
    return {role: draw_layers(_EYE, view, SEED) for role, view in _VIEWS.items()}


def sample_files() -> dict[str, bytes]:
    """Make the files of the shipped sample, by name: two WebP pictures for each role, and their geometry."""
    files: dict[str, bytes] = {}
    scenes: dict[str, Any] = {}
    for role, layers in sample_layers().items():
        names = {"eye": f"eye-{role}.webp", "overlay": f"overlay-{role}.webp"}
        files[names["eye"]] = _webp(layers.eye, quality=95)
        files[names["overlay"]] = _webp(layers.overlay, quality=90)
        geometry = {
            "center_x_px": layers.center_x_px,
            "center_y_px": layers.center_y_px,
            "limbus": _rounded(asdict(layers.limbus)),
            "pupil": _rounded(asdict(layers.pupil)),
        }
        scenes[role] = names | geometry
    about = {"schema": "torsion/demo-layers/1", "eye": _EYE.laterality, "seed": SEED, "scenes": scenes}
    files["sample.json"] = (json.dumps(about, indent=1) + "\n").encode()
    return files


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the sample into a folder."""
    parser = argparse.ArgumentParser(prog="python -m synthetic.sample", description=main.__doc__)
    parser.add_argument("folder", type=Path, help="the package's data folder, torsion/data")
    folder: Path = parser.parse_args(arguments).folder
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in sample_files().items():
        (folder / name).write_bytes(content)
    return 0


def _webp(pixels: Byte, *, quality: int) -> bytes:
    # The opacity is kept without loss; only colours are rounded.
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "WEBP", quality=quality, method=6)
    return stream.getvalue()


def _rounded(values: dict[str, float]) -> dict[str, float]:
    return {name: round(value, 3) for name, value in values.items()}


if __name__ == "__main__":
    raise SystemExit(main())
