"""How far rings of the eye are turned against each other, beyond their noise, as where conjunctiva slides.

``TORSION_PHOTOS=... python -m tests.benchmarks.twist_study --set NAME`` solves halves of the iris and thirds
of the limbal band apart on all accepted pairs of one eye, and holds each difference against what is stated
for it without and with a twist of the conjunctiva (the priors of `torsion.votes`).
"""

import argparse
import itertools
from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

import torsion
from tests.benchmarks.photos import VARIABLE, list_eyes, photo_folder
from tests.benchmarks.progress import counted
from torsion.confidence import FLOOR_DEG
from torsion.jackknife import jackknife
from torsion.orientation import find_view
from torsion.register import Registration, register
from torsion.votes import Votes

__all__ = ["Ring", "rings_apart", "table"]

_SECTORS = 60  # patches of a ring, which follow each other in the votes
# Band, and shares of its rings from the innermost (0) to the outermost (1).
_RINGS = {
    "inner iris": ("iris", 0.0, 0.5),
    "outer iris": ("iris", 0.5, 1.0),
    "inner white": ("limbus", 0.0, 1 / 3),
    "middle white": ("limbus", 1 / 3, 2 / 3),
    "outer white": ("limbus", 2 / 3, 1.0),
}


class Ring(NamedTuple):
    """Rotation of a ring, variance of its noise, and that of the twist it may have; NaN without votes."""

    rotation_deg: float
    noise_deg2: float
    twist_deg2: float


def rings_apart(registration: Registration) -> list[Ring]:
    """Solve each ring by itself, in the order of the table."""
    bands = {vote.band: vote for vote in registration.votes}
    found = []
    for band, first, last in _RINGS.values():
        vote = bands[band]
        rings = len(vote.weight) // _SECTORS
        place = (np.arange(len(vote.weight)) // _SECTORS + 0.5) / rings
        part = _patches(vote, (place > first) & (place < last))
        if part.weight.sum() <= 0:
            found.append(Ring(np.nan, np.nan, np.nan))
            continue
        one = jackknife([part], registration.start_deg, registration.parameters)
        noise = one.stated_deg2 * one.inflation + FLOOR_DEG**2
        found.append(Ring(one.rotation_deg, noise, one.prior_deg2))
    return found


def _patches(vote: Votes, chosen: NDArray[np.bool_]) -> Votes:
    arrays = [field.name for field in fields(vote) if field.name != "band"]
    return replace(vote, **{name: getattr(vote, name)[chosen] for name in arrays})


def study_eye(shots: Sequence[Path]) -> list[list[Ring]]:
    """Solve the rings of every accepted pair of one eye whose bands both match."""
    prepared = [torsion.prepare(torsion.read_photo(shot)) for shot in shots]
    solved = []
    for first, second in itertools.combinations(prepared, 2):
        found = torsion.measure(first, second)
        if found.verdict == "accept" and not {"iris_only", "limbus_only"} & set(found.flags):
            eyes = first.picture, second.picture
            solved.append(rings_apart(register(*eyes, find_view(*eyes)[1])))
    return solved


def table(pairs: Sequence[Sequence[Ring]]) -> str:
    """Differences of all rings: robust size, and over what is stated without and with a twist."""
    values = np.array(pairs)
    lines = ["difference: robust size in degrees; over stated without, with a twist"]
    for one, other in itertools.combinations(range(len(_RINGS)), 2):
        apart = values[:, other, 0] - values[:, one, 0]
        noise, twist = (values[:, one, part] + values[:, other, part] for part in (1, 2))
        size, without, with_twist = (
            1.4826 * np.nanmedian(np.abs(apart / scale))  # of a normal law, its standard deviation
            for scale in (np.ones(len(apart)), np.sqrt(noise), np.sqrt(noise + twist))
        )
        names = " - ".join([list(_RINGS)[other], list(_RINGS)[one]])
        lines.append(f"  {names:28}{size:.2f}  {without:.2f}  {with_twist:.2f}  (n={len(apart)})")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.twist_study", description=__doc__)
    parser.add_argument("--photos", type=Path, default=photo_folder(), help=f"folder; default ${VARIABLE}")
    parser.add_argument("--set", dest="set_name", required=True, help="first-level folder to use")
    parser.add_argument("--limit-eyes", type=int, help="the first only")
    given = parser.parse_args(arguments)
    if given.photos is None:
        parser.error(f"name the folder of photos with --photos or {VARIABLE}")
    cv2.setNumThreads(1)
    eyes = list_eyes(given.photos, given.set_name, limit=given.limit_eyes).values()
    print(
        table(
            [pair for eye in counted(map(lambda shots: list(study_eye(shots)), eyes), "eyes") for pair in eye]
        )
    )


if __name__ == "__main__":
    main()
