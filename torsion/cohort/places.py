"""Places of photos: names in a manifest become local paths or URLs, and their contents become digests."""

import hashlib
import os
import posixpath
import tempfile
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import Any, Literal

from torsion.errors import LibraryError, PhotoError

_FORMS: tuple[Literal["NFC", "NFD"], ...] = ("NFC", "NFD")

__all__ = ["PhotoFile", "content_digest", "find_photo", "is_remote", "local_copy", "read_remote"]


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """A photo that a manifest names.

    Attributes
    ----------
    name : str
        As the manifest names it; stands in messages and results.
    location : str
        Full local path, or URL.
    """

    name: str
    location: str


def is_remote(place: str) -> bool:
    """Whether a place is a URL, to be opened by fsspec."""
    return "://" in place


def find_photo(name: str, folder: str, *, allow_outside: bool = False) -> PhotoFile:
    """Find the photo that a manifest in `folder` names; it need not exist.

    Backslashes are read as separators, and names written with composed or with combining characters find each
    other, since systems differ in both.

    Parameters
    ----------
    name : str
        Path from `folder`, absolute path or URL.
    folder : str
        Local path, or URL.
    allow_outside : bool, default False
        Allow what lies outside `folder`, other machines included.

    Raises
    ------
    ValueError
        If the name is no path, or leaves the folder and that is not allowed.
    """
    if "\0" in name:
        msg = "must be a path, but holds a null character"
        raise ValueError(msg)
    if is_remote(name):
        location, inside = name, False
    elif is_remote(folder):
        path = posixpath.normpath(name.replace("\\", "/"))
        location, inside = f"{folder}/{path}", not path.startswith(("..", "/"))
    else:
        location = _local(name, folder)
        real = os.path.realpath(folder)
        inside = Path(os.path.realpath(location)).is_relative_to(real)
        inside = inside and (os.name == "nt" or not PureWindowsPath(name).drive)
    if not (inside or allow_outside):
        msg = f"must stay in the manifest's folder (allow-outside lifts this), not '{name}'"
        raise ValueError(msg)
    return PhotoFile(name, location)


def _local(name: str, folder: str) -> str:
    """Full path of the first spelling that exists, or of the likeliest one."""
    slashed = name.replace("\\", "/")
    texts = dict.fromkeys((slashed, name))
    spellings = [*texts, *(unicodedata.normalize(form, text) for text in texts for form in _FORMS)]
    paths = [str(Path(folder, text)) for text in spellings]
    return next((path for path in paths if os.path.exists(path)), paths[0])


def content_digest(file: PhotoFile) -> str:
    """SHA-256 of a file's bytes, as hex digits.

    Raises
    ------
    PhotoError
        If the file cannot be read.
    """
    with _readable(file):
        if is_remote(file.location):
            return hashlib.sha256(read_remote(file.location)).hexdigest()
        path = Path(file.location)
        if path.exists() and not path.is_file():  # a pipe might never end
            msg = f"'{file.name}' is not a regular file"
            raise PhotoError(msg)
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def local_copy(file: PhotoFile) -> Iterator[str]:
    """Give the path of a photo's file; a remote one is fetched into a temporary folder for the while.

    Faults of the photo met in the meantime name it as the manifest does, and no place of this machine.

    Raises
    ------
    PhotoError
        If the file cannot be fetched.
    """
    if not is_remote(file.location):
        with _named(file, file.location):
            yield file.location
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, posixpath.basename(file.location) or "photo")
        with _readable(file):
            path.write_bytes(read_remote(file.location))
        with _named(file, str(path)):
            yield str(path)


@contextmanager
def _named(file: PhotoFile, path: str) -> Iterator[None]:
    try:
        yield
    except PhotoError as fault:
        raise PhotoError(str(fault).replace(f"'{path}'", f"'{file.name}'")) from fault


def read_remote(url: str) -> bytes:
    """Read the bytes behind a URL.

    Raises
    ------
    LibraryError
        If fsspec is not installed.
    """
    try:
        import fsspec
    except ImportError:
        msg = f"'{url}' is remote, which needs a further package: pip install 'torsion[cohort]'"
        raise LibraryError(msg) from None
    opened: Any = fsspec.open(url, "rb")
    with opened as stream:
        return bytes(stream.read())


@contextmanager
def _readable(file: PhotoFile) -> Iterator[None]:
    """Turn faults of reading into one sentence that names the file as the manifest does."""
    try:
        yield
    except (PhotoError, LibraryError, MemoryError):
        raise
    except FileNotFoundError:
        msg = f"'{file.name}' does not exist"
        raise PhotoError(msg) from None
    except Exception as fault:  # file systems beyond this machine raise nearly anything
        msg = f"'{file.name}' cannot be read: {getattr(fault, 'strerror', None) or fault}"
        raise PhotoError(msg) from fault
