"""Options of ``torsion measure`` for what goes with the axis into the theatre, read together."""

import functools
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from torsion.aid_words import centre_words, hand_words, ink_words, ways_words
from torsion.aids import Aids, carried_centre, hand_check, ink_check
from torsion.axis_ways import axis_ways
from torsion.centre import check_limbus_mm, check_opening_mm
from torsion.cli.picked import Point, check_inside, check_pairs_inside, point
from torsion.cli.rows import Row, folded_rows
from torsion.cli.toric_types import millimetres
from torsion.cli.usage import NamedPath
from torsion.errors import TorsionError
from torsion.flags import worst_verdict
from torsion.landmark_pairs import read_pairs
from torsion.measurement import Measurement

__all__ = ["AidRequest", "aid_options", "aid_rows"]


@dataclass(frozen=True, slots=True)
class AidRequest:
    """Files and numbers given beside the photos."""

    landmarks: Path | None
    visual_axis: Point | None
    ring_mm: float | None
    limbus_mm: float | None

    def beside(self, found: Measurement) -> tuple[Measurement, Aids]:
        """Make what was asked for; landmarks and ink are looked for only where an axis was carried.

        The measurement comes back too, with the flags of the hand-picked pairs and the verdict that follows.
        """
        with_axis = found.axis is not None and found.axis.surgical_deg is not None
        ink = ink_check(found) if with_axis else None
        centre, visual_axis = None, self.visual_axis
        if visual_axis is not None:
            check_inside(visual_axis, found.seated.photo, name="visual axis")
            visual_axis = _seated_x_px(found, visual_axis[0]), visual_axis[1]
        if with_axis or self.centre:
            try:
                centre = carried_centre(
                    found, visual_axis_px=visual_axis, ring_mm=self.ring_mm, limbus_mm=self.limbus_mm
                )
            except ValueError as fault:
                raise TorsionError(str(fault)) from fault
        hand = None
        if self.landmarks is not None:
            pairs = read_pairs(self.landmarks)
            check_pairs_inside(pairs, found.seated.photo, found.supine.photo)
            measured = [replace(pair, seated_x_px=_seated_x_px(found, pair.seated_x_px)) for pair in pairs]
            try:
                hand = hand_check(found, measured)
            except ValueError as fault:
                msg = f"'{self.landmarks.name}': {fault}"
                raise TorsionError(msg) from fault
        if hand is not None and hand.flags:
            flags = (*found.flags, *hand.flags)
            found = replace(found, flags=flags, verdict=worst_verdict(flags))
        return found, Aids(axis_ways(found, ink, limbus_mm=self.limbus_mm), ink, hand, centre)

    @property
    def centre(self) -> bool:
        """Whether a centre was asked for."""
        return self.ring_mm is not None or self.visual_axis is not None

    @property
    def files(self) -> tuple[Path, ...]:
        """What is read beside the photos."""
        return () if self.landmarks is None else (self.landmarks,)

    @property
    def sha256(self) -> dict[str, str]:
        """Of the file of landmarks, by its role."""
        file = self.landmarks
        return {} if file is None else {"landmarks": hashlib.sha256(file.read_bytes()).hexdigest()}


def _seated_x_px(found: Measurement, x_px: float) -> float:
    """Mirror what was picked in a seated picture that is stated to be mirrored, along with the picture."""
    return found.seated.photo.width_px - 1.0 - x_px if found.options.seated_mirrored else x_px


def aid_rows(aids: Aids) -> list[Row]:
    """Labels and lines of the text."""
    ways = ways_words(aids)
    if ways:  # the column of labels is too narrow for all of it
        ways = ["in the supine photo, from", *ways]
    parts = {
        "To the axis": ways,
        "Ink": ink_words(aids),
        "By hand": [] if aids.hand is None else hand_words(aids.hand),
        "Centre": [] if aids.centre is None else centre_words(aids.centre, pixels=True),
    }
    return [row for label, said in parts.items() for row in folded_rows(label, *said)]


def _millimetres(check: Callable[[float], float]) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            return check(millimetres(text))
        except ValueError as fault:
            raise click.BadParameter(str(fault)) from fault

    return read


_OPTIONS = (
    click.option(
        "--landmarks",
        type=NamedPath(dir_okay=False, path_type=Path),
        metavar="FILE.csv",
        help="Pairs picked by hand in both photos, as torsion landmarks --pairs reads them: an independent "
        "check of the rotation.",
    ),
    click.option(
        "--visual-axis",
        type=point,
        metavar="X,Y",
        help="Point of the visual axis in the seated photo, in its pixels; carried into the supine photo.",
    ),
    click.option(
        "--capsule-ring-mm",
        type=_millimetres(check_opening_mm),
        metavar="MM",
        help="Draw a ring of this diameter, 3 to 8, round the carried visual axis or pupil centre.",
    ),
    click.option(
        "--limbus-mm",
        type=_millimetres(check_limbus_mm),
        metavar="MM",
        help="Diameter of this eye's limbus, white to white, for millimetres.  [default: the average, 11.71]",
    ),
)


def aid_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options; the command gets them as ``wanted``, an `AidRequest`."""

    @functools.wraps(command)
    def read(
        *args: Any,  # noqa: ANN401 - whatever the command takes besides
        landmarks: Path | None,
        visual_axis: Point | None,
        capsule_ring_mm: float | None,
        limbus_mm: float | None,
        **others: Any,  # noqa: ANN401
    ) -> None:
        wanted = AidRequest(landmarks, visual_axis, capsule_ring_mm, limbus_mm)
        command(*args, wanted=wanted, **others)

    for option in reversed(_OPTIONS):
        read = option(read)
    return read
