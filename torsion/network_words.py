"""Words for several photos of one eye: how they agree, which were left out, and which disagrees."""

from torsion.network import LeftOut, Network
from torsion.wording import printable

__all__ = ["network_sentence", "network_words", "photo_numbers"]

_LEFT_OUT: dict[LeftOut, str] = {
    "repeated": "it shows a photograph that was given before",
    "does_not_match": "it matches none of the others; another eye or another patient?",
    "other_side": "it shows the other eye, by the inner corner of the lids, or is mirrored or upside down",
    "not_comparable": "too little can be seen of the eye",
    "disagrees": "it disagrees with the others, which fit without it",
}


def network_words(network: Network, *, files: bool = True) -> list[str]:
    """Say how several photos agree, which were left out, and which disagrees; a sentence each.

    Without `files`, photos are numbered in the order given and not named by their files.
    """
    photos = network.photos
    names = _named(network) if files else photo_numbers(network)
    total, used = len(network.pairs), network.pairs_used
    seated = sum(photo.role == "seated" for photo in photos)
    words = f"{seated} seated and {len(photos) - seated} supine, {used} of {total} pairs used"
    if network.spread_deg is not None:
        words += f", which scatter by {network.spread_deg:.2f}°"
    said = [words]
    for name, photo in zip(names, photos, strict=True):
        if photo.left_out is not None:
            said.append(f"{name} was left out: {_LEFT_OUT[photo.left_out]}")
    odd = [names[place] for place in network.disagrees if photos[place].left_out is None]
    if odd:
        said.append(f"{' or '.join(odd)} disagrees with the others")
    return said + _exchanged(network, names)


def _exchanged(network: Network, names: list[str]) -> list[str]:
    """Name the photos that look exchanged, where one seated and one supine photo do; the first of several."""
    photos = network.photos
    doubtful = [
        f"{names[pair.first]} and {names[pair.second]}"
        for pair in network.pairs
        if "order_doubtful" in pair.flags and photos[pair.first].role != photos[pair.second].role
    ]
    more = f" (and {len(doubtful) - 1} more)" if len(doubtful) > 1 else ""
    return [f"{doubtful[0]}{more} look exchanged"] if doubtful else []


def network_sentence(network: Network, *, files: bool) -> str:
    """Say the same in one sentence, for a line of a page."""
    words = "; ".join(network_words(network, files=files))
    return words if words.endswith("?") else f"{words}."


def _named(network: Network) -> list[str]:
    """Name the photos by file and posture; by their number as well, where two of a posture have one name."""
    own = [(photo.file, photo.role) for photo in network.photos]
    return [
        f"{printable(file or 'a photo without a name')} ({role if own.count((file, role)) == 1 else number})"
        for (file, role), number in zip(own, photo_numbers(network), strict=True)
    ]


def photo_numbers(network: Network) -> list[str]:
    """Name the photos by their posture and place among those of it, as a page does that names no file."""
    roles = [photo.role for photo in network.photos]
    return [f"{role} photo {roles[: place + 1].count(role)}" for place, role in enumerate(roles)]
