"""Figures of one photo: what each is, what it must reach, and how to take the photo again."""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["LIMITS", "MEASURES", "Limit", "Measure"]


@dataclass(frozen=True, slots=True)
class Limit:
    """What a figure of a photo must reach, or must not exceed.

    Attributes
    ----------
    flag : str
        Raised beyond the limit.
    least, most : float or None
        In the unit of the figure; one of them is None.
    """

    flag: str
    least: float | None = None
    most: float | None = None

    def breached(self, value: float) -> bool:
        """Whether a value lies beyond the limit."""
        return (self.least is not None and value < self.least) or (
            self.most is not None and value > self.most
        )


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure of a photo.

    Attributes
    ----------
    label : str
        Short name where it is shown.
    unit : str
        As shown: ``%`` of a share, ``0.1 %`` of a small one, ``px``, ``levels`` (of grey), or none.
    meaning : str
    retake : str
        What betters it when the photo is taken again.
    limit : Limit or None
        Limits are physical: beyond them a part of the measurement lacks its material.
    """

    label: str
    unit: str
    meaning: str
    retake: str
    limit: Limit | None = None


MEASURES: Mapping[str, Measure] = {
    # 0.7 pixels a degree at the limbus; vessels and crypts are narrower than that.
    "limbus_radius_px": Measure(
        "limbus radius", "px",
        "radius of the limbus",
        "go closer or use a longer lens",
        Limit("small_eye", least=40.0),
    ),
    "pixels_per_degree": Measure(
        "pixels per degree", "",
        "pixels in a degree along the limbus",
        "go closer or use a longer lens",
    ),
    "limbus_contrast": Measure(
        "limbus edge contrast", "%",
        "contrast of the limbus, 0 to 1",
        "focus on the rim of the iris",
    ),
    "exposed_upper": Measure(
        "upper limbus exposed", "%",
        "share of the upper limbus that no lid covers",
        "ask to open wide, or hold the upper lid",
    ),
    "exposed_lower": Measure(
        "lower limbus exposed", "%",
        "share of the lower limbus that no lid covers",
        "ask to look straight, or hold the lower lid",
    ),
    # Mean of the upper and the lower arc: with the sides alone, height and roundness rest on the lids.
    "exposed": Measure(
        "limbus exposed, mean", "%",
        "mean of the shares of the upper and the lower limbus that no lid covers",
        "ask to open wide, or hold both lids",
        Limit("lids_low", least=0.35),
    ),
    # Shares of the bands; with less of both, nothing spans the eye.
    "iris_valid": Measure(
        "iris usable", "%",
        "share of the iris that can be used",
        "hold the lids, keep lashes and glints off it",
        Limit("eye_covered", least=0.15),
    ),
    "limbus_valid": Measure(
        "limbal band usable", "%",
        "share of the limbal band that can be used",
        "show more white on both sides",
        Limit("eye_covered", least=0.05),
    ),
    "pupil_ratio": Measure(
        "pupil to limbus", "%",
        "radius of the pupil over that of the limbus",
        "photograph before the drops",
    ),
    # Share of the texture's power finer than two degrees.
    "focus": Measure(
        "fine detail", "%",
        "share of the texture's power in detail finer than two degrees; low out of focus",
        "focus on the iris, hold still, use more light",
        Limit("out_of_focus", least=0.10),
    ),
    "focus_iris": Measure(
        "fine detail, iris", "%",
        "likewise, of the iris alone",
        "focus on the iris",
    ),
    "focus_limbus": Measure(
        "fine detail, limbal band", "%",
        "likewise, of the limbal band alone",
        "focus on the vessels beside the iris",
    ),
    "vessel_contrast": Measure(
        "contrast of vessels", "0.1 %",
        "contrast of vessels: standard deviation of the limbal band's green over its median",
        "focus on the white, before drops blanch it",
    ),
    # Of the limbus's disc, on which a natural pupil leaves 0.8 of iris and a dilated one 0.4. With less the
    # coarse search finds the rotation by a narrow margin.
    "iris_detail": Measure(
        "iris with detail", "%",
        "share of the limbus's disc that iris fills whose detail stands out from photo to photo",
        "light and focus the iris, before the drops",
        Limit("faint_iris", least=0.09),
    ),
    "glare": Measure(
        "glints", "%",
        "share of both bands that glints or burnt-out places take",
        "move the lamp to the side",
    ),
    # There are no vessels in what is burnt out.
    "overexposed": Measure(
        "white burnt out", "%",
        "share of the white at the sides of the iris that is burnt out",
        "reduce the flash or the exposure",
        Limit("overexposed", most=0.5),
    ),
    "white_level": Measure(
        "brightness of the white", "%",
        "median green of the limbal band, 0 to 1",
        "more light where dark, less where bright",
    ),
    # Skin is redder than white by a tenth and more in any light; where no lid is near, all is about as red.
    "white_beside": Measure(
        "redder above and below", "%",
        "logarithm of red over blue above and below the iris less that beside it; negative where the picture "
        "lies on its side",
        "turn the picture upright",
        Limit("on_its_side", least=-0.1),
    ),
    # Grey levels: clearly more of the detail is lost than the 4 that differ from photo to photo anyway.
    "rounding": Measure(
        "lost to compression", "levels",
        "grey levels of detail that compression of the file rounded to nothing",
        "save at a higher quality",
        Limit("overcompressed", most=4.5),
    ),
    "off_centre": Measure(
        "off the middle", "%",
        "distance of the limbus from the middle of the picture over half its shorter side",
        "centre the eye",
    ),
    # Of the outline of the limbus.  Cut nearer to its middle than a third of the radius, hardly any of it is
    # seen together with what lies opposite: the middle is a guess.
    "outside": Measure(
        "outside the picture", "%",
        "share of the limbus's outline beyond the edge of the picture",
        "centre the eye, or go further away",
        Limit("half_off_picture", most=0.4),
    ),
}  # fmt: skip

LIMITS: Mapping[str, Limit] = {name: measure.limit for name, measure in MEASURES.items() if measure.limit}
