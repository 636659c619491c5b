"""Which options of ``torsion recheck`` go together."""

from pathlib import Path

import click

from torsion.cli.recheck_options import RecheckRequest
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


def check_usage(given: RecheckRequest) -> None:
    """Refuse a call that lacks what its way of giving the axis needs, and options that change nothing."""
    if len(given.photos) not in (0, 2):
        msg = f"give two photos, SEATED and the one that shows the marks, or none, not {len(given.photos)}"
        raise click.UsageError(msg)
    refuse_idle(*_OF_PHOTOS, when=not given.photos, why="needs the two photos")
    refuse_idle("--axis", when=given.photos, why="comes from the photos")
    _check_needs(given)
    refuse_idle(*_OF_REFRACTION, when=given.refraction is None, why="needs --refraction")
    refuse_idle(
        "--cylinder",
        "--axis-frame",
        when=given.refraction is None and given.planned is None,
        why="needs --refraction or --planned",
    )
    refuse_idle(*_OF_CYLINDER, when=given.cylinder is None, why="needs --cylinder")
    refuse_idle("--mean-power", when=given.lens_position is None, why="needs --lens-position")
    refuse_idle("--total", "--keratometry-sd", when=given.cornea is None, why="needs --cornea")
    refuse_idle(
        "--baseline-from",
        when=not isinstance(given.earlier, float),
        why="needs --baseline in degrees; a file says itself when it was made",
    )


def _check_needs(given: RecheckRequest) -> None:
    needed: dict[str, object]
    if given.photos:
        needed = {"--eye": given.eye, **({} if given.refraction is None else {"--cylinder": given.cylinder})}
    else:
        needed = {"--refraction": given.refraction, "--cylinder": given.cylinder, "--axis": given.axis}
        if isinstance(given.earlier, Path):
            msg = "--baseline with a file needs the two photos; without them give its axis in degrees"
            raise click.UsageError(msg)
    missing = [option for option, value in needed.items() if value is None]
    if missing:
        hint = "" if given.photos else "; or give two photos, --eye and a --mark for each mark of the lens"
        msg = f"missing {', '.join(missing)}{hint}"
        raise click.UsageError(msg)
