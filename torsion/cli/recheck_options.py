"""The options of ``torsion recheck``."""

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from torsion.angles import Eye
from torsion.astigmatism import Refraction
from torsion.axis import AxisFrame
from torsion.cli import photo_options as photo
from torsion.cli import toric_types as types
from torsion.cli.picked import point
from torsion.cli.recheck_photo import baseline
from torsion.cli.toric_options import lens_plane_options, seed_option
from torsion.lens_marks import POINT_PX
from torsion.photo import Turn

__all__ = ["RecheckRequest", "recheck_options"]


@dataclass(frozen=True, slots=True)
class RecheckRequest:
    """What was typed: photos and options by the names that the options have."""

    photos: tuple[Path, ...]
    eye: Eye | None
    marks: tuple[tuple[float, float], ...]
    mark_sd: float
    planned: float | None
    axis_frame: AxisFrame
    at_surgery: bool
    refraction: Refraction | None
    vertex: float
    cylinder: float | None
    axis: float | None
    at_cornea: bool
    ratio: float | None
    lens_position: float | None
    mean_power: float | None
    cornea: types.Reading | None
    total: bool
    keratometry_sd: float | None
    refraction_sd: float
    axis_sd: float | None
    placing_sd: float
    worth: float
    earlier: float | Path | None
    baseline_from: str
    mirrored: bool
    turned: Turn
    seated_mirrored: bool
    seed: int

    @property
    def files(self) -> tuple[Path, ...]:
        """All that is read."""
        return (*self.photos, self.earlier) if isinstance(self.earlier, Path) else self.photos


_OPTIONS = (
    photo.eye_option(required=False),
    click.option(
        "--mark",
        "marks",
        type=point,
        metavar="X,Y",
        multiple=True,
        help="Point on a mark of the lens, in pixels of PHOTO as displayed; two or more, on both sides.",
    ),
    click.option(
        "--mark-sd",
        type=float,
        metavar="PX",
        default=POINT_PX,
        show_default=True,
        help="Standard uncertainty of each of its coordinates.",
    ),
    click.option(
        "--planned",
        type=types.degrees,
        metavar="DEG",
        help="Planned axis in the seated photo, to compare with.",
    ),
    click.option(
        "--axis-frame",
        type=click.Choice(["same", "level", "unknown"]),
        default="unknown",
        show_default=True,
        help="How plan and refraction relate to the seated photo: as in torsion measure.",
    ),
    click.option(
        "--at-surgery", is_flag=True, help="PHOTO was taken at the end of surgery: it is the baseline."
    ),
    click.option(
        "--refraction", type=types.refraction, metavar="'S C x A'", help="Refraction after surgery."
    ),
    click.option(
        "--vertex",
        type=types.millimetres,
        metavar="MM",
        default=12.0,
        show_default=True,
        help="Distance of the refraction before the cornea (12: common practice).",
    ),
    click.option("--cylinder", type=types.dioptres, metavar="D", help="Cylinder of the lens."),
    click.option(
        "--axis",
        type=types.degrees,
        metavar="DEG",
        help="Where its marks lie now, 0 to 180; or give the photos.",
    ),
    lens_plane_options,
    click.option(
        "--mean-power",
        type=types.dioptres,
        metavar="D",
        help="Mean power of the cornea, for --lens-position.",
    ),
    click.option(
        "--cornea", type=types.astigmatism_at, metavar="D@DEG", help="Cornea after surgery, 2.00@90; checked."
    ),
    click.option("--total", is_flag=True, help="The back of the cornea is in --cornea."),
    click.option(
        "--keratometry-sd",
        type=types.dioptres,
        metavar="D",
        help="Standard uncertainty of each of its components.",
    ),
    click.option(
        "--refraction-sd",
        type=types.dioptres,
        metavar="D",
        default=0.25,
        show_default=True,
        help="Standard uncertainty of each component of the refraction's cylinder.",
    ),
    click.option(
        "--axis-sd",
        type=types.degrees,
        metavar="DEG",
        help="Standard uncertainty of the present axis.  [default: 2.0, or what the photos give]",
    ),
    click.option(
        "--placing-sd",
        type=types.degrees,
        metavar="DEG",
        default=3.7,
        show_default=True,
        help="Standard uncertainty of the turn as carried out.",
    ),
    click.option(
        "--worth",
        type=types.dioptres,
        metavar="D",
        default=0.5,
        show_default=True,
        help="Gain that you hold to be worth an operation.",
    ),
    click.option(
        "--baseline",
        "earlier",
        type=baseline,
        metavar="DEG|FILE",
        help="Earlier axis of the marks in the same frame, or the --json file of an earlier photo.",
    ),
    click.option(
        "--baseline-from",
        type=click.Choice(["surgery", "first-photo"]),
        default="first-photo",
        show_default=True,
        help="When an earlier axis given in degrees was read; a file knows.",
    ),
    photo.mirrored_option,
    photo.turned_option(found=True),
    photo.seated_mirrored_option,
    seed_option,
    photo.json_option,
    photo.picture_option,
)


def recheck_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add all of them, in this order; the command gets them as ``given``, a `RecheckRequest`."""

    @functools.wraps(command)
    def read(
        *args: Any,  # noqa: ANN401 - whatever the command takes besides
        json_to: str | None,
        picture: Path | None,
        **typed: Any,  # noqa: ANN401 - the fields of a request
    ) -> None:
        command(*args, given=RecheckRequest(**typed), json_to=json_to, picture=picture)

    with_options: Callable[..., None] = read
    for option in reversed(_OPTIONS):
        with_options = option(with_options)
    return with_options
