"""One photo made ready for many pairs: read, its eye found, masked and assessed."""

import logging
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from torsion.angles import Eye, read_eye
from torsion.errors import PhotoError
from torsion.eye_picture import EyePicture, turned_eye
from torsion.flags import Verdict, worst_verdict
from torsion.frozen import FrozenDict
from torsion.intake import photo_from_array, read_photo
from torsion.laterality import Laterality, read_laterality
from torsion.likeness import unlike_an_eye
from torsion.locate import locate
from torsion.masks import cut_out
from torsion.photo import UNDONE_BY, Ellipse, Photo, Turn, read_options, read_switch, read_turn
from torsion.quality import assess

__all__ = ["ENOUGH_SIDE_PX", "PhotoLike", "PrepareOptions", "PreparedPhoto", "prepare", "stated_eye"]

_LOG = logging.getLogger(__name__)

ENOUGH_SIDE_PX = 1600
"""Longer side to decode at: it leaves more detail than the bands are sampled with."""


@dataclass(frozen=True, slots=True)
class PrepareOptions:
    """Options of preparing one photo.

    Attributes
    ----------
    mirrored : bool, default False
        The picture is known to be mirrored left to right, as by a selfie camera; it is un-mirrored first,
        and what is said of it then refers to it un-mirrored.
    turned_deg : {0, 90, 180, 270}, default 0
        The picture is known to be turned counter-clockwise by so much.  Lids are looked for above and below
        in it as it was upright; what is said of it refers to it as displayed.

    Raises
    ------
    ValueError
        If one of them is another value.
    """

    mirrored: bool = False
    turned_deg: Turn = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "mirrored", read_switch(self.mirrored, name="mirrored"))
        object.__setattr__(self, "turned_deg", read_turn(self.turned_deg))


@dataclass(frozen=True, slots=True, eq=False)
class PreparedPhoto:
    """A photo with its eye found, masked and assessed; usable for many pairs.

    Attributes
    ----------
    photo : Photo
    limbus, pupil : Ellipse or None
        In pixels of the full picture as displayed.
    picture : EyePicture or None
        The eye cut out; None where no eye was found.
    measures : mapping of str to float or None
    flags : tuple of str
    verdict : {"accept", "review", "refuse"}
    laterality : Laterality
        Eye that the picture shows by itself.
    turned_deg : {0, 90, 180, 270}
        Turn of the picture that it was prepared with.
    mirrored : bool
        The picture was un-mirrored; `photo` is the picture after that.
    """

    photo: Photo
    limbus: Ellipse | None
    pupil: Ellipse | None
    picture: EyePicture | None
    measures: Mapping[str, float | None]
    flags: tuple[str, ...]
    verdict: Verdict
    laterality: Laterality = field(default_factory=Laterality)
    turned_deg: Turn = 0
    mirrored: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "measures", FrozenDict(self.measures))


PhotoLike = str | os.PathLike[str] | NDArray[Any] | Photo | PreparedPhoto


def prepare(
    photo: PhotoLike, *, eye: str | None = None, options: PrepareOptions | None = None
) -> PreparedPhoto:
    """Find, mask and assess the eye in a photo.

    Parameters
    ----------
    photo : path, (H, W[, 3]) uint8 or uint16 array, Photo or PreparedPhoto
        A PreparedPhoto is returned as it is, unless the options ask for another; what was un-mirrored once
        is not mirrored back, and a turn stated once holds until another is stated.
    eye : {"OD", "OS", "R", "L"}, optional
        Compared with what the file, or the photo, says; kept by the photo.
    options : PrepareOptions, optional

    Returns
    -------
    PreparedPhoto
        Also for a picture without an eye, which then carries the flag ``no_eye``.

    Raises
    ------
    PhotoError
        If the file cannot be used, it or the photo states the other eye, or a pupil given by hand does not
        lie inside the limbus.
    ValueError
        If `eye` names no eye.
    TypeError
        If `photo` or `options` is none of these.
    """
    options = read_options(options, PrepareOptions)
    named = None if eye is None else read_eye(eye)
    if isinstance(photo, Photo | PreparedPhoto):
        _check_eye(photo if isinstance(photo, Photo) else photo.photo, named)
    mirror = options.mirrored
    if isinstance(photo, PreparedPhoto):
        mirror, options = mirror and not photo.mirrored, _with_stated(photo, options)
        if options == PrepareOptions(photo.mirrored, photo.turned_deg):
            return (
                photo if named in (None, photo.photo.eye) else replace(photo, photo=_as_photo(photo, named))
            )
    photo = _as_photo(photo, named)
    return _prepared(photo.mirrored() if mirror else photo, options)


def _prepared(photo: Photo, options: PrepareOptions) -> PreparedPhoto:
    """Prepare a photo whose mirror, if any, is undone already."""
    turned = options.turned_deg
    upright = photo.turned(UNDONE_BY[turned])
    size = photo.pixels.shape[1], photo.pixels.shape[0]
    _LOG.info("%s: read, %d x %d px", photo.name, *size)
    located = locate(upright)
    _LOG.info("%s: limbus %s, pupil %s", photo.name, *map(_found_words, (located.limbus, located.pupil)))
    picture = cut_out(upright, located) if located.limbus is not None else None
    measures, flags = assess(located, picture, upright.pixels, photo.decoded_scale)
    if located.limbus is not None and photo.limbus is None and unlike_an_eye(upright.pixels, located.limbus):
        flags = (*flags, "unlike_an_eye")
    scale = float(photo.decoded_scale)
    limbus = located.limbus and located.limbus.scaled(scale)
    pupil = located.pupil and located.pupil.scaled(scale)
    outlined = replace(upright, limbus=limbus, pupil=pupil).turned(turned)
    limbus, pupil = outlined.limbus, outlined.pupil
    picture = turned_eye(picture, turned) if picture is not None and turned else picture
    _check_pupil(photo, limbus)
    laterality = read_laterality(photo, limbus, pupil)
    _LOG.info("%s: masked and assessed, flags: %s", photo.name, ", ".join(flags) or "none")
    return PreparedPhoto(
        photo, limbus, pupil, picture, measures, flags, worst_verdict(flags), laterality, turned,
        options.mirrored,
    )  # fmt: skip


def stated_eye(photos: Sequence[PreparedPhoto]) -> Eye | None:
    """Return the eye that the photos, or their files, state; None where none does.

    Raises
    ------
    PhotoError
        If one states the right eye and another the left.
    """
    stated = {photo.photo.eye: photo.photo.name for photo in reversed(photos) if photo.photo.eye is not None}
    if len(stated) > 1:
        msg = f"'{stated['OD']}' states that it shows OD, but '{stated['OS']}' that it shows OS"
        raise PhotoError(msg)
    return next(iter(stated), None)


def _with_stated(done: PreparedPhoto, options: PrepareOptions) -> PrepareOptions:
    """Add what a photo was prepared with; a mirror that is undone only now has turned its turn about."""
    mirrors = options.mirrored and not done.mirrored
    kept = UNDONE_BY[done.turned_deg] if mirrors else done.turned_deg
    return PrepareOptions(mirrored=mirrors or done.mirrored, turned_deg=options.turned_deg or kept)


def _check_eye(photo: Photo, eye: Eye | None) -> None:
    """Refuse a photo that states the other eye: one that is read already as much as a file."""
    if None not in (eye, photo.eye) and eye != photo.eye:
        msg = f"'{photo.name}' states that it shows {photo.eye}, but {eye} was given"
        raise PhotoError(msg)


def _check_pupil(photo: Photo, limbus: Ellipse | None) -> None:
    """Refuse a pupil given by hand that cannot be this eye's: a slip of it would pass for dilation."""
    pupil = photo.pupil
    if pupil is None or limbus is None:
        return
    off_px = float(np.hypot(pupil.x_px - limbus.x_px, pupil.y_px - limbus.y_px))
    if off_px + pupil.radius_px >= limbus.radius_px:
        given, whole = (
            f"({one.x_px:.5g}, {one.y_px:.5g}), radius {one.radius_px:.4g}" for one in (pupil, limbus)
        )
        msg = f"the given pupil at {given} px, must lie inside the limbus of '{photo.name}', at {whole} px"
        raise PhotoError(msg)


def _as_photo(photo: PhotoLike, eye: Eye | None) -> Photo:
    """Read a photo that is not read yet; a file at no larger size than the bands are sampled with.

    Whatever else NumPy could make an array of is refused: a picture of another library may hold places in a
    palette for colours, or be displayed turned.
    """
    photo = photo.photo if isinstance(photo, PreparedPhoto) else photo
    if isinstance(photo, Photo):
        return replace(photo, eye=eye or photo.eye)
    if isinstance(photo, str | os.PathLike):
        return read_photo(photo, eye=eye, max_side_px=ENOUGH_SIDE_PX)
    if isinstance(photo, np.ndarray):
        return photo_from_array(photo, eye=eye)
    kind = type(photo).__name__
    msg = f"a photo must be a path, a NumPy array, a Photo or a PreparedPhoto, not of the type {kind}"
    raise TypeError(msg)


def _found_words(outline: Ellipse | None) -> str:
    return "not found" if outline is None else f"of {outline.radius_px:.0f} px"
