"""Exceptions for input that cannot be used; a photo that is merely not good enough gets a result instead."""

__all__ = ["LibraryError", "ManifestError", "PhotoError", "TorsionError"]


class TorsionError(Exception):
    """Base of every error that this package raises on purpose."""


class PhotoError(TorsionError, ValueError):
    """The file is missing, damaged, no picture, of unusable size, or contradicts what was said of it."""


class ManifestError(TorsionError, ValueError):
    """The list of photo pairs cannot be used as it stands."""


class LibraryError(TorsionError, ImportError):
    """A library that the work needs is installed, but cannot be loaded on this machine."""
