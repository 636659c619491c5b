"""Whether a bar across the limbus is ink: rules of physics and anatomy, each beside its number."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_bar import LEAST, NARROWEST_DEG, STEEPEST, WIDEST_DEG, Bar

__all__ = [
    "DARK_INK",
    "InkColor",
    "has_color",
    "has_come",
    "ink_color",
    "is_ink",
    "is_new",
    "is_shown",
    "is_under_lid",
]

Doubles = NDArray[np.float64]
InkColor = Literal["violet", "blue", "black", "brown"]

# Of what blue and violet swallow most. Dark ones come near it, since no light is left; black has 0.72 up.
_STAINED = 0.67
_SHORTEST = 0.06  # limbus radii outside the limbus, 0.35 mm
_AT_LIMBUS = 0.4  # share of its density that a mark keeps at the limbus, which few spots on the white reach
_STRAIGHT = 0.075  # share of its width by which its sides may stray; those of spots and of hair do by 0.1
_ENDS = 0.2  # share of its density that may be left beyond its end; metal and shade run on
_TAIL = 0.5  # likewise of new brown, which no metal, hair or shade is: ink that was wiped leaves a tail
_ON_WHITE = 0.6  # share of white beside a mark
_SOME_WHITE = 0.4  # likewise of one whose colour is strong
_ISLAND = 0.65  # share of white along and beyond a mark that has no colour to tell it by
_ALONE = 0.95  # likewise of one that lies in the white as a whole
_BRIGHTER = 0.35  # share of its density by which it may be lighter beyond its end; a lid is, the white is not
_HELD = 20.0  # degrees a radius by which a pen leans as a rule
_TAN = 1.5  # density in blue over that in red; the shade of lashes, which skin lights, has up to 1.4
_HAIR_DEG = 1.8  # one lash and its shadow are thinner
_LASH = 0.2  # density of one that is out of focus, as one that lies between lens and eye is
_TUFT_DEG = 3.0  # so are lashes that stick together
DARK_INK = 0.35
"""Density, 30 % of the light, from which less else is asked."""
_SQUARE = 1.0  # length outside the limbus over width
_BAR = 1.2  # likewise; half of a round spot is shorter than wide
_LONG_BAR = 1.6  # likewise; a round spot that touches the limbus, or nearly so, has up to 1.4
# Sides that stray by this share of the width are as straight as if ruled, however short; those of round spots
# stray by 0.027 or more.
_RULED = 0.02
_STUB = 0.5  # likewise of blue or violet, which does not grow on an eye, and of what is new
_SHORT_BAR = 0.75  # likewise of what must be ink: eight degrees that ended early or ran
_BLACK = 0.75  # density, 18 % of the light in red: no pigment without colour is as dark
_JITTER_DEG = 0.1  # by which sides stray in any photo
_STROKE, _FROM_LIMBUS = 0.035, 0.75  # straightness of its sides, and share of its density at the limbus
_SHOWS_TOO = 0.5  # share of the density that the clean photo may show at the same place
_KNOWN = 0.75  # share of white about that place from which it is known that nothing was there


def ink_color(colors: Doubles) -> InkColor:
    """Name what is swallowed; relative to the eye's own white, so that the light's colour does not matter."""
    red, green, blue = colors
    if blue < _STAINED * max(red, green):
        return "violet" if green > red else "blue"
    return "brown" if blue > 1.25 * red else "black"


def has_color(bar: Bar) -> bool:
    """Blue or violet beyond doubt; what brightens blue at the same time is metal before skin, not a stain."""
    return _is_stain(bar.colors) and bar.colors[2] > -0.05 and float(bar.colors.max()) > 0.2


def _is_stain(colors: Doubles) -> bool:
    """Blue or violet as no slate-grey pigment is, nor a shadow that the sky lights."""
    red, green, blue = colors
    return bool(blue < (0.55 * green if green > red else 0.40 * red))


def is_ink(bar: Bar) -> bool:
    """Tell whether a bar across the limbus is ink."""
    strong, clear, new = bar.density >= DARK_INK, min(bar.beside) >= _ON_WHITE, is_new(bar)
    colored = has_color(bar)
    if bar.cut_off and not (strong and colored):  # metal that runs on beyond the picture seems to end there
        return False
    if not _crosses(bar) or not (strong or clear or (new and colored)) or is_shown(bar):
        return False
    if not colored:
        return clear and _is_plain_ink(bar)
    if min(bar.beside) < _SOME_WHITE and bar.beyond < _ISLAND:
        # Make-up lies there too, but along the lid; a pen is held outwards.
        outwards = abs(bar.slope) <= _HELD and _slenderness(bar) >= _SQUARE
        return outwards and (new or _is_straight(bar))
    if strong or new:
        return _slenderness(bar) >= _STUB
    # Slate pigment is bluish, but lies in spots.
    return _slenderness(bar) >= (_BAR if bar.beyond >= _ISLAND else _LONG_BAR)


def is_under_lid(bar: Bar) -> bool:
    """Tell whether a bar with white on both sides at the limbus runs under a lid or along one further out."""
    return min(bar.beside) >= _SOME_WHITE and min(bar.around, bar.beyond) < _ISLAND


def has_come(bar: Bar) -> bool:
    """Tell whether a bar is new and no lash or shadow that has moved: it has a colour.

    The shade of lashes on a moist eye is brownish too, but neither straight nor longer than wide.
    """
    brown = ink_color(bar.colors) == "brown" and _is_straight(bar) and _slenderness(bar) >= _BAR
    return is_new(bar) and (has_color(bar) or _is_tan(bar) or brown)


def _crosses(bar: Bar) -> bool:
    """Tell whether it is a bar across the limbus, with white beside it and an end."""
    strong, colored, new = bar.density >= DARK_INK, has_color(bar), is_new(bar)
    # White in shade, or stained by pigment, may not pass for white: then a strong colour must tell.
    beside = _SOME_WHITE if strong and colored else _ON_WHITE
    # What is new is no spot; with white along both its sides it is no hair either; and if it is dark or has a
    # colour, no shadow.  Then its sides may be as ragged as where ink has run; so may those
    # of a dark stain that is longer than spots are and ends on white.
    told = new and (strong or colored)
    stroke = strong and colored and bar.beyond >= _ISLAND and _slenderness(bar) >= _BAR
    ragged = (told or stroke) and min(*bar.beside, bar.around) >= _ISLAND
    return (
        NARROWEST_DEG <= _width_deg(bar) <= WIDEST_DEG
        and bar.outer - 1.0 >= _SHORTEST
        and abs(bar.slope) <= STEEPEST
        and bar.at_limbus >= _AT_LIMBUS
        and (ragged or not bar.ragged > _STRAIGHT)
        and (bar.left_over <= _ENDS or (new and _is_tan(bar) and bar.left_over <= _TAIL))
        and (bar.color_left <= _ENDS or not _is_stain(bar.colors))
        and max(bar.beside) >= beside
    )


def _is_plain_ink(bar: Bar) -> bool:
    """Tell whether a bar that has no stain to tell it by is ink."""
    new, strong, width_deg = is_new(bar), bar.density >= DARK_INK, _width_deg(bar)
    straight = _is_straight(bar)
    if bar.limbus_seen < _ON_WHITE:  # a lash on a lid that is as pale as the white
        return False
    if bar.density < LEAST["ink"] or bar.runs_on or (bar.left_over < -_BRIGHTER and not straight):
        return False
    if _slenderness(bar) < (_STUB if new else _SHORT_BAR) or not (new or _is_stroke(bar)):
        return False
    island = min(*bar.beside, bar.around, bar.beyond)
    if island >= _ALONE:  # no tuft ends on white, and no shadow lies in it; a lash that has come off may
        stained = _is_stain(bar.colors) or (_is_tan(bar) and width_deg >= _HAIR_DEG)
        thick = width_deg >= _TUFT_DEG or bar.density >= _LASH or stained
        return thick and (strong or straight or (new and bar.ragged <= _STRAIGHT))
    if width_deg < _HAIR_DEG:
        return False
    if island >= _ISLAND:
        tan, wide = _is_tan(bar), width_deg >= _TUFT_DEG and _slenderness(bar) >= _SHORT_BAR
        return (strong and (straight or tan)) or (new and straight and (wide or tan))
    # It runs under a lid or beside it.  So does hair, but it is thinner and ends there; and pigment has no
    # straight sides, and hair leans as it likes, where a pen is held outwards.
    if not (straight and width_deg >= _TUFT_DEG and abs(bar.slope) <= _HELD):
        return False
    if new:
        return strong or _slenderness(bar) >= _SQUARE
    return strong and max(bar.around, bar.beyond) >= _ON_WHITE and _slenderness(bar) >= _BAR


def _is_tan(bar: Bar) -> bool:
    """Brown as neither hair nor a shadow is, which swallow all colours nearly alike; and longer than wide."""
    return bool(bar.colors[2] >= _TAN * bar.colors[0]) and _slenderness(bar) >= _BAR


def _width_deg(bar: Bar) -> float:
    return bar.end_deg - bar.start_deg


def _slenderness(bar: Bar) -> float:
    """Length outside the limbus over width."""
    return float((bar.outer - 1.0) / np.radians(_width_deg(bar)))


def _is_stroke(bar: Bar) -> bool:
    """Tell what no other photo tells apart: pigment lies in round spots, and is brown or thin."""
    if bar.at_limbus < _FROM_LIMBUS:
        return False
    black = bar.density >= _BLACK and ink_color(bar.colors) != "brown" and _is_straight(bar)
    return black or bar.ragged <= _RULED or _slenderness(bar) >= _LONG_BAR


def _is_straight(bar: Bar) -> bool:
    """Tell whether a bar has the sides of a stroke, from the limbus on: those of a spot are round.

    What the photo without ink does not show is no spot, so that it may be fainter at the limbus.
    """
    width_deg = _width_deg(bar)
    straight = bar.ragged * width_deg <= max(_STROKE * width_deg, _JITTER_DEG)
    return straight and (is_new(bar) or bar.at_limbus >= _FROM_LIMBUS)


def is_new(bar: Bar) -> bool:
    """Tell whether the photo without ink shows white where the bar is."""
    return bar.shown is not None and not is_shown(bar) and bar.known >= _KNOWN


def is_shown(bar: Bar) -> bool:
    """Tell whether the photo without ink shows the bar too."""
    return bar.shown is not None and bar.shown >= _SHOWS_TOO
