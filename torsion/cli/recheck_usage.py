"""Which options of ``torsion recheck`` go together."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import click

from torsion.angles import Eye
from torsion.astigmatism import Refraction

__all__ = ["check_needs", "check_usage"]


def check_usage(
    photos: Sequence[Path], *, only_photos: Mapping[str, object], only_without: Mapping[str, object]
) -> None:
    """Refuse options that belong to the other way of giving the axis."""
    if len(photos) not in (0, 2):
        msg = f"give two photos, SEATED and the one that shows the marks, or none, not {len(photos)}"
        raise click.UsageError(msg)
    wrong, why = (only_without, "comes from the photos") if photos else (only_photos, "needs the two photos")
    for option, value in wrong.items():
        if value not in (None, False, ()):
            msg = f"{option} {why}"
            raise click.UsageError(msg)


def check_needs(
    photos: Sequence[Path],
    *,
    eye: Eye | None,
    refraction: Refraction | None,
    cylinder: float | None,
    axis: float | None,
    earlier: float | Path | None,
) -> None:
    """Refuse a call that lacks what its way of giving the axis needs."""
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
