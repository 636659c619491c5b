"""What a photograph is taken of and how: every condition of one view, units in the names."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from synthetic.surface import InkMark, Spot, Surface, Tool

GlintKind = Literal["flash", "window", "ring"]


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
