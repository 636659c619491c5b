"""What a photograph is taken of and how: every condition of one view, units in the names."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

GlintKind = Literal["flash", "window", "ring"]
InkColor = Literal["violet", "blue", "black", "brown"]
SpotColor = Literal["brown", "slate", "yellow"]
Metal = Literal["steel", "black", "titanium"]


@dataclass(frozen=True, slots=True)
class Lids:
    """Where the lids lie. They belong to the head: they do not turn with the eye.

    Parameters
    ----------
    upper_cover : float
        Share of the limbal ring that the upper lid hides, 0 to 0.4.
    lower_gap : float
        Distance from the lowest point of the limbus to the lower lid in limbus radii; negative covers.
    lashes : float
        Density of the eyelashes, 0 (none) to 1.5.
    droop : float
        Share of the upper lashes that hang across the eye, 0 to 1.
    speculum : bool
        Lids held wide open by wires, the other fields of the lids unused.
    makeup : float
        0 is none; 1 is a dark line along both lids with flakes of it on the eye, and thickened lashes.
    """

    upper_cover: float = 0.18
    lower_gap: float = 0.02
    lashes: float = 1.0
    droop: float = 0.25
    speculum: bool = False
    makeup: float = 0.0


@dataclass(frozen=True, slots=True)
class Glint:
    """A mirror image of a lamp on the cornea; it stays where it is when the eye turns.

    `x` and `y` (upwards) count from the middle of the limbus in limbus radii, `size` is the half width in
    the same unit, `strength` 1 is clipped white.
    """

    kind: GlintKind = "flash"
    x: float = 0.1
    y: float = 0.15
    size: float = 0.06
    strength: float = 1.0


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
class Light:
    """Light on the scene.

    Parameters
    ----------
    glints : tuple of Glint
    exposure_ev : float
        Stops over (positive) or under.
    cast : tuple of float
        Gains of red, green and blue on top of neutral white.
    vignetting : float
        Loss of light in the corners, 0 to 1.
    gradient, gradient_deg : float
        Light stronger by this share on the side of this direction; it belongs to the room.
    haze : float
        Veil of stray light, 0 to 1.
    red_reflex : float
        0 leaves the pupil black, 1 fills it bright orange as under a coaxial microscope.
    meniscus : float
        Brightness of the line of tears on the lower lid.
    reflection : float
        Strength of the faint mirror image of the surroundings on the cornea, 0 to 1.
    infrared : bool
        Near infra-red look: grey, black pupil, strong iris, hardly any vessel.
    """

    glints: tuple[Glint, ...] = (Glint(),)
    exposure_ev: float = 0.0
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignetting: float = 0.1
    gradient: float = 0.1
    gradient_deg: float = 60.0
    haze: float = 0.0
    red_reflex: float = 0.0
    meniscus: float = 0.6
    reflection: float = 0.10
    infrared: bool = False


@dataclass(frozen=True, slots=True)
class Camera:
    """What the camera adds.

    Parameters
    ----------
    defocus_px : float
        Gaussian sigma or, with `disc`, radius of the blur disc.
    disc : bool
        Blur with a disc rather than a Gaussian.
    motion_px, motion_deg : float
        Length and direction of motion blur.
    read_noise, shot_noise : float
        Standard deviations in grey levels of 255: in the dark, and the part that grows with the square root
        of the signal (given at full white).
    sharpening : float
        Weight of the camera's own unsharp mask.
    jpeg_quality : int or None
        None leaves the picture uncompressed.
    """

    defocus_px: float = 0.0
    disc: bool = False
    motion_px: float = 0.0
    motion_deg: float = 0.0
    read_noise: float = 0.0
    shot_noise: float = 0.0
    sharpening: float = 0.0
    jpeg_quality: int | None = None


@dataclass(frozen=True, slots=True)
class View:
    """All conditions of one photograph.

    Angles are in degrees, counter-clockwise as seen in the picture before it is mirrored and turned.

    Parameters
    ----------
    width_px, height_px : int
        Size before the picture is turned (90 and 270 swap them).
    limbus_radius_px : float
        Mean radius of the limbus.
    center_x_px, center_y_px : float or None
        Middle of the limbus, before mirroring and turning; None is the middle of the picture.
    rotation_deg : float
        Torsion of the eye about its own line of sight. Lids, skin, lashes and glints stay.
    roll_deg : float
        Roll of the camera or the head: everything turns, lids and glints too.
    turn_deg : {0, 90, 180, 270}
        The finished picture is turned counter-clockwise.
    mirrored : bool
        The finished picture is mirrored left to right, before it is turned.
    yaw_deg, pitch_deg : float
        Gaze to the right and upwards. The tilt is about an axis in the picture plane, so it brings no
        torsion.
    pupil_ratio : float
        Radius of the pupil over that of the limbus, 0.15 to 0.8.
    lids : Lids or None
        None draws the bare globe: no lids, skin or lashes.
    surface, light, camera : Surface, Light, Camera
    marks : tuple of InkMark
    spots : tuple of Spot
    tools : tuple of Tool
    """

    width_px: int = 960
    height_px: int = 640
    limbus_radius_px: float = 170.0
    center_x_px: float | None = None
    center_y_px: float | None = None
    rotation_deg: float = 0.0
    roll_deg: float = 0.0
    turn_deg: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    pupil_ratio: float = 0.35
    lids: Lids | None = field(default_factory=Lids)
    surface: Surface = field(default_factory=Surface)
    light: Light = field(default_factory=Light)
    camera: Camera = field(default_factory=Camera)
    marks: tuple[InkMark, ...] = ()
    spots: tuple[Spot, ...] = ()
    tools: tuple[Tool, ...] = ()

    @property
    def center_px(self) -> tuple[float, float]:
        """Middle of the limbus (x, y), before mirroring and turning."""
        x = (self.width_px - 1) / 2 if self.center_x_px is None else self.center_x_px
        y = (self.height_px - 1) / 2 if self.center_y_px is None else self.center_y_px
        return x, y
