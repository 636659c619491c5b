"""Measure how far an eye has turned between two photographs, and carry a toric axis with it.

The front door is lazy (PEP 562): ``import torsion`` is cheap, and each public name is loaded at first use.
"""

import importlib

from torsion._version import __version__

_HOME = {
    "PhotoError": "torsion.errors",
    "TorsionError": "torsion.errors",
}

__all__ = ["PhotoError", "TorsionError", "__version__"]  # pinned by tests/test_public_api.py


def __getattr__(name: str) -> object:
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    msg = f"module 'torsion' has no attribute {name!r}"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    return sorted(__all__)
