"""Methods to compare: what the study asks of one, and those it knows by name."""

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.guess import Limbus, guess_limbus, stay_mask
from tests.benchmarks.recipe import match_recipe, prepare_recipe

__all__ = ["Answer", "Method", "Recipe", "Torsion", "load_method"]

Locate = Callable[[NDArray[np.uint8]], tuple[float, ...] | None]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a method says about a pair.

    Attributes
    ----------
    rotation_deg : float or None
        Counter-clockwise as seen positive; None if there is no answer.
    score : float
        Anything that grows with trust; pairs are ranked by it.
    accepted : bool or None
        The method's own verdict; None where it has none (then the worst pair of different eyes is the bar).
    uncertainty_deg : float or None
        Stated standard uncertainty.
    iris_deg, limbus_deg : float or None
        Answers of the bands apart, with their stated uncertainties.
    note : str
        Anything worth reading, such as flags or an error.
    """

    rotation_deg: float | None
    score: float
    accepted: bool | None = None
    uncertainty_deg: float | None = None
    iris_deg: float | None = None
    limbus_deg: float | None = None
    iris_uncertainty_deg: float | None = None
    limbus_uncertainty_deg: float | None = None
    note: str = ""


class Method(Protocol):
    """A method under study.

    ``prepare`` is called once a photo (RGB, shape (H, W, 3), uint8) and returns anything that pickles;
    ``measure`` is called with two of those.  A method may also have ``locate(photo)`` returning the limbus as
    (x, y, radius) in pixels or None: the recipe then uses it in place of its own guess.
    """

    name: str

    def prepare(self, photo: NDArray[np.uint8], /) -> Any: ...

    def measure(self, first: Any, second: Any, /) -> Answer: ...


class Recipe:
    """The general recipe, with or without its refinement."""

    def __init__(self, *, refine: bool = True, locate: Locate = guess_limbus) -> None:
        self.name = "recipe" if refine else "recipe-coarse"
        self.refine = refine
        self.find = locate

    def prepare(self, photo: NDArray[np.uint8]) -> Any:
        """Locate the eye and find the features."""
        found = self.find(photo)
        if found is None:
            return prepare_recipe(photo)
        limbus = Limbus(*found)
        return prepare_recipe(photo, limbus=limbus, stays=stay_mask(photo, limbus))

    def measure(self, first: Any, second: Any) -> Answer:
        """Match the features, align; the score is the number of inliers."""
        result = match_recipe(first, second, refine=self.refine)
        return Answer(result.rotation_deg, result.score, note=f"matches={result.matches}")


class Torsion:
    """The package itself."""

    name = "torsion"
    _RANK = {"accept": 0.0, "review": -1e3, "refuse": -2e3}  # noqa: RUF012

    def prepare(self, photo: NDArray[np.uint8]) -> Any:
        """Locate and mask."""
        import torsion

        return torsion.prepare(photo)

    def measure(self, first: Any, second: Any) -> Answer:
        """Measure; pairs are ranked by verdict, then by stated uncertainty."""
        import torsion

        found = torsion.measure(first, second)
        stated = found.standard_uncertainty_deg
        iris, limbus = (_field(found.bands, name) for name in ("iris", "limbus"))
        return Answer(
            rotation_deg=found.rotation_deg,
            score=self._RANK[found.verdict] - (180.0 if stated is None else stated),
            accepted=found.verdict == "accept",
            uncertainty_deg=stated,
            iris_deg=_field(iris, "rotation_deg"),
            limbus_deg=_field(limbus, "rotation_deg"),
            iris_uncertainty_deg=_field(iris, "standard_uncertainty_deg"),
            limbus_uncertainty_deg=_field(limbus, "standard_uncertainty_deg"),
            note=";".join(found.flags),
        )


_PEERS = {"polar": "Polar", "ecc": "Ecc", "simpleitk": "Rigid"}


def load_method(name: str, *, locate: Locate | None = None) -> Method:
    """Give the method of that name: ``torsion``, ``recipe``, ``recipe-coarse``, a peer or ``module:factory``.

    Peers are ``polar``, ``ecc`` and ``simpleitk``, see `tests.benchmarks.peers`.

    The factory takes nothing and returns a :class:`Method`.
    """
    if name in ("recipe", "recipe-coarse"):
        return Recipe(refine=name == "recipe", locate=locate or guess_limbus)
    if name == "torsion":
        return Torsion()
    if name in _PEERS:
        name = f"tests.benchmarks.peers:{_PEERS[name]}"
    module, colon, factory = name.partition(":")
    if not colon:
        allowed = ", ".join(("torsion", "recipe", "recipe-coarse", *_PEERS))
        msg = f"method is {name!r}; allowed are {allowed} and module:factory"
        raise ValueError(msg)
    return getattr(importlib.import_module(module), factory)()


def _field(holder: Any, name: str) -> Any:
    """Entry of a mapping or attribute of an object; None of None."""
    if holder is None:
        return None
    return holder.get(name) if isinstance(holder, dict) else getattr(holder, name, None)
