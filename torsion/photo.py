"""Photos: a picture as displayed, 8 bits a channel, with what is known about it, and outlines in it.

Pixel centres stand at integers, x to the right and y down, in the full picture as displayed.  A photo decoded
at a reduced scale ``s`` (see `torsion.intake`) keeps to those coordinates by
``x_full = (x_decoded + 0.5) * s - 0.5``: pixel 0 of the decoded picture covers pixels 0 to s - 1 of the full
one.
"""

import math
from dataclasses import KW_ONLY, dataclass, replace
from typing import Literal, Self, TypeVar, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.angles import Eye, mirror_axis_deg, wrap_axis_deg

__all__ = [
    "PHOTO_SUFFIXES",
    "TURNS",
    "UNDONE_BY",
    "Ellipse",
    "Photo",
    "Turn",
    "is_grey",
    "read_options",
    "read_switch",
    "read_turn",
]

Turn = Literal[0, 90, 180, 270]
TURNS: tuple[Turn, ...] = get_args(Turn)
UNDONE_BY: dict[Turn, Turn] = {0: 0, 90: 270, 180: 180, 270: 90}

_Options = TypeVar("_Options")

# By these, photos are told from other files of a folder; what is named is read by its content.
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp", ".heic", ".heif", ".dcm")


def read_turn(turned_deg: object, *, name: str = "turned_deg") -> Turn:
    """Read a turn of a picture; a ValueError where it is none of the four."""
    if not isinstance(turned_deg, bool | np.bool_):  # False is no 0 here: it would be written as false
        for turn in TURNS:
            if turned_deg == turn:
                return turn
    msg = f"{name} must be 0, 90, 180 or 270, not {turned_deg!r}"
    raise ValueError(msg)


def read_switch(value: object, *, name: str) -> bool:
    """Read what is yes or no; a ValueError where it is neither, as 0 or a text would be."""
    if not isinstance(value, bool | np.bool_):
        msg = f"{name} must be True or False, not {value!r}"
        raise ValueError(msg)
    return bool(value)


def read_options(options: _Options | None, kind: type[_Options]) -> _Options:
    """Read options, None as the defaults; a TypeError where they are of another kind."""
    if options is None:
        return kind()
    if not isinstance(options, kind):
        msg = f"options must be {kind.__name__}(...) or None, not {options!r}"
        raise TypeError(msg)
    return options


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

    def carried(self, matrix: NDArray[np.float64]) -> Self:
        """Carry it by an affine map of pixels, (2, 3).

        Examples
        --------
        >>> Ellipse(3, 1, 2, 1, 90).carried(np.array([[0.0, 2.0, 5.0], [-2.0, 0.0, 0.0]]))
        Ellipse(x_px=7.0, y_px=-6.0, major_px=4.0, minor_px=2.0, axis_deg=180.0)
        """
        angle = math.radians(self.axis_deg)
        along = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
        ends, size, _ = np.linalg.svd(matrix[:, :2] @ along * [self.major_px, self.minor_px])
        x_px, y_px = matrix @ [self.x_px, self.y_px, 1.0]
        axis_deg = math.degrees(math.atan2(-ends[1, 0], ends[0, 0]))
        return type(self)(float(x_px), float(y_px), float(size[0]), float(size[1]), axis_deg)

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

    def quarter_turned(self, width_px: int) -> "Ellipse":
        """Return the outline in a picture of this width turned by 90 degrees counter-clockwise.

        Examples
        --------
        >>> Ellipse(10, 20, 8, 6, 30).quarter_turned(100)
        Ellipse(x_px=20.0, y_px=89.0, major_px=8.0, minor_px=6.0, axis_deg=120.0)
        """
        return replace(self, x_px=self.y_px, y_px=width_px - 1.0 - self.x_px, axis_deg=self.axis_deg + 90.0)


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

    Raises
    ------
    TypeError
        If an outline is no Ellipse.
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
        for name in ("limbus", "pupil"):
            outline = getattr(self, name)
            if not isinstance(outline, Ellipse | None):
                msg = f"{name} must be an Ellipse, as Ellipse.circle(x_px, y_px, radius_px), not {outline!r}"
                raise TypeError(msg)
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

    def turned(self, turn_deg: int) -> "Photo":
        """Return the photo and its outlines turned counter-clockwise by 0, 90, 180 or 270 degrees.

        Raises
        ------
        ValueError
            If it is another turn.
        """
        if read_turn(turn_deg, name="turn_deg") == 0:
            return self
        height_px, width_px = (side * self.decoded_scale for side in self.pixels.shape[:2])
        quarter = replace(
            self,
            pixels=np.ascontiguousarray(np.rot90(self.pixels)),
            width_px=height_px,
            height_px=width_px,
            limbus=self.limbus and self.limbus.quarter_turned(width_px),
            pupil=self.pupil and self.pupil.quarter_turned(width_px),
        )
        return quarter.turned(turn_deg - 90)

    def to_full_px(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Points of `pixels` in the coordinates of the full picture, any shape."""
        return (np.asarray(points_px, dtype=float) + 0.5) * self.decoded_scale - 0.5

    def to_decoded_px(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Points of the full picture in the coordinates of `pixels`, any shape."""
        return (np.asarray(points_px, dtype=float) + 0.5) / self.decoded_scale - 0.5


def is_grey(pixels: NDArray[np.uint8]) -> bool:
    """Tell whether a picture has no colour: one channel, or three that hardly differ."""
    if pixels.ndim != 3:
        return True
    red, blue = pixels[::4, ::4, 0].astype(np.int16), pixels[::4, ::4, 2]
    return float(np.abs(red - blue).mean()) < 2.0
