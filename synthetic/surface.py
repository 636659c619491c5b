"""What lies on an eye or is held over it: the state of its surface, ink, spots and instruments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

InkColor = Literal["violet", "blue", "black", "brown"]
SpotColor = Literal["brown", "slate", "yellow"]
Metal = Literal["steel", "black", "titanium"]


@dataclass(frozen=True, slots=True)
class Surface:
    """State of the white of the eye and of the cornea.

    Parameters
    ----------
    slide_deg, slide_x, slide_y : float
        The conjunctiva with its superficial vessels slides over the globe as a whole: by an angle
        (counter-clockwise) and by a shift in limbus radii.
    blanching : float
        0 leaves the vessels, 1 empties them.
    redness : float
        Diffuse redness added to the conjunctiva, 0 to 1.
    blood : float
        Size of a patch of blood under the conjunctiva, 0 (none) to 1 (a quadrant and more).
    blood_deg : float
        Direction of the patch in the frame of the seated eye.
    chemosis : float
        0 to 1: swollen conjunctiva, paler, glossy, vessels out of focus.
    pterygium : float
        How far a fleshy wedge grows over the cornea from the nasal side, in limbus radii; 0 is none.
    arcus : float
        Grey ring just inside the limbus, 0 to 1.
    melanosis : float
        Brown, patchy pigment of the conjunctiva round the limbus, 0 to 1.
    scar : float
        Size and density of a cloudy patch of the cornea, 0 (none) to 1 (half of it).
    scar_deg : float
        Direction of the patch in the frame of the seated eye.
    cuts : int
        Number of healed radial cuts of the cornea.
    stain : float
        Brown film of iodine on the white of the eye, 0 to 1.
    """

    slide_deg: float = 0.0
    slide_x: float = 0.0
    slide_y: float = 0.0
    blanching: float = 0.0
    redness: float = 0.0
    blood: float = 0.0
    blood_deg: float = 200.0
    chemosis: float = 0.0
    pterygium: float = 0.0
    arcus: float = 0.0
    melanosis: float = 0.0
    scar: float = 0.0
    scar_deg: float = 0.0
    cuts: int = 0
    stain: float = 0.0


@dataclass(frozen=True, slots=True)
class InkMark:
    """A pen mark across the limbus; it turns with the eye.

    Parameters
    ----------
    direction_deg : float
        Direction of the middle of the mark, seen from the middle of the limbus, in the frame of the seated
        eye (rotation 0), counter-clockwise from the right.
    width_deg : float
        Full width at half contrast, measured at the limbus.
    color : {"violet", "blue", "black", "brown"}
    inner, outer : float
        Radial extent in limbus radii.
    smear : float
        0 is crisp; 1 has run by its own width to one side (counter-clockwise), where a quarter is left.
    fading : float
        0 is fresh, 1 is gone.
    slant_deg : float
        By how much the outer end lies further counter-clockwise than where the mark crosses the limbus.
    """

    direction_deg: float
    width_deg: float = 4.0
    color: InkColor = "violet"
    inner: float = 0.98
    outer: float = 1.3
    smear: float = 0.0
    fading: float = 0.0
    slant_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Spot:
    """A coloured spot on the white of the eye (naevus, pigment, a nerve's end); it turns with the eye.

    Parameters
    ----------
    direction_deg : float
        As of an `InkMark`.
    radius : float
        Distance of its middle from the middle of the limbus, limbus radii.
    size_deg : float
        Diameter, in degrees at the limbus.
    color : {"brown", "slate", "yellow"}
    strength : float
        0 is invisible, 1 covers what lies below.
    """

    direction_deg: float
    radius: float = 1.2
    size_deg: float = 5.0
    color: SpotColor = "brown"
    strength: float = 0.8


@dataclass(frozen=True, slots=True)
class Tool:
    """An instrument held over the eye; it does not turn with it.

    Parameters
    ----------
    direction_deg : float
        From where it comes, in the picture before it is mirrored and turned.
    reach : float
        How far its tip is from the middle of the limbus, limbus radii.
    width : float
        Of its shaft, limbus radii.
    metal : {"steel", "black", "titanium"}
    aside : float
        By how much it points past the middle, limbus radii.
    """

    direction_deg: float
    reach: float = 0.9
    width: float = 0.08
    metal: Metal = "steel"
    aside: float = 0.0
