"""Changes of marks: which marks of two photos are the same, and what became of them in between."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from torsion.angles import wrap_rotation_deg
from torsion.ink import Stain
from torsion.ink_outline import Outlined, agreed_outlines, outlined
from torsion.ink_rules import DARK_INK
from torsion.mark_frame import MarkFrame, mark_frame, read_mark, read_stains
from torsion.marks import Change, Mark, Role
from torsion.measurement import Measurement
from torsion.preparation import PreparedPhoto

__all__ = ["Case", "has_moved", "marks_of"]

Case = Literal["none", "seated_marked", "supine_marked", "both_marked"]

_SAME_DEG = 4.0  # two marks whose middles are nearer than this, or that overlap, are one
_ALIKE = 0.2  # of width and density, relative: from photo to photo readings of a spot differ by as much
_MOVED_SD, _MOVED_DEG = 2.0, 0.7  # a move is told from two standard uncertainties, and from this on


def marks_of(
    seated: PreparedPhoto, pair: Measurement | None, planned: Sequence[float]
) -> tuple[Case, tuple[Mark, ...], tuple[Mark, ...]]:
    """Read the marks of one photo or two, and say what became of them in between.

    Parameters
    ----------
    seated : PreparedPhoto
    pair : Measurement or None
        Of the seated photo and a supine one, upright.
    planned : sequence of float
        Intended meridians, degrees, in the frame of the seated photo.

    Returns
    -------
    case : {"none", "seated_marked", "supine_marked", "both_marked"}
    marks : tuple of Mark
        Of the supine photo where there is one, each with its change since the seated one.
    lost : tuple of Mark
        Found in the seated photo and not in the supine one.
    """
    first, second = agreed_outlines(outlined(seated), None if pair is None else outlined(pair.supine), pair)
    frame = mark_frame(first, second, pair)
    if "on_its_side" in seated.flags:  # lashes beside the iris would be taken for ink
        first = None
    if pair is not None and "on_its_side" in pair.supine.flags:
        second = None
    before = _marks(first, read_stains(first), frame, planned, "seated")
    if pair is None:
        return ("seated_marked" if before else "none"), tuple(before), ()
    alone: list[Mark] = []
    if before or not frame.matched:  # ink of both photos is not in their difference
        alone = _marks(second, read_stains(second), frame, planned, "supine")
    if not frame.matched:
        return _case(before, alone), tuple(alone or before), ()
    after = _marks(second, read_stains(second, pair=pair, seated=first), frame, planned, "supine")
    for mark in alone:
        if _same(mark, before) is not None and _same(mark, after) is None:
            after.append(mark)
    changed = [_with_change(mark, _same(mark, before)) for mark in after]
    kept = sorted(changed, key=lambda mark: mark.direction_deg or 0.0)
    lost = [mark for mark in before if _same(mark, after) is None] if before else []
    return _case(before, after), tuple(kept), tuple(lost)


def _marks(
    photo: Outlined | None, stains: Sequence[Stain], frame: MarkFrame, planned: Sequence[float], role: Role
) -> list[Mark]:
    return [] if photo is None else [read_mark(stain, photo, frame, planned, role) for stain in stains]


def _case(before: Sequence[Mark], after: Sequence[Mark]) -> Case:
    if before:
        return "both_marked" if after else "seated_marked"
    return "supine_marked" if after else "none"


def _same(mark: Mark, others: Sequence[Mark]) -> Mark | None:
    """Find the one of other marks that is at the same place."""
    if mark.direction_deg is None:
        return None
    near = []
    for other in others:
        if other.direction_deg is not None:
            apart = abs(wrap_rotation_deg(mark.direction_deg - other.direction_deg))
            if apart <= max(_SAME_DEG, (mark.width_deg + other.width_deg) / 2):
                near.append((apart, other))
    return min(near, key=lambda found: found[0])[1] if near else None


def _with_change(mark: Mark, earlier: Mark | None) -> Mark:
    if earlier is None or mark.direction_deg is None or earlier.direction_deg is None:
        return mark
    moved = wrap_rotation_deg(mark.direction_deg - earlier.direction_deg)
    change = Change(moved, mark.width_deg / earlier.width_deg, mark.density / earlier.density)
    told = mark.certain and earlier.certain and not _is_as_it_was(mark, change)
    return replace(mark, certain=told, change=change)


def _is_as_it_was(mark: Mark, change: Change) -> bool:
    """Whether a mark is as faint as a slate spot, and alike in both photos, as a spot would be."""
    same = max(abs(math.log(change.width_ratio)), abs(math.log(change.density_ratio))) < _ALIKE
    return mark.density < DARK_INK and abs(change.moved_deg) < _MOVED_DEG and same


def has_moved(mark: Mark) -> bool:
    """Whether a mark lies at another place than in the seated photo, beyond what the two readings leave open.

    Parameters
    ----------
    mark : Mark
        Without an earlier one to compare it has not.
    """
    if mark.change is None:
        return False
    # The limbus centre of the seated photo is common to both readings, so only ink and rotation count; the
    # stated uncertainty holds the centre too and is on the safe side.
    return abs(mark.change.moved_deg) > max(_MOVED_DEG, _MOVED_SD * (mark.standard_uncertainty_deg or 0.0))
