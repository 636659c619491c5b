"""Pairs: what one worker measures in one go; pairs that share photos go together."""

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from torsion._version import __version__
from torsion.angles import Eye
from torsion.axis import AxisFrame
from torsion.cohort.light import light, measure_light
from torsion.cohort.manifest import Row
from torsion.cohort.places import PhotoFile, local_copy
from torsion.errors import PhotoError
from torsion.files import MEASUREMENT_SCHEMA
from torsion.measurement import MeasureOptions
from torsion.photo import Turn
from torsion.preparation import PreparedPhoto, PrepareOptions, prepare
from torsion.record import measurement_record

__all__ = ["Group", "Measured", "Pair", "grouped", "measure_group", "pair_of"]

_LARGEST = 64  # pairs in a group: what a kill may cost, and what the last worker may still have to do


@dataclass(frozen=True, slots=True)
class Pair:
    """One measurement to be made: content of both photos, and settings.

    Attributes
    ----------
    key : str
        Digest of all that the result depends on: contents, settings and version of the package.
    seated, supine : PhotoFile
    digests : (str, str)
        SHA-256 of both files.
    """

    key: str
    seated: PhotoFile
    supine: PhotoFile
    digests: tuple[str, str]
    eye: Eye
    axis_deg: float | None
    axis_frame: AxisFrame
    incision_deg: float | None
    options: MeasureOptions


@dataclass(frozen=True, slots=True)
class Measured:
    """Result of a pair: its record, or in one sentence why there is none."""

    key: str
    record: dict[str, Any] | None
    reason: str | None = None


Group = tuple[Pair, ...]

_Use = tuple[str, Eye, Turn]  # how a photo is prepared: its content, whose eye, how the picture is turned


def pair_of(row: Row, seated_digest: str, supine_digest: str) -> Pair:
    """Make the measurement that a row of a manifest asks for."""
    options = MeasureOptions(mirrored=row.mirrored, turned_deg=row.turned_deg)
    settings = (row.eye, row.axis_deg, row.axis_frame, row.incision_deg, row.mirrored, row.turned_deg)
    parts = (MEASUREMENT_SCHEMA, __version__, seated_digest, supine_digest, *settings)
    key = hashlib.sha256(json.dumps(parts).encode()).hexdigest()
    digests = (seated_digest, supine_digest)
    return Pair(
        key, row.seated, row.supine, digests, row.eye, row.axis_deg, row.axis_frame, row.incision_deg, options
    )


def grouped(pairs: Sequence[Pair]) -> list[Group]:
    """Put pairs that share a photo, directly or through others, into one group; the largest come first.

    A group of more than 64 pairs is divided, so that a photo may be prepared once in each part.
    """
    parent: dict[str, str] = {}

    def root(digest: str) -> str:
        while (above := parent.setdefault(digest, digest)) != digest:
            parent[digest] = parent[above]  # halves the way
            digest = above
        return digest

    for pair in pairs:
        parent[root(pair.digests[1])] = root(pair.digests[0])
    together: dict[str, list[Pair]] = {}
    for pair in pairs:
        together.setdefault(root(pair.digests[0]), []).append(pair)
    parts = [
        tuple(group[start : start + _LARGEST])
        for group in together.values()
        for start in range(0, len(group), _LARGEST)
    ]
    return sorted(parts, key=len, reverse=True)  # the long ones first, so that all workers end together


def measure_group(group: Group) -> list[Measured]:
    """Measure the pairs of a group, each photo prepared once and kept only while a pair still needs it.

    Parameters
    ----------
    group : tuple of Pair

    Returns
    -------
    list of Measured
        One for each pair, in order; whatever goes wrong with a pair is that pair's reason.
    """
    prepared: dict[_Use, PreparedPhoto | str] = {}
    wanted = Counter(use for pair in group for use in _uses(pair))
    results = []
    for pair in group:
        photos = []
        for use, file in zip(_uses(pair), (pair.seated, pair.supine), strict=True):
            if use not in prepared:
                prepared[use] = _prepared(file, use)
            photos.append(prepared[use])
        results.append(_measured(pair, photos))
        wanted.subtract(_uses(pair))
        for use in _uses(pair):
            if not wanted[use]:
                prepared.pop(use, None)
    return results


def _uses(pair: Pair) -> Iterator[_Use]:
    turns: tuple[Turn, Turn] = (0, pair.options.of_supine.turned_deg)
    return ((digest, pair.eye, turn) for digest, turn in zip(pair.digests, turns, strict=True))


def _prepared(file: PhotoFile, use: _Use) -> PreparedPhoto | str:
    """Prepare a photo to wait for its pairs, or say why that is not possible."""
    try:
        return light(_whole(file, use))
    except Exception as fault:  # one photo is never the end of the run
        return _unforeseen(f"'{file.name}'", fault)


def _whole(file: PhotoFile, use: _Use) -> PreparedPhoto:
    digest, eye, turn = use
    with local_copy(file) as path:
        photo = prepare(path, eye=eye, options=PrepareOptions(turned_deg=turn))
    if photo.photo.sha256 != digest:
        msg = f"'{file.name}' was changed while the cohort was measured"
        raise PhotoError(msg)
    return photo


def _measured(pair: Pair, photos: Iterable[PreparedPhoto | str]) -> Measured:
    reasons = list(dict.fromkeys(photo for photo in photos if isinstance(photo, str)))
    if reasons:
        return Measured(pair.key, None, "; ".join(reasons))
    seated, supine = (photo for photo in photos if not isinstance(photo, str))
    try:
        _, use = _uses(pair)
        found = measure_light(
            seated,
            supine,
            whole=lambda: _whole(pair.supine, use),
            eye=pair.eye,
            axis_deg=pair.axis_deg,
            axis_frame=pair.axis_frame,
            incision_deg=pair.incision_deg,
            options=pair.options,
        )
        return Measured(pair.key, measurement_record(found))
    except Exception as fault:  # one pair is never the end of the run
        return Measured(pair.key, None, _unforeseen("the pair", fault))


def _unforeseen(what: str, fault: Exception) -> str:
    if isinstance(fault, PhotoError):
        return str(fault)
    return f"{what} could not be measured: {type(fault).__name__}: {fault}".splitlines()[0]
