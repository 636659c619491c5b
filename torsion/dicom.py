"""DICOM files of one frame: pixels as shown, the eye stated and the time of capture."""

import io
import re
from datetime import datetime
from typing import TYPE_CHECKING, cast

import numpy as np

from torsion.angles import Eye
from torsion.errors import PhotoError
from torsion.raster import Picture, Samples, Source, check_size, decoding, finished

if TYPE_CHECKING:
    from pydicom import Dataset

__all__ = ["read_dicom"]


def read_dicom(source: Source) -> Picture:
    """Read a DICOM file; its Image Laterality is compared with the eye that was given.

    Raises
    ------
    PhotoError
        If the file shows the other eye, holds no single picture with square pixels, or cannot be decoded.
    """
    try:
        import pydicom
    except ImportError:
        msg = f"'{source.name}' is a DICOM file, which needs a further package: pip install 'torsion[dicom]'"
        raise PhotoError(msg) from None
    with decoding(source, "DICOM"):
        dataset = pydicom.dcmread(io.BytesIO(source.data))
        eye = _eye(source, dataset)
        _check(source, dataset)
        samples = _samples(dataset)
        return finished(source, samples, 1, _time(dataset), eye)


def _eye(source: Source, dataset: "Dataset") -> Eye | None:
    """Eye that the file states (none when it states both), refused when it is not the one given."""
    for keyword, title in (("ImageLaterality", "Image Laterality"), ("Laterality", "Laterality")):
        stated = str(dataset.get(keyword) or "").strip().upper()
        if stated not in ("R", "L"):
            continue
        eye: Eye = "OD" if stated == "R" else "OS"
        if source.eye not in (None, eye):
            msg = f"'{source.name}' states in its {title} that it shows {eye}, but {source.eye} was given"
            raise PhotoError(msg)
        return eye
    return None


def _check(source: Source, dataset: "Dataset") -> None:
    """Refuse, before anything is decoded, what cannot become one photo with square pixels."""
    from pydicom.pixels.decoders.base import get_decoder

    if "PixelData" not in dataset:
        msg = f"'{source.name}' holds no picture: it is a DICOM file of another kind, or truncated"
        raise PhotoError(msg)
    frames = int(dataset.get("NumberOfFrames") or 1)
    if frames > 1:
        msg = f"'{source.name}' holds {frames} frames; save the wanted one as a file of its own"
        raise PhotoError(msg)
    check_size(source.name, int(dataset.get("Columns") or 0), int(dataset.get("Rows") or 0))
    aspect = [int(part) for part in dataset.get("PixelAspectRatio") or (1, 1)]
    if aspect[0] != aspect[-1]:
        msg = f"'{source.name}' has pixels of aspect {aspect[0]}:{aspect[-1]}; they must be square, 1:1"
        raise PhotoError(msg)
    kind = dataset.get("PhotometricInterpretation")
    if not str(kind).startswith(("MONOCHROME", "RGB", "YBR", "PALETTE")):
        msg = f"'{source.name}' has photometric interpretation {kind}; allowed are grey, RGB, YBR and palette"
        raise PhotoError(msg)
    syntax = dataset.file_meta.TransferSyntaxUID
    try:
        readable = get_decoder(syntax).is_available
    except NotImplementedError:
        readable = False
    if not readable:
        msg = f"'{source.name}' is compressed as {syntax.name}, which cannot be read; save it uncompressed"
        raise PhotoError(msg)


def _samples(dataset: "Dataset") -> Samples:
    from pydicom.pixels.processing import apply_color_lut

    stored = dataset.pixel_array  # YBR has become RGB
    kind = str(dataset.PhotometricInterpretation)
    if kind.startswith("PALETTE"):
        return cast(Samples, apply_color_lut(stored, dataset))
    if not kind.startswith("MONOCHROME"):
        return cast(Samples, stored)
    values = stored * float(dataset.get("RescaleSlope", 1)) + float(dataset.get("RescaleIntercept", 0))
    low, high = _range(dataset)
    grey = np.rint(255.0 * np.clip((values - low) / (high - low), 0.0, 1.0)).astype(np.uint8)
    return 255 - grey if kind == "MONOCHROME1" else grey


def _range(dataset: "Dataset") -> tuple[float, float]:
    """Values shown black and white: of the window (DICOM PS3.3 C.11.2.1.2, linear), else of the bits."""
    centre, width = (
        float(np.atleast_1d(dataset.get(keyword) or 0.0)[0]) for keyword in ("WindowCenter", "WindowWidth")
    )
    if width > 1.0:
        return centre - 0.5 - (width - 1.0) / 2.0, centre - 0.5 + (width - 1.0) / 2.0
    bits, signed = int(dataset.BitsStored), bool(dataset.PixelRepresentation)
    ends = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
    slope, intercept = float(dataset.get("RescaleSlope", 1)), float(dataset.get("RescaleIntercept", 0))
    low, high = sorted(slope * end + intercept for end in ends)
    return low, high


def _time(dataset: "Dataset") -> str | None:
    text = str(dataset.get("AcquisitionDateTime") or "")
    text = text or str(dataset.get("AcquisitionDate") or "") + str(dataset.get("AcquisitionTime") or "")
    parts = re.fullmatch(r"(\d{8})(\d{6})(?:\.\d+)?([+-]\d{4})?", text)
    try:
        return datetime.fromisoformat(f"{parts[1]}T{parts[2]}{parts[3] or ''}").isoformat() if parts else None
    except ValueError:  # not a date
        return None
