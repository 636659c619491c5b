"""Intake: a file or an array becomes a `Photo`, or a `PhotoError` says why not."""

import hashlib
import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from torsion.angles import read_eye
from torsion.errors import PhotoError
from torsion.photo import Ellipse, Photo
from torsion.raster import MIN_SIDE_PX, check_size, eight_bit
from torsion.readers import decode

__all__ = ["photo_from_array", "read_photo"]

_MAX_FILE_BYTES = 2_000_000_000  # more than the largest allowed picture takes up uncompressed, 16-bit RGBA


def read_photo(
    path: str | os.PathLike[str],
    *,
    eye: str | None = None,
    limbus: Ellipse | None = None,
    pupil: Ellipse | None = None,
    max_side_px: int | None = None,
) -> Photo:
    """Read a photo from a file; what format it is in is told from its content, not from its name.

    Formats: JPEG, PNG, TIFF, BMP, WebP; HEIC with ``torsion[heic]``; single-frame DICOM with
    ``torsion[dicom]``.  The orientation stored with the picture is applied once, so the picture is as viewers
    display it.  Of a JPEG or HEIC file with several pictures the first or primary one is taken; smaller
    copies in a TIFF are passed over; other files with several pictures are refused.

    Colours are taken as stored (colour profiles are not applied).  Transparent pixels are laid on mid-grey.
    16-bit samples are divided by 257; where all of them fit into 8, 10, 12 or 14 bits, as those of many
    cameras do, that range is taken as full.  In DICOM the window stored in the file is used, or else its
    bits.

    Parameters
    ----------
    path : str or path
        The file.
    eye : {"OD", "OS"}, optional
        Right (also ``"R"``) or left (``"L"``) eye; compared with the laterality stored in a DICOM file.
    limbus, pupil : Ellipse, optional
        Outlines given by hand, in pixels of the full picture as displayed.
    max_side_px : int, optional
        Read a picture whose longer side is more than twice (four times) this at half (a quarter) of its size,
        which is much faster for JPEG; ``Photo.decoded_scale`` says what was done.  Default: at full size.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        If the file is missing, a folder, empty, over 2 GB, not to be opened, not a picture of these formats,
        truncated or damaged, holds several pictures, is under 200 px on its smaller side or over 200
        megapixels, needs a package that is not installed, states the other eye, or if the centre of a given
        outline lies outside the picture.
    ValueError
        If `eye` names no eye or `max_side_px` is under 200.
    TypeError
        If a given outline is no Ellipse.
    """
    wanted_eye = None if eye is None else read_eye(eye)
    if max_side_px is not None and max_side_px < MIN_SIDE_PX:
        msg = f"max_side_px must be at least {MIN_SIDE_PX}, not {max_side_px}"
        raise ValueError(msg)
    file = Path(path)
    data = _read_bytes(file)
    picture = decode(data, file.name, eye=wanted_eye, max_side_px=max_side_px)
    return _checked(
        Photo(
            picture.pixels,
            file.name,
            hashlib.sha256(data).hexdigest(),
            width_px=picture.width_px,
            height_px=picture.height_px,
            decoded_scale=picture.scale,
            eye=wanted_eye or picture.eye,
            captured_at=picture.captured_at,
            limbus=limbus,
            pupil=pupil,
        )
    )


def photo_from_array(
    array: NDArray[np.uint8] | NDArray[np.uint16],
    *,
    eye: str | None = None,
    name: str = "array",
    limbus: Ellipse | None = None,
    pupil: Ellipse | None = None,
) -> Photo:
    """Make a photo of an array that holds a picture as displayed.

    Parameters
    ----------
    array : (H, W), (H, W, 3) or (H, W, 4) ndarray of uint8 or uint16
        Grey, RGB or RGB with opacity (laid on mid-grey); copied.  16 bits are scaled as in `read_photo`.
    eye, limbus, pupil
        As in `read_photo`.
    name : str
        What to call it in messages and records.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        If the array's type or shape is another, or the picture is too small or too large.
    ValueError
        If `eye` names no eye.
    TypeError
        If it is no array, or a given outline no Ellipse.
    """
    if not isinstance(array, np.ndarray):  # NumPy makes one of a palette's places and of a list as well
        msg = f"'{name}' must be a NumPy array of uint8 or uint16, not of the type {type(array).__name__}"
        raise TypeError(msg)
    samples = np.asarray(array)
    if samples.dtype.name not in ("uint8", "uint16"):
        msg = f"'{name}' must be an array of uint8 or uint16, not {samples.dtype.name}"
        raise PhotoError(msg)
    if samples.ndim not in (2, 3) or (samples.ndim == 3 and samples.shape[2] not in (1, 3, 4)):
        msg = f"'{name}' must have the shape (H, W), (H, W, 3) or (H, W, 4), not {samples.shape}"
        raise PhotoError(msg)
    height_px, width_px = samples.shape[:2]
    check_size(name, width_px, height_px)
    native = np.ascontiguousarray(samples, dtype=samples.dtype.newbyteorder("="))
    digest = hashlib.sha256(f"{native.shape} {native.dtype.name} ".encode())
    digest.update(native.data)
    pixels = eight_bit(native)
    return _checked(
        Photo(
            pixels.copy() if np.may_share_memory(pixels, samples) else pixels,
            name,
            digest.hexdigest(),
            width_px=width_px,
            height_px=height_px,
            eye=None if eye is None else read_eye(eye),
            limbus=limbus,
            pupil=pupil,
        )
    )


def _read_bytes(file: Path) -> bytes:
    """Read a regular file whole, or say in one sentence why that is not possible."""
    try:
        if file.is_dir():
            msg = f"'{file}' is a folder, not a photo"
            raise PhotoError(msg)
        if file.exists() and not file.is_file():
            msg = f"'{file}' is not a regular file"  # a pipe or a device might never end
            raise PhotoError(msg)
        size = file.stat().st_size
        if size > _MAX_FILE_BYTES:
            msg = f"'{file.name}' has {size / 1e9:.1f} GB; at most {_MAX_FILE_BYTES / 1e9:.0f} GB are allowed"
            raise PhotoError(msg)
        data = file.read_bytes()
    except PhotoError:  # a ValueError too, which is caught below
        raise
    except FileNotFoundError:
        msg = f"'{file}' does not exist"
        raise PhotoError(msg) from None
    except PermissionError:
        msg = f"'{file}' may not be read: permission denied"
        raise PhotoError(msg) from None
    except (OSError, ValueError) as fault:  # ValueError: a null character in the name
        reason = getattr(fault, "strerror", None) or str(fault)
        msg = f"'{file}' cannot be read: {reason}"
        raise PhotoError(msg) from fault
    if not data:
        msg = f"'{file.name}' is empty (0 bytes)"
        raise PhotoError(msg)
    return data


def _checked(photo: Photo) -> Photo:
    """Refuse outlines that cannot belong to this picture."""
    for what, outline in (("limbus", photo.limbus), ("pupil", photo.pupil)):
        if outline is None:
            continue
        if not (0 <= outline.x_px <= photo.width_px - 1 and 0 <= outline.y_px <= photo.height_px - 1):
            msg = (
                f"the centre of the given {what} ({outline.x_px:g}, {outline.y_px:g}) must lie inside "
                f"'{photo.name}', which is {photo.width_px} x {photo.height_px} px"
            )
            raise PhotoError(msg)
    return photo
