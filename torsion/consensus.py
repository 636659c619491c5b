"""Consensus: what the pairs of several photos give together, and which photos have no part in it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from torsion.adjustment import Adjustment, Link, adjust, groups, suspects
from torsion.angles import wrap_rotation_deg
from torsion.confidence import FLOOR_DEG
from torsion.measurement import Measurement
from torsion.network import LeftOut
from torsion.preparation import PreparedPhoto

__all__ = ["Consensus", "Pairs", "consensus"]

Pairs = Mapping[tuple[int, int], Measurement]


@dataclass(frozen=True, slots=True, eq=False)
class Consensus:
    """What the pairs give together, and which photos have no part in it.

    Attributes
    ----------
    turned_deg : dict of (int, int) to float or None
        Rotation of each pair by the numbers of its photos, degrees, a turned view in it.
    links : dict of (int, int) to Link
        The pairs that have a part.
    adjustment : Adjustment or None
        None where no path of pairs joins the first seated and the first supine photo.
    left_out : dict of int to {"repeated", "does_not_match", "other_side", "not_comparable", "disagrees"}
        Photos without a part, and why.
    disagrees : tuple of int
        Photos that the others contradict.
    """

    turned_deg: dict[tuple[int, int], float | None]
    links: dict[tuple[int, int], Link]
    adjustment: Adjustment | None
    left_out: dict[int, LeftOut]
    disagrees: tuple[int, ...]


def consensus(photos: Sequence[PreparedPhoto], pairs: Pairs, seated: int) -> Consensus:
    """Adjust all pairs to one rotation of every photo; leave out copies, strangers, and one that disagrees.

    Parameters
    ----------
    photos : sequence of PreparedPhoto
        All seated photos, then all supine ones.
    pairs : mapping of (int, int) to Measurement
        Each pair, the lower number first.
    seated : int
        How many of the photos are seated.

    Returns
    -------
    Consensus
    """
    ends = {0, seated}
    flipped = pairs[0, seated].options.mirrored
    turned_deg = {
        numbers: _turned_deg(pair, mirrored=flipped and numbers[0] >= seated)
        for numbers, pair in pairs.items()
    }
    left_out: dict[int, LeftOut] = {}
    for numbers, pair in pairs.items():
        if "same_picture" in pair.flags and not left_out.keys() & set(numbers) and not ends >= set(numbers):
            left_out[max(set(numbers) - ends)] = "repeated"
    links = {}
    for numbers, pair in pairs.items():
        rotation, uncertainty = turned_deg[numbers], pair.standard_uncertainty_deg
        if pair.verdict != "refuse" and rotation is not None and uncertainty is not None:
            links[numbers] = Link(*numbers, rotation, uncertainty)
    links = _without(links, left_out)
    strangers = _not_connected(photos, pairs, links, ends, left_out)
    crossing = {numbers: pair for numbers, pair in pairs.items() if numbers[0] < seated <= numbers[1]}
    other_side = _showing_other_side(crossing)
    left_out |= {k: "other_side" if k in other_side else reason for k, reason in strangers.items()}
    found = None
    if "same_picture" not in pairs[0, seated].flags:
        links = _without(links, left_out)
        found = adjust(list(links.values()), start=0, end=seated, floor_deg=FLOOR_DEG)
    if found is None:
        return Consensus(turned_deg, {}, None, left_out, ())
    odd = _odd_bands({numbers: pairs[numbers] for numbers in links})
    disagrees = odd if found.fits else suspects(list(links.values()))
    if not found.fits and len(disagrees) == 1 and not ends & set(disagrees):
        left_out[disagrees[0]] = "disagrees"
        links = _without(links, left_out)
        found = adjust(list(links.values()), start=0, end=seated, floor_deg=FLOOR_DEG)
    return Consensus(turned_deg, links, found, left_out, disagrees)


def _turned_deg(pair: Measurement, *, mirrored: bool) -> float | None:
    """Rotation with a turned view in it; between two mirrored photos it is that of the mirror image."""
    if pair.rotation_deg is None or pair.view is None:
        return None
    rotation = wrap_rotation_deg(pair.rotation_deg + pair.view.turn_deg)
    return -rotation if mirrored else rotation


def _without(links: Mapping[tuple[int, int], Link], photos: Iterable[int]) -> dict[tuple[int, int], Link]:
    gone = set(photos)
    return {numbers: link for numbers, link in links.items() if not gone & set(numbers)}


def _not_connected(
    photos: Sequence[PreparedPhoto],
    pairs: Pairs,
    links: Mapping[tuple[int, int], Link],
    ends: set[int],
    repeated: Mapping[int, LeftOut],
) -> dict[int, LeftOut]:
    """Photos that match none of those that hang together, if these hold both ends or are the majority."""
    others = [k for k in range(len(photos)) if k not in repeated]
    main = max(groups(links.values()), key=lambda group: (ends <= group, len(group)), default=set())
    if not ends <= main and 2 * len(main) <= len(others):
        return {}
    reasons: dict[int, LeftOut] = {}
    for k in (k for k in others if k not in main):
        said = {
            name
            for numbers, pair in pairs.items()
            if k in numbers and main & set(numbers)
            for name in pair.flags
        }
        alien = photos[k].verdict != "refuse" and said & {"eyes_do_not_match", "mirrored"}
        reasons[k] = "does_not_match" if alien else "not_comparable"
    return reasons


def _showing_other_side(crossing: Pairs) -> set[int]:
    """Photos that show by themselves another eye than the one stated."""
    return {
        k
        for numbers, pair in crossing.items()
        for k, shown in zip(numbers, pair.lateralities, strict=True)
        if None not in (pair.eye, shown) and shown != pair.eye
    }


def _odd_bands(pairs: Pairs) -> tuple[int, ...]:
    """Give the one photo whose iris and limbal band disagree in each pair, and in no pair without it.

    Where a conjunctiva has slid in a photo, its pairs may fit all others: the error belongs to the photo.
    """
    odd = [set(numbers) for numbers, pair in pairs.items() if "bands_disagree" in pair.flags]
    common = set.intersection(*odd) if odd else set()
    all_of_it = sum(bool(common & set(numbers)) for numbers in pairs)
    return tuple(common) if len(common) == 1 and len(odd) == all_of_it else ()
