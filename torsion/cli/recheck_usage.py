"""Which options of ``torsion recheck`` go together."""

from collections.abc import Sequence
from pathlib import Path

import click

from torsion.angles import Eye
from torsion.astigmatism import Refraction
from torsion.cli.toric_types import Reading
from torsion.cli.usage import refuse_idle

__all__ = ["check_usage"]

_OF_PHOTOS = (
    "--mark",
    "--mark-sd",
    "--planned",
    "--axis-frame",
    "--at-surgery",
    "--eye",
    "--mirrored",
    "--seated-mirrored",
    "--turned",
)
_OF_REFRACTION = ("--vertex", "--cornea", "--refraction-sd", "--axis-sd", "--placing-sd", "--worth", "--seed")
_OF_CYLINDER = ("--at-cornea", "--ratio", "--lens-position")


def check_usage(
    photos: Sequence[Path],
    *,
    eye: Eye | None,
    planned: float | None,
    refraction: Refraction | None,
    cylinder: float | None,
    axis: float | None,
    lens_position: float | None,
    cornea: Reading | None,
    earlier: float | Path | None,
) -> None:
    """Refuse a call that lacks what its way of giving the axis needs, and options that change nothing."""
    if len(photos) not in (0, 2):
        msg = f"give two photos, SEATED and the one that shows the marks, or none, not {len(photos)}"
        raise click.UsageError(msg)
    refuse_idle(*_OF_PHOTOS, when=not photos, why="needs the two photos")
    refuse_idle("--axis", when=photos, why="comes from the photos")
    _check_needs(photos, eye=eye, refraction=refraction, cylinder=cylinder, axis=axis, earlier=earlier)
    refuse_idle(*_OF_REFRACTION, when=refraction is None, why="needs --refraction")
    refuse_idle(
        "--cylinder",
        "--axis-frame",
        when=refraction is None and planned is None,
        why="needs --refraction or --planned",
    )
    refuse_idle(*_OF_CYLINDER, when=cylinder is None, why="needs --cylinder")
    refuse_idle("--mean-power", when=lens_position is None, why="needs --lens-position")
    refuse_idle("--total", "--keratometry-sd", when=cornea is None, why="needs --cornea")
    refuse_idle(
        "--baseline-from",
        when=not isinstance(earlier, float),
        why="needs --baseline in degrees; a file says itself when it was made",
    )


def _check_needs(
    photos: Sequence[Path],
    *,
    eye: Eye | None,
    refraction: Refraction | None,
    cylinder: float | None,
    axis: float | None,
    earlier: float | Path | None,
) -> None:
    needed: dict[str, object]
    if photos:
        needed = {"--eye": eye, **({} if refraction is None else {"--cylinder": cylinder})}
    else:
        needed = {"--refraction": refraction, "--cylinder": cylinder, "--axis": axis}
        if isinstance(earlier, Path):
            msg = "--baseline with a file needs the two photos; without them give its axis in degrees"
            raise click.UsageError(msg)
    missing = [option for option, value in needed.items() if value is None]
    if missing:
        hint = "" if photos else "; or give two photos, --eye and a --mark for each mark of the lens"
        msg = f"missing {', '.join(missing)}{hint}"
        raise click.UsageError(msg)
