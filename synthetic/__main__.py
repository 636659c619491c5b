"""Write pairs of photographs with their truth: ``python -m synthetic --help``."""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np

from synthetic.eye import Eye, random_eye
from synthetic.presets import PRESETS, Preset, draw_pair
from synthetic.render import Picture


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw pairs into a folder, with ``truth.csv`` (a row a pair) and ``truth.json`` (every condition)."""
    options = _parser().parse_args(arguments)
    out: Path = options.out
    out.mkdir(parents=True, exist_ok=True)
    width, height = options.size or (None, None)
    rows: list[dict[str, Any]] = []
    details: list[dict[str, Any]] = []
    for number in range(options.count):
        rng = np.random.default_rng([options.seed, number])
        eye = random_eye(rng, laterality=options.eye)
        pair = draw_pair(
            eye,
            cast(Preset, options.preset),
            rng,
            rotation_deg=options.rotation_deg,
            width_px=width,
            height_px=height,
        )
        names = [f"{options.preset}-{number:04d}-{role}.{options.format}" for role in ("seated", "supine")]
        for name, picture in zip(names, pair, strict=True):
            _write(out / name, picture)
        rows.append(_row(number, eye, names, pair))
        details.append({"patient": f"{number:04d}", "views": [asdict(picture.view) for picture in pair]})
    with (out / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (out / "truth.json").write_text(json.dumps(details, indent=1), encoding="utf-8")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m synthetic",
        description="Draw pairs of photographs of eyes that do not exist, with the rotation known exactly.",
    )
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--preset", choices=PRESETS, default="moderate", help="how hard (default: moderate)")
    parser.add_argument(
        "--count", type=_positive, default=10, help="pairs, each of another eye (default: 10)"
    )
    parser.add_argument("--seed", type=int, default=0, help="same seed, same pictures (default: 0)")
    parser.add_argument(
        "--size", type=_size, metavar="WxH", help="pixels (default: 960x640, infrared 320x240)"
    )
    parser.add_argument("--eye", choices=("OD", "OS"), help="right or left eyes only (default: both)")
    parser.add_argument(
        "--rotation",
        dest="rotation_deg",
        type=float,
        metavar="DEG",
        help="degrees, counter-clockwise positive (default: drawn from -15 to 15)",
    )
    parser.add_argument(
        "--format", choices=("png", "jpg"), default="png", help="png keeps every pixel (default)"
    )
    return parser


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        msg = f"must be at least 1, got {value}"
        raise argparse.ArgumentTypeError(msg)
    return value


def _size(text: str) -> tuple[int, int]:
    width, separator, height = text.lower().partition("x")
    if not (separator and width.isdigit() and height.isdigit() and min(int(width), int(height)) >= 64):
        msg = f"size must be WIDTHxHEIGHT of at least 64 pixels each, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(width), int(height)


def _write(path: Path, picture: Picture) -> None:
    # The camera of the view has compressed already; a file in JPEG must not lose much more.
    flags = [cv2.IMWRITE_JPEG_QUALITY, 98] if path.suffix == ".jpg" else []
    if not cv2.imwrite(str(path), np.ascontiguousarray(picture.rgb[:, :, ::-1]), flags):
        msg = f"cannot write {path}"
        raise OSError(msg)


def _row(number: int, eye: Eye, names: list[str], pair: tuple[Picture, Picture]) -> dict[str, Any]:
    seated, supine = pair
    row: dict[str, Any] = {
        "patient": f"{number:04d}",
        "eye": eye.laterality,
        "seated": names[0],
        "supine": names[1],
        "rotation_deg": round(supine.rotation_deg - seated.rotation_deg, 6),
        "iris_color": eye.iris_color,
        "eye_seed": eye.seed,
    }
    for role, picture in (("seated", seated), ("supine", supine)):
        for part, ellipse in (("limbus", picture.limbus), ("pupil", picture.pupil)):
            row |= {f"{role}_{part}_{name}": round(value, 3) for name, value in asdict(ellipse).items()}
    return row


if __name__ == "__main__":
    raise SystemExit(main())
