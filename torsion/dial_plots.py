"""The eye in a dial of degrees: the drawing that every figure of a photo is made of.

The limbus is the unit circle and y is up, so that eyes of different photos are drawn at one scale.  Line
styles, shapes and words carry what colour carries; lines on the photo are light on dark, so that they show on
every iris.
"""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Arc, Circle, FancyBboxPatch, Polygon
from matplotlib.patches import Ellipse as EllipsePatch
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from torsion.angles import axis_difference_deg, unit_vector
from torsion.flags import Verdict
from torsion.photo import Ellipse
from torsion.preparation import PreparedPhoto
from torsion.wording import axis_degrees, direction_degrees

__all__ = [
    "BLACK",
    "BLUE",
    "GREY",
    "INK",
    "PAPER",
    "VERDICT_COLOURS",
    "VERMILION",
    "YELLOW",
    "draw_axis",
    "draw_badge",
    "draw_eye",
    "draw_incision",
    "draw_turn",
    "hatch_masked",
    "write_over",
]

# Colours told apart by colour-blind eyes (Okabe & Ito's set), on a light ground.
BLUE, VERMILION, YELLOW, BLACK = "#0072B2", "#D55E00", "#F0E442", "#000000"
INK, GREY, PAPER = "#1A1A1A", "#5A5A5A", "#FCFCFA"
VERDICT_COLOURS: dict[Verdict, tuple[str, str]] = {
    "accept": (BLUE, "white"),
    "review": (YELLOW, BLACK),
    "refuse": (BLACK, "white"),
}
"""Ground and ink of the box that a verdict stands in."""
_PALE = "#E2E2DC"

_EDGE, _DIAL, _REACH = 1.5, 1.7, 2.04  # limbus radii: edge of the photo, of the dial, of the panel
_DEGREES, _BADGES = 1.85, 1.89  # where the degrees and the badges are written
_BADGE_PT = 12.0  # size of its letters
_FARTHEST_DEG = 60  # along the dial, that a badge gives way to others
_ROUND = "round,pad=0.3,rounding_size=0.3"
_BADGE, _NUMERAL = "badge", "numeral"  # what a text of a dial is, so that others give way to it or it to them
_DASHES = (0.0, (5.0, 2.5))
_DOTS = (0.0, (1.0, 1.6))


def draw_eye(axes: Axes, prepared: PreparedPhoto) -> bool:
    """Draw one eye with limbus and pupil in its dial of degrees.

    Parameters
    ----------
    axes : Axes
    prepared : PreparedPhoto

    Returns
    -------
    bool
        False where no eye was found, and the whole photo is drawn without a dial.
    """
    axes.set_axis_off()
    if prepared.limbus is None:
        _draw_whole_photo(axes, prepared)
    else:
        _draw_round_photo(axes, prepared, prepared.limbus)
        _draw_dial(axes)
        _draw_outline(axes, prepared.limbus, prepared.limbus, "-")
        if prepared.pupil is not None:
            _draw_outline(axes, prepared.pupil, prepared.limbus, _DOTS)
    _set_limits(axes)
    return prepared.limbus is not None


def draw_axis(axes: Axes, axis_deg: float, *, carried: bool, color: str | None = None) -> None:
    """Draw a meridian across the dial with a badge at the end that bears its number.

    A planned axis is dashed, a carried one drawn through; blue and vermilion unless a colour is given.
    """
    style = "-" if carried else _DASHES
    color = color or (VERMILION if carried else BLUE)
    halo = [withStroke(linewidth=5.5, foreground="white")]
    for end in (axis_deg, axis_deg + 180.0):
        _ray(axes, end, 0.0, _DIAL, color=color, ls=style, lw=3.0, zorder=5, path_effects=halo)
        mark = Polygon(_wedge(end, 0.09), facecolor=color, edgecolor="white", lw=0.8, zorder=6)
        axes.add_patch(mark)
    draw_badge(axes, axis_deg, axis_degrees(axis_deg), ground=color)


def draw_turn(axes: Axes, planned_deg: float, surgical_deg: float, *, color: str | None = None) -> None:
    """Draw where the planned axis would lie without the turn (thin dashes), and the turn as a bow."""
    turn = axis_difference_deg(surgical_deg, planned_deg)
    for end in (planned_deg, planned_deg + 180.0):
        _ray(axes, end, 1.0, _DIAL, color=color or BLUE, ls=_DASHES, lw=1.8, zorder=4)
        first, last = sorted((end, end + turn))
        size = _EDGE + _DIAL  # diameter of the middle of the dial
        bow = Arc(
            (0.0, 0.0), size, size, theta1=first, theta2=last, color=color or VERMILION, lw=6.0, zorder=4
        )
        axes.add_patch(bow)
    draw_badge(axes, surgical_deg + 180.0, f"{turn:+.1f}°", ground="white", ink=color or VERMILION)


def draw_incision(axes: Axes, direction_deg: float) -> None:
    """Draw an arrow head that points into the eye at the limbus."""
    base, half = 1.22, 4.5
    head = [_at(direction_deg, 1.0), _at(direction_deg - half, base), _at(direction_deg + half, base)]
    axes.add_patch(Polygon(head, facecolor=BLACK, edgecolor="white", lw=1.5, zorder=6))
    _ray(axes, direction_deg, base, _DIAL, color=BLACK, ls=":", lw=1.8, zorder=5)
    draw_badge(axes, direction_deg, f"incision\n{direction_degrees(direction_deg)}", ground=BLACK)


def draw_badge(
    axes: Axes, angle_deg: float, text: str, *, ground: str, ink: str = "white", shape: str = _ROUND
) -> None:
    """Write into a box outside the dial: clear of boxes that stand there already, in place of degrees."""
    label = axes.text(0.0, 0.0, text, ha="center", va="center", size=_BADGE_PT, weight="bold", color=ink)
    label.set(bbox={"boxstyle": shape, "facecolor": ground, "edgecolor": ink}, zorder=8)
    axes.apply_aspect()  # places are known only then
    others = [_extent(other) for other in axes.texts if other.get_gid() == _BADGE]
    label.set_gid(_BADGE)
    for turn in (side * step for step in range(_FARTHEST_DEG) for side in (1, -1)):
        _put(label, angle_deg + turn)
        if not any(_extent(label).overlaps(other) for other in others):
            break
    for numeral in axes.texts:
        if numeral.get_gid() == _NUMERAL and _extent(numeral).overlaps(_extent(label)):
            numeral.set_visible(False)


def write_over(axes: Axes, word: str, reason: str) -> None:
    """Write a word in a band across a panel, where the eye falls first."""
    band = FancyBboxPatch((-1.25, -0.36), 2.5, 0.72, boxstyle="round,pad=0.05", fc=BLACK, ec="white", lw=2.0)
    band.set_zorder(9)
    axes.add_patch(band)
    axes.text(0.0, 0.1, word, ha="center", va="center", size=34, weight="bold", color="white", zorder=10)
    axes.text(0.0, -0.22, reason, ha="center", va="center", size=13, color="white", zorder=10)


def hatch_masked(axes: Axes, prepared: PreparedPhoto) -> None:
    """Hatch what the measurement does not use: lids, lashes, glare, and what lies outside both bands."""
    if prepared.picture is None:
        return
    valid, px = prepared.picture.valid, prepared.picture.px_per_radius
    half = valid.shape[0] // 2
    rows, columns = np.mgrid[-half : half + 1, -half : half + 1]
    stripe = (rows + columns) // max(1, round(px / 34.0)) % 4
    masked = ~valid & (np.hypot(rows, columns) < _EDGE * px)
    overlay = np.zeros((*valid.shape, 4), np.uint8)
    overlay[masked & (stripe == 0)] = (0, 0, 0, 200)  # dark beside light shows on skin and pupil alike
    overlay[masked & (stripe == 1)] = (255, 255, 255, 130)
    reach = (half + 0.5) / px
    axes.imshow(overlay, extent=(-reach, reach, -reach, reach), interpolation="nearest", zorder=2)
    _set_limits(axes)


def _draw_round_photo(axes: Axes, prepared: PreparedPhoto, limbus: Ellipse) -> None:
    """Draw the round part of the photo about the eye; what lies beyond the photo's edge is crossed."""
    nothing = Circle((0.0, 0.0), _EDGE, facecolor=_PALE, hatch="xx", edgecolor="white", lw=0.0, zorder=0)
    axes.add_patch(nothing)
    photo, radius = prepared.photo, limbus.radius_px
    height, width = photo.pixels.shape[:2]
    reach = (_EDGE + 0.05) * radius
    corners = [(limbus.x_px - reach, limbus.y_px - reach), (limbus.x_px + reach, limbus.y_px + reach)]
    (left, top), (right, bottom) = photo.to_decoded_px(corners)
    x0, x1 = max(0, int(left)), min(width, int(right) + 2)
    y0, y1 = max(0, int(top)), min(height, int(bottom) + 2)
    edges = photo.to_full_px([(x0 - 0.5, y0 - 0.5), (x1 - 0.5, y1 - 0.5)])
    across = (edges[:, 0] - limbus.x_px) / radius
    up = (limbus.y_px - edges[:, 1]) / radius
    extent = (across[0], across[1], up[1], up[0])
    image = axes.imshow(photo.pixels[y0:y1, x0:x1], extent=extent, cmap="gray", vmin=0, vmax=255, zorder=1)
    image.set_clip_path(Circle((0.0, 0.0), _EDGE, transform=axes.transData))


def _draw_whole_photo(axes: Axes, prepared: PreparedPhoto) -> None:
    height, width = prepared.photo.pixels.shape[:2]
    x, y = _EDGE * width / max(width, height), _EDGE * height / max(width, height)
    axes.imshow(prepared.photo.pixels, extent=(-x, x, -y, y), cmap="gray", vmin=0, vmax=255)
    axes.text(0.0, -y - 0.12, "no eye found", ha="center", va="top", size=13, weight="bold", color=INK)


def _set_limits(axes: Axes) -> None:
    """Set the panel's own limits again: drawing a picture changes them."""
    axes.set(xlim=(-_REACH, _REACH), ylim=(-_REACH, _REACH), aspect="equal")


def _draw_dial(axes: Axes) -> None:
    """Draw the ring of degrees outside the photo: ticks every 5, longer every 10, figures every 30."""
    for radius in (_EDGE, _DIAL):
        axes.add_patch(Circle((0.0, 0.0), radius, fill=False, edgecolor=INK, lw=1.0, zorder=3))
    for angle in range(0, 360, 5):
        inner = _DIAL - (0.15 if angle % 30 == 0 else 0.10 if angle % 10 == 0 else 0.05)
        _ray(axes, angle, inner, _DIAL, color=INK, lw=1.6 if angle % 30 == 0 else 0.8, zorder=3)
    for angle in range(0, 360, 30):
        degrees = axes.text(*_at(angle, _DEGREES), f"{angle}°", ha="center", va="center", size=10.5)
        degrees.set(color=INK, gid=_NUMERAL)


def _draw_outline(axes: Axes, outline: Ellipse, limbus: Ellipse, style: Any) -> None:  # noqa: ANN401 - as matplotlib
    radius = limbus.radius_px
    centre = (outline.x_px - limbus.x_px) / radius, (limbus.y_px - outline.y_px) / radius
    size = 2.0 * outline.major_px / radius, 2.0 * outline.minor_px / radius
    for color, width in ((BLACK, 3.0), ("white", 1.4)):
        shape = EllipsePatch(centre, *size, angle=outline.axis_deg, fill=False, zorder=4)
        shape.set(edgecolor=color, linestyle=style, linewidth=width)
        axes.add_patch(shape)


def _put(label: Text, angle_deg: float) -> None:
    """Put a label outside the dial, and back into the panel as far as it would stick out."""
    assert label.axes is not None
    axes, figure = label.axes, label.axes.figure
    label.set_position(_at(angle_deg, _BADGES))
    extent, panel = _extent(label), axes.get_position(original=True).transformed(figure.transFigure)
    x, y = axes.transData.transform(label.get_position())
    x += max(0.0, panel.x0 - extent.x0) - max(0.0, extent.x1 - panel.x1)
    y += max(0.0, panel.y0 - extent.y0) - max(0.0, extent.y1 - panel.y1)
    x, y = axes.transData.inverted().transform((x, y))
    label.set_position((float(x), float(y)))


def _extent(label: Text) -> Bbox:
    """Rectangle that a label takes up, its box included."""
    assert label.axes is not None
    box = 0.4 * _BADGE_PT * label.axes.figure.dpi / 72.0 if label.get_gid() == _BADGE else 0.0
    return label.get_window_extent().padded(box)


def _at(angle_deg: float, radius: float) -> tuple[float, float]:
    x, y = radius * unit_vector(angle_deg)
    return float(x), -float(y)  # the panel has y up


def _ray(axes: Axes, angle_deg: float, inner: float, outer: float, **style: Any) -> None:  # noqa: ANN401 - as matplotlib
    (x0, y0), (x1, y1) = _at(angle_deg, inner), _at(angle_deg, outer)
    axes.add_line(Line2D([x0, x1], [y0, y1], solid_capstyle="butt", **style))


def _wedge(angle_deg: float, size: float) -> list[tuple[float, float]]:
    """Corners of a small triangle that points inwards from the dial."""
    half, outer = 40.0 * size / _DIAL, _DIAL + 0.3 * size
    return [_at(angle_deg, _DIAL - size), _at(angle_deg - half, outer), _at(angle_deg + half, outer)]
