"""Photos: a file or array becomes a `Photo`, as displayed, 8 bits a channel, or a `PhotoError` says why not.

Pixel centres stand at integers, x to the right and y down, in the full picture as displayed.  A photo decoded
at a reduced scale ``s`` (see `read_photo`) keeps to those coordinates by
``x_full = (x_decoded + 0.5) * s - 0.5``: pixel 0 of the decoded picture covers pixels 0 to s - 1 of the full
one.
"""

import hashlib
import math
import os
from dataclasses import KW_ONLY, dataclass, replace
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.angles import Eye, mirror_axis_deg, read_eye, wrap_axis_deg
from torsion.errors import PhotoError
from torsion.raster import MIN_SIDE_PX, check_size, eight_bit
from torsion.readers import decode

_MAX_FILE_BYTES = 2_000_000_000  # more than the largest allowed picture takes up uncompressed, 16-bit RGBA

__all__ = ["Ellipse", "Photo", "is_grey", "photo_from_array", "read_photo"]


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Outline of a limbus or a pupil in a picture.

    Parameters
    ----------
    x_px, y_px : float
        Centre, pixels (x right, y down).
    major_px, minor_px : float
        Semi-axes, pixels, ``major_px >= minor_px > 0``.
    axis_deg : float, default 180
        Direction of the major axis, degrees, counter-clockwise, wrapped into (0, 180].

    Raises
    ------
    ValueError
        If a value is not finite or the semi-axes are not ``major_px >= minor_px > 0``.
    """

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    axis_deg: float = 180.0

    def __post_init__(self) -> None:
        for field in ("x_px", "y_px", "major_px", "minor_px", "axis_deg"):
            value = float(getattr(self, field))
            if not math.isfinite(value):
                msg = f"{field} of an ellipse must be finite, not {value}"
                raise ValueError(msg)
            object.__setattr__(self, field, value)
        if not self.major_px >= self.minor_px > 0.0:
            msg = (
                "the semi-axes of an ellipse must be major_px >= minor_px > 0, "
                f"not {self.major_px:g} and {self.minor_px:g}"
            )
            raise ValueError(msg)
        object.__setattr__(self, "axis_deg", wrap_axis_deg(self.axis_deg))

    @classmethod
    def circle(cls, x_px: float, y_px: float, radius_px: float) -> Self:
        """Make a circle.

        Examples
        --------
        >>> Ellipse.circle(300, 200, 90).radius_px
        90.0
        """
        return cls(x_px, y_px, radius_px, radius_px)

    @property
    def radius_px(self) -> float:
        """Radius of the circle of the same area, pixels."""
        return math.sqrt(self.major_px * self.minor_px)

    def scaled(self, factor: float) -> "Ellipse":
        """Return the same outline in a picture `factor` times as large; its upper left corner stays.

        A pixel is a square about its centre, so the corner lies at (-0.5, -0.5):
        ``x_new = (x + 0.5) * factor - 0.5``.

        Examples
        --------
        >>> Ellipse.circle(10, 20, 8).scaled(2)
        Ellipse(x_px=20.5, y_px=40.5, major_px=16.0, minor_px=16.0, axis_deg=180.0)
        """
        return Ellipse(
            (self.x_px + 0.5) * factor - 0.5,
            (self.y_px + 0.5) * factor - 0.5,
            self.major_px * factor,
            self.minor_px * factor,
            self.axis_deg,
        )

    def mirrored(self, width_px: int) -> "Ellipse":
        """Return the outline in a picture of this width mirrored left to right.

        Examples
        --------
        >>> Ellipse(10, 20, 8, 6, 30).mirrored(100)
        Ellipse(x_px=89.0, y_px=20.0, major_px=8.0, minor_px=6.0, axis_deg=150.0)
        """
        return replace(self, x_px=width_px - 1.0 - self.x_px, axis_deg=mirror_axis_deg(self.axis_deg))


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A picture of one eye as displayed, with what is known about it.

    Parameters
    ----------
    pixels : (H, W, 3) or (H, W) ndarray of uint8
        RGB or grey, made read-only; smaller than the full picture when ``decoded_scale > 1``.
    name : str
        Name of the file without its folder.
    sha256 : str
        Hex digest of the file's bytes; of an array, of its shape, type and values.
    width_px, height_px : int
        Size of the full picture as displayed.
    decoded_scale : {1, 2, 4}
        Full pixels per pixel of `pixels`.  Where it does not divide a side, up to 3 pixels at the right or
        the bottom of the full picture are left out.
    eye : {"OD", "OS"}, optional
        Right or left eye, as given or as the file states it.
    captured_at : str, optional
        When the photo was taken, ISO 8601, as the camera's clock had it.
    limbus, pupil : Ellipse, optional
        Outlines given by hand, in the coordinates of the full picture.
    """

    pixels: NDArray[np.uint8]
    name: str
    sha256: str
    _: KW_ONLY
    width_px: int
    height_px: int
    decoded_scale: int = 1
    eye: Eye | None = None
    captured_at: str | None = None
    limbus: Ellipse | None = None
    pupil: Ellipse | None = None

    def __post_init__(self) -> None:
        view = self.pixels.view()
        view.flags.writeable = False
        object.__setattr__(self, "pixels", view)

    def mirrored(self) -> "Photo":
        """Return the photo and its outlines mirrored left to right; the digest stays that of the file."""
        width_px = self.pixels.shape[1] * self.decoded_scale
        return replace(
            self,
            pixels=np.ascontiguousarray(self.pixels[:, ::-1]),
            width_px=width_px,
            limbus=self.limbus and self.limbus.mirrored(width_px),
            pupil=self.pupil and self.pupil.mirrored(width_px),
        )

    def to_full_px(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Points of `pixels` in the coordinates of the full picture, any shape."""
        return (np.asarray(points_px, dtype=float) + 0.5) * self.decoded_scale - 0.5

    def to_decoded_px(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Points of the full picture in the coordinates of `pixels`, any shape."""
        return (np.asarray(points_px, dtype=float) + 0.5) / self.decoded_scale - 0.5


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
    """
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


def is_grey(pixels: NDArray[np.uint8]) -> bool:
    """Tell whether a picture has no colour: one channel, or three that hardly differ."""
    if pixels.ndim != 3:
        return True
    sparse = pixels[::4, ::4].astype(np.int16)
    return float(np.abs(sparse[..., 0] - sparse[..., 2]).mean()) < 2.0


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
    except PhotoError:  # an OSError too
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
