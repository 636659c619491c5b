"""Measure how far an eye has turned between two photographs, and carry a toric axis with it.

The front door is lazy (PEP 562): ``import torsion`` is cheap, and each public name is loaded at first use.
"""

import importlib
import logging
from typing import TYPE_CHECKING

from torsion._version import __version__

if TYPE_CHECKING:  # what `_HOME` says again, for type checkers, which do not run `__getattr__`
    from torsion.axis import transfer_axis
    from torsion.errors import PhotoError, TorsionError
    from torsion.intake import photo_from_array, read_photo
    from torsion.measurement import Measurement, MeasureOptions
    from torsion.photo import Ellipse, Photo
    from torsion.preparation import PreparedPhoto, PrepareOptions, prepare
    from torsion.several import measure

logging.getLogger("torsion").addHandler(logging.NullHandler())  # a program that wants to listen adds its own

_HOME = {
    "Ellipse": "torsion.photo",
    "MeasureOptions": "torsion.measurement",
    "Measurement": "torsion.measurement",
    "Photo": "torsion.photo",
    "PhotoError": "torsion.errors",
    "PrepareOptions": "torsion.preparation",
    "PreparedPhoto": "torsion.preparation",
    "TorsionError": "torsion.errors",
    "measure": "torsion.several",
    "photo_from_array": "torsion.intake",
    "prepare": "torsion.preparation",
    "read_photo": "torsion.intake",
    "transfer_axis": "torsion.axis",
}

__all__ = [  # pinned by tests/test_public_api.py
    "Ellipse",
    "MeasureOptions",
    "Measurement",
    "Photo",
    "PhotoError",
    "PrepareOptions",
    "PreparedPhoto",
    "TorsionError",
    "__version__",
    "measure",
    "photo_from_array",
    "prepare",
    "read_photo",
    "transfer_axis",
]


def __getattr__(name: str) -> object:
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    msg = f"module 'torsion' has no attribute {name!r}"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    return sorted(__all__)
