"""Parts of the uncertainty of an axis, each with the number it was made from and its source."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, inf, sqrt
from typing import Literal

from torsion.angles import read_choice

__all__ = [
    "DEFAULT_PARTS",
    "METHODS",
    "Method",
    "Part",
    "method_parts",
    "published_part",
    "vector_part",
    "width_part",
]

Method = Literal["manual", "photo", "uncorrected"]

_VISSER = "Visser et al., J Cataract Refract Surg 2011;37:1394-402"
_ASSUMED = "common practice, no source"
_WIDEST_DEG = 90.0


@dataclass(frozen=True, slots=True)
class Part:
    """One source of uncertainty.

    Attributes
    ----------
    name : str
        Short name.
    standard_uncertainty_deg : float or None
        Of the axis, degrees; None for a part that is a vector in dioptres.
    standard_uncertainty_d : float or None
        Of each component in the double-angle plane, dioptres; None for a part in degrees.
    distribution : {"normal", "uniform"}
        Shape used in the simulation.
    given : str
        What the number was made from, in words.
    source : str
        Where it comes from.
    doubtful : bool
        Whether a published figure looks misreported.
    """

    name: str
    standard_uncertainty_deg: float | None
    standard_uncertainty_d: float | None = None
    distribution: Literal["normal", "uniform"] = "normal"
    given: str = "standard uncertainty"
    source: str = "as given"
    doubtful: bool = False

    def __post_init__(self) -> None:
        read_choice(self.distribution, ("normal", "uniform"), name="distribution")
        values = (self.standard_uncertainty_deg, self.standard_uncertainty_d)
        if (values[0] is None) == (values[1] is None):
            msg = f"{_said(self.name)} needs an uncertainty either in degrees or in dioptres"
            raise ValueError(msg)
        for value, high, unit in zip(values, (45.0, 5.0), ("degrees", "dioptres"), strict=True):
            if value is not None and not 0.0 <= value <= high:
                what = f"standard uncertainty of {_said(self.name)}"
                msg = f"{what} must lie from 0 to {high:g} {unit}, not {value:g}"
                raise ValueError(msg)


def _said(name: str) -> str:
    """Name of a part in a sentence, as in the table of a budget."""
    return name.replace("_", " ")


def published_part(name: str, mean_deg: float, sd_deg: float, *, source: str = "as given") -> Part:
    """Part from a published mean absolute error and its standard deviation.

    Parameters
    ----------
    name : str
        Short name.
    mean_deg, sd_deg : float
        Mean and standard deviation of the absolute errors, degrees.
    source : str, optional
        Where the figure comes from.

    Returns
    -------
    Part
        With ``u = sqrt(mean^2 + SD^2)``, the root mean square of the errors: the signs are lost in print, but
        not their squares.  A bias common to all cases is inside it.

    Raises
    ------
    ValueError
        If a number is negative or not finite.

    Examples
    --------
    >>> round(published_part("mark_placing", 2.4, 0.8).standard_uncertainty_deg, 2)
    2.53
    """
    for label, value in (("mean absolute error", mean_deg), ("standard deviation", sd_deg)):
        if not 0.0 <= value < inf:
            msg = f"{label} of {_said(name)} must be a number of degrees from 0 up, not {value:g}"
            raise ValueError(msg)
    given = f"mean absolute error {mean_deg:g}, SD {sd_deg:g} degrees"
    doubtful = sd_deg > 2.0 * mean_deg
    return Part(name, hypot(mean_deg, sd_deg), given=given, source=source, doubtful=doubtful)


def width_part(name: str, width_deg: float, *, source: str = "as given") -> Part:
    """Part from a full width within which any angle is equally likely, ``u = width / sqrt(12)`` (GUM, 4.3.7).

    Raises
    ------
    ValueError
        If the width is not from 0 to 90 degrees.

    Examples
    --------
    >>> round(width_part("ink_width", 3.0).standard_uncertainty_deg, 3)
    0.866
    """
    if not 0.0 <= width_deg <= _WIDEST_DEG:  # also refuses NaN
        msg = f"full width of {_said(name)} must lie from 0 to {_WIDEST_DEG:g} degrees, not {width_deg:g}"
        raise ValueError(msg)
    given = f"full width {width_deg:g} degrees"
    return Part(name, width_deg / sqrt(12.0), distribution="uniform", given=given, source=source)


def vector_part(name: str, standard_uncertainty_d: float, *, source: str = "as given") -> Part:
    """Part that moves the corneal astigmatism as a vector, the same in both components."""
    given = f"{standard_uncertainty_d:g} D in each component"
    return Part(name, None, standard_uncertainty_d, given=given, source=source)


DEFAULT_PARTS: dict[str, Part] = {
    part.name: part
    for part in (
        vector_part("keratometry", 0.25, source=_ASSUMED),
        Part("head_pose", 2.0, source=_ASSUMED),
        Part("registration", 0.5, source="assumed; put in the standard uncertainty of your own measurement"),
        published_part("torsion", 4.05, 2.82, source="107 eyes, doi:10.1038/s41598-020-59118-9"),
        published_part("mark_placing", 2.4, 0.8, source=f"reference marks, {_VISSER}"),
        width_part("ink_width", 3.0, source="at least 3 degrees, The Ophthalmologist, 'Seeing is believing'"),
        published_part("axis_marking", 3.3, 2.0, source=f"alignment marks, {_VISSER}"),
        published_part("lens_placing", 2.6, 2.6, source=f"lens alignment, {_VISSER}"),
        Part("postoperative_rotation", 2.0, source=_ASSUMED),
    )
}
"""Parts by name with default values.

``head_pose``: difference of head pose between the keratometry and the marking or the seated photo.
``torsion``: turn of the eye on lying down, where nothing corrects it.  ``mark_placing``: reference mark,
seated. ``axis_marking``: planned axis set off from the mark or a landmark under the microscope.  The
published figures may hold part of the ink's width already; counting it again changes the sum by about one
percent.
"""

_COMMON = ("ink_width", "axis_marking", "lens_placing", "postoperative_rotation")
METHODS: dict[Method, tuple[str, ...]] = {
    "manual": ("keratometry", "head_pose", "mark_placing", *_COMMON),
    "photo": ("keratometry", "head_pose", "registration", *_COMMON),
    "uncorrected": ("keratometry", "head_pose", "torsion", *_COMMON[1:]),
}
"""Parts of each method.  By photo the place of the mark is measured, so the registration replaces its
error."""


def method_parts(method: Method, *, given: Mapping[str, Part] | None = None) -> tuple[Part, ...]:
    """Parts of a method, with the defaults replaced where a value was given.

    Raises
    ------
    ValueError
        If there is no such method, or a given name is no part of any.
    """
    method = read_choice(method, METHODS, name="method")
    given = given or {}
    unknown = sorted(set(given) - set(DEFAULT_PARTS))
    if unknown:
        msg = f"there is no part {unknown[0]!r}; the parts are {', '.join(DEFAULT_PARTS)}"
        raise ValueError(msg)
    return tuple(given.get(name, DEFAULT_PARTS[name]) for name in METHODS[method])
