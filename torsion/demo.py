"""Teaching pairs with a known answer: their photos, the page that shows them, and the truth beside them."""

import hashlib
import io
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from torsion._version import __version__
from torsion.angles import rotation_name, wrap_axis_deg
from torsion.demo_layers import DemoLayers, load_layers, take_photo
from torsion.demo_page import demo_page
from torsion.errors import TorsionError
from torsion.files import write_whole

__all__ = [
    "LARGEST_TORSION_DEG",
    "PLANNED_AXIS_DEG",
    "DemoError",
    "demo_files",
    "draw_torsions",
    "earlier_files",
    "write_demo",
]

LARGEST_TORSION_DEG = 20.0
"""Eyes turn by 2 to 4 degrees as a rule, up to 15; beyond 20 a search would end at its edge."""
PLANNED_AXIS_DEG = 90.0
"""Planned axis of the exercise."""

_EYE: Literal["OD"] = "OD"
_SCHEMA = "torsion/demo/1"
_TRUTH, _PAGE, _ANSWERS, _SEATED = "truth.json", "index.html", "answers.html", "seated.jpg"
_QUIZ_DEG = (2.0, 15.0)  # from what can just be seen to the largest torsion in print
_JPEG_QUALITY = 93


class DemoError(TorsionError):
    """The folder for the demo cannot be used as it stands."""


def draw_torsions(rng: np.random.Generator) -> list[float]:
    """Draw four angles for a quiz: 2 to 15 degrees either way, in tenths, a degree or more apart.

    Examples
    --------
    >>> angles = draw_torsions(np.random.default_rng(1))
    >>> len(angles), all(2.0 <= abs(angle) <= 15.0 for angle in angles)
    (4, True)
    """
    low, high = (round(10 * limit) for limit in _QUIZ_DEG)
    tenths = np.concatenate([np.arange(-high, -low + 1), np.arange(low, high + 1)])
    while True:
        drawn = rng.choice(tenths, 4, replace=False)
        if np.diff(np.sort(drawn)).min() >= 10:  # nobody could tell closer ones apart
            return [float(value) / 10 for value in drawn]


def demo_files(torsions_deg: Sequence[float], *, quiz: np.random.Generator | None = None) -> dict[str, bytes]:
    """Make every file of the demo in memory, by name.

    Parameters
    ----------
    torsions_deg : sequence of float
        Rotation of the supine eye against the seated one, counter-clockwise positive, -20 to 20 degrees, at
        most one decimal place; a repeated angle counts once.
    quiz : numpy.random.Generator, optional
        Make a quiz: the pairs in an order drawn by it, names and page that tell nothing.

    Returns
    -------
    files : dict of str to bytes
        ``seated.jpg``, a ``supine_+05.0.jpg`` for each angle, ``index.html`` and ``truth.json``; of a quiz
        ``supine_1.jpg`` and so on, and the answers in ``answers.html`` and ``truth.json`` alone.

    Raises
    ------
    ValueError
        When an angle cannot be used, or none is given.
    """
    angles = list(dict.fromkeys(_checked(angle) for angle in torsions_deg))
    if not angles:
        msg = "at least one torsion is needed, none was given"
        raise ValueError(msg)
    if quiz is not None:
        angles = [angles[place] for place in quiz.permutation(len(angles))]
    layers = load_layers()
    files = {_SEATED: _jpeg(take_photo(layers["seated"], 0.0, role="seated"))}
    pairs: list[dict[str, Any]] = []
    for number, angle in enumerate(angles, 1):
        name = f"supine_{angle:+05.1f}.jpg" if quiz is None else f"supine_{number}.jpg"
        files[name] = _jpeg(take_photo(layers["supine"], angle, role="supine"))
        pairs.append({
            "seated": _SEATED,
            "supine": name,
            "rotation_deg": angle,
            "direction": rotation_name(angle, 0.0, _EYE),
            "surgical_deg": wrap_axis_deg(PLANNED_AXIS_DEG + angle),
        })  # fmt: skip
    truth: dict[str, Any] = {
        "schema": _SCHEMA,
        "version": __version__,
        "about": "An invented eye, drawn by a program; nobody's photo.",
        "eye": _EYE,
        "planned_deg": PLANNED_AXIS_DEG,
        "pairs": pairs,
        # The middle of the turning eye; the outlines hold at rotation 0.
        "seated": _geometry(layers["seated"]),
        "supine": _geometry(layers["supine"]),
    }
    if quiz is None:
        files[_PAGE] = demo_page(truth).encode()
    else:
        files[_ANSWERS] = demo_page(truth, answers="shown").encode()
        files[_PAGE] = demo_page(truth, answers="none").encode()
    truth["files"] = {name: _digest(content) for name, content in files.items()}
    files[_TRUTH] = (json.dumps(truth, indent=2) + "\n").encode()
    return files


def write_demo(
    folder: Path,
    torsions_deg: Sequence[float],
    *,
    force: bool = False,
    quiz: np.random.Generator | None = None,
) -> list[Path]:
    """Write the demo into a folder, which is made where it is missing.

    A file that is there already is replaced only when the demo wrote it and nobody changed it since (its
    digest stands in ``truth.json``).

    Parameters
    ----------
    folder : Path
    torsions_deg : sequence of float
        See `demo_files`.
    force : bool
        Replace whatever stands in the way.
    quiz : numpy.random.Generator, optional
        See `demo_files`.

    Returns
    -------
    paths : list of Path
        In the order of `demo_files`.

    Raises
    ------
    ValueError
        When an angle cannot be used.
    DemoError
        When a foreign or changed file stands in the way, or the folder cannot be written; nothing is replaced
        in the first case.
    """
    files = demo_files(torsions_deg, quiz=quiz)
    try:
        if not force:
            _refuse_foreign(folder, files)
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            write_whole(content, folder / name)
    except OSError as fault:
        msg = f"the demo cannot be written into '{folder}': {fault.strerror or fault}"
        raise DemoError(msg) from fault
    return [folder / name for name in files]


def earlier_files(folder: Path) -> list[Path]:
    """Files of an earlier demo that stand in a folder, whether another one replaces them or not."""
    return [folder / name for name in _own_files(folder / _TRUTH) or {} if (folder / name).exists()]


def _refuse_foreign(folder: Path, files: Mapping[str, bytes]) -> None:
    """Complain about files in the way that the demo did not write."""
    own = _own_files(folder / _TRUTH)
    for name, content in files.items():
        path = folder / name
        if not path.exists() or (name == _TRUTH and own is not None):
            continue
        digest = _digest(path.read_bytes())
        if digest not in (_digest(content), (own or {}).get(name)):
            msg = (
                f"'{path}' is there already and was not written by the demo, or was changed since; "
                "choose another folder or say that it may be replaced (--force)"
            )
            raise DemoError(msg)


def _own_files(path: Path) -> dict[str, str] | None:
    """Read the digests of an earlier run; None where there is none, or another file of that name."""
    if not path.exists():
        return None
    try:
        truth = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:  # neither text nor JSON: not ours
        return None
    if not isinstance(truth, dict) or truth.get("schema") != _SCHEMA:
        return None
    digests = truth.get("files")
    return {str(k): str(v) for k, v in digests.items()} if isinstance(digests, dict) else {}


def _checked(torsion_deg: float) -> float:
    if not math.isfinite(torsion_deg) or abs(torsion_deg) > LARGEST_TORSION_DEG:
        msg = (
            f"torsion must be from -{LARGEST_TORSION_DEG:g} to {LARGEST_TORSION_DEG:g} degrees, "
            f"not {torsion_deg:g}"
        )
        raise ValueError(msg)
    rounded = round(float(torsion_deg), 1) + 0.0  # minus zero becomes zero
    if abs(rounded - torsion_deg) > 1e-9:
        msg = f"torsion is given in tenths of a degree, as it names the file, not {torsion_deg:g}"
        raise ValueError(msg)
    return rounded


def _geometry(layers: DemoLayers) -> dict[str, Any]:
    return {
        "center_x_px": layers.center_x_px,
        "center_y_px": layers.center_y_px,
        "width_px": layers.overlay.shape[1],
        "height_px": layers.overlay.shape[0],
        "limbus": dict(layers.limbus),
        "pupil": dict(layers.pupil),
    }


def _jpeg(rgb: NDArray[np.uint8]) -> bytes:
    """Encode without metadata; colours are kept at full size, for they carry the vessels."""
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=_JPEG_QUALITY, subsampling=0)
    return stream.getvalue()


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
