"""Network: what is reported of several photos of one eye and of the pairs between them."""

from dataclasses import dataclass
from typing import Literal

from torsion.flags import Verdict

__all__ = ["LeftOut", "Network", "NetworkPair", "NetworkPhoto"]

LeftOut = Literal["repeated", "does_not_match", "other_side", "not_comparable", "disagrees"]


@dataclass(frozen=True, slots=True)
class NetworkPhoto:
    """A photo among several of one eye.

    Attributes
    ----------
    role : {"seated", "supine"}
    file : str
        Name without its folder.
    sha256 : str
    verdict : {"accept", "review", "refuse"}
    flags : tuple of str
    used : bool
    left_out : {"repeated", "does_not_match", "other_side", "not_comparable", "disagrees"} or None
        Why it was not used.
    rotation_deg : float or None
        Of the eye in it against the first seated photo, as displayed; roll and head tilt are in it.
    """

    role: Literal["seated", "supine"]
    file: str
    sha256: str
    verdict: Verdict
    flags: tuple[str, ...]
    used: bool
    left_out: LeftOut | None
    rotation_deg: float | None


@dataclass(frozen=True, slots=True)
class NetworkPair:
    """A pair among several photos of one eye.

    Attributes
    ----------
    first, second : int
        Places in the list of photos, from 0.
    rotation_deg, standard_uncertainty_deg : float or None
        Of the second against the first, as displayed.
    verdict : {"accept", "review", "refuse"}
    flags : tuple of str
    used : bool
    misfit_deg : float or None
        Measured less what fits all pairs best; None where it was not used.
    """

    first: int
    second: int
    rotation_deg: float | None
    standard_uncertainty_deg: float | None
    verdict: Verdict
    flags: tuple[str, ...]
    used: bool
    misfit_deg: float | None


@dataclass(frozen=True, slots=True)
class Network:
    """How several photos of one eye gave one rotation.

    Attributes
    ----------
    photos : tuple of NetworkPhoto
        Seated ones first; the rotation is stated between the first of each posture.
    pairs : tuple of NetworkPair
    pairs_used, pairs_left_out : int
    disagrees : tuple of int
        The photo without which the others fit; two, where either would do; empty where all fit, or where it
        cannot be told.
    spread_deg, chi_square, degrees_of_freedom, probability, pair_share
        As in `torsion.adjustment.Adjustment`; None where the two photos are not connected.
    """

    photos: tuple[NetworkPhoto, ...]
    pairs: tuple[NetworkPair, ...]
    pairs_used: int
    pairs_left_out: int
    disagrees: tuple[int, ...] = ()
    spread_deg: float | None = None
    chi_square: float | None = None
    degrees_of_freedom: int | None = None
    probability: float | None = None
    pair_share: float | None = None
