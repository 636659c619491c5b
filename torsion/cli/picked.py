"""Points that a person picked in photos: read, and checked to lie in them."""

from collections.abc import Callable, Sequence

import click

from torsion.cli.toric_types import numbers
from torsion.errors import TorsionError
from torsion.landmark_pairs import LandmarkPair
from torsion.photo import Photo

__all__ = ["Point", "check_inside", "check_pairs_inside", "click_option", "point"]

Point = tuple[float, float]
"""x and y in pixels of the photo as displayed."""


def point(text: str) -> Point:
    """Read a point given by hand, ``X,Y`` in pixels of the photo as displayed."""
    x_px, y_px = numbers(text, 2, form="X,Y: pixels of the photo as displayed")
    return x_px, y_px


def click_option(*, default: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Add ``--click-px``; `default` says what is assumed without it."""
    return click.option(
        "--click-px",
        type=_click_px,
        metavar="PX",
        help=f"How well you pick a point: standard deviation each way.  [default: {default}]",
    )


def _click_px(text: str) -> float:
    form = "PX: a number of pixels above 0"
    (click_px,) = numbers(text, 1, form=form)
    if click_px <= 0.0:
        msg = f"{text!r} is not of the form {form}"
        raise click.BadParameter(msg)
    return click_px


def check_inside(place: Point, photo: Photo, *, name: str = "") -> None:
    """Complain about a point outside its photo.

    Raises
    ------
    TorsionError
        With the name of what was picked, if there is one.
    """
    x, y = place
    if not (-0.5 <= x <= photo.width_px - 0.5 and -0.5 <= y <= photo.height_px - 0.5):
        msg = (
            f"{name + ': ' if name else ''}the point ({x:g}, {y:g}) must lie inside '{photo.name}', which is "
            f"{photo.width_px} x {photo.height_px} px"
        )
        raise TorsionError(msg)


def check_pairs_inside(pairs: Sequence[LandmarkPair], seated: Photo, supine: Photo) -> None:
    """Complain about a pair of which a point lies outside its photo."""
    for pair in pairs:
        check_inside((pair.seated_x_px, pair.seated_y_px), seated, name=f"pair {pair.name}")
        check_inside((pair.supine_x_px, pair.supine_y_px), supine, name=f"pair {pair.name}")
