"""Groups: which photos of a folder show the same eye, by sub-folder or by the pattern of their names."""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from torsion.errors import TorsionError
from torsion.photo import PHOTO_SUFFIXES

__all__ = ["EyeGroups", "GroupError", "group_photos", "read_pattern"]

_POSTURES = {"seated", "supine"}
_PARTS = {"{patient}": r"(?P<patient>[^/]+)", "{eye}": r"(?P<eye>[^/]+)", "*": r"[^/]*", "?": r"[^/]"}


class GroupError(TorsionError):
    """The photos of a folder cannot be grouped by eye as they lie."""


@dataclass(frozen=True, slots=True)
class EyeGroups:
    """Photos of a folder, by eye.

    Attributes
    ----------
    folder : Path
    eyes : dict of str to tuple of Path
        Name of each eye, and its photos sorted by name.
    unused : tuple of Path
        Photos that belong to no eye.
    """

    folder: Path
    eyes: dict[str, tuple[Path, ...]]
    unused: tuple[Path, ...]


def read_pattern(text: str) -> re.Pattern[str]:
    """Read a pattern of file names.

    Parameters
    ----------
    text : str
        Path of a photo from its folder, with ``/`` between parts.  ``{eye}`` stands for the name of the eye,
        ``{patient}`` for that of the patient, ``*`` for anything, ``?`` for one character.

    Raises
    ------
    ValueError
        If it names neither eye nor patient, or one of them twice.

    Examples
    --------
    >>> read_pattern("{eye}_*.jpg").fullmatch("07_OD_3.jpg")["eye"]
    '07_OD'
    """
    pieces = re.split(r"(\{[^}]*\}|\*|\?)", text)
    names = [piece for piece in pieces if piece.startswith("{")]
    if not names or set(names) - set(_PARTS) or len(set(names)) < len(names):
        msg = f"a pattern of names must hold {{eye}} once, and may hold {{patient}} once, not {text!r}"
        raise ValueError(msg)
    return re.compile("".join(_PARTS.get(piece, re.escape(piece)) for piece in pieces))


def group_photos(folder: Path, *, pattern: str | None = None) -> EyeGroups:
    """Find the photos of a folder and tell which show the same eye.

    Parameters
    ----------
    folder : Path
    pattern : str, optional
        See `read_pattern`; without it every sub-folder that holds photos is an eye, but for those named
        seated or supine, which hold photos of the eye whose folder they lie in.

    Returns
    -------
    EyeGroups

    Raises
    ------
    GroupError
        If there is no such folder, or no eye has two photos; in one sentence, with what is there.
    """
    if not folder.is_dir():
        msg = f"'{folder}' is not a folder" if folder.exists() else f"'{folder}' does not exist"
        raise GroupError(msg)
    matcher = read_pattern(pattern) if pattern is not None else None
    eyes: dict[str, list[Path]] = {}
    unused = []
    for file in sorted(_files(folder)):
        inside = file.relative_to(folder)
        if file.suffix.lower() not in PHOTO_SUFFIXES or any(part.startswith(".") for part in inside.parts):
            continue
        if not file.is_file():
            continue
        name = _eye_name(inside, matcher)
        if name is None:
            unused.append(file)
        else:
            eyes.setdefault(name, []).append(file)
    if not any(len(photos) >= 2 for photos in eyes.values()):
        raise GroupError(_too_few(folder, eyes, unused, pattern))
    return EyeGroups(folder, {name: tuple(photos) for name, photos in sorted(eyes.items())}, tuple(unused))


def _files(folder: Path) -> Iterator[Path]:
    """Give all files, also of folders that are linked; each folder once, and none that holds this one."""
    seen = {*Path(os.path.realpath(folder)).parents}
    for place, folders, names in os.walk(folder, followlinks=True):
        folders.sort()
        here = Path(os.path.realpath(place))
        if here in seen:
            folders.clear()
            continue
        seen.add(here)
        yield from (Path(place, name) for name in names)


def _eye_name(inside: Path, matcher: re.Pattern[str] | None) -> str | None:
    if matcher is None:
        return "/".join(part for part in inside.parent.parts if part.lower() not in _POSTURES) or None
    found = matcher.fullmatch(inside.as_posix())
    return None if found is None else " ".join(found.groupdict().values())


def _too_few(folder: Path, eyes: dict[str, list[Path]], unused: list[Path], pattern: str | None) -> str:
    count = len(unused) + sum(len(photos) for photos in eyes.values())
    if not count:
        return f"the folder '{folder}' holds no photo ({', '.join(PHOTO_SUFFIXES)})"
    photos = f"{count} {'photo' if count == 1 else 'photos'}"
    if not eyes:
        found = "none in a sub-folder of an eye" if pattern is None else f"none named as in {pattern!r}"
        found = f"{photos}, {found}"
    else:
        by = "sub-folder" if pattern is None else f"the pattern {pattern!r}"
        found = f"{photos} of {len(eyes)} {'eye' if len(eyes) == 1 else 'eyes'} by {by}, and no eye has two"
    return (
        f"the folder '{folder}' holds {found}: put at least two photos of each eye, better five, into a "
        "folder of its own, or name the eye's part of the file names with --pattern"
    )
