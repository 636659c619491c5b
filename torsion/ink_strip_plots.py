"""The limbus unrolled with its ink in brackets, and single marks enlarged; where marks lie in a photo."""

import textwrap

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from torsion.angles import direction_deg, unit_vector, wrap_axis_deg, wrap_direction_deg
from torsion.dial_plots import BLUE, GREY, INK
from torsion.limbal_rows import ring_places
from torsion.marking import Marking
from torsion.marks import MOST_MARKS, Mark, Role
from torsion.photo import Ellipse
from torsion.preparation import PreparedPhoto
from torsion.wording import direction_degrees, ink_unread_words

__all__ = ["ORANGE", "axis_shown_deg", "draw_closeups", "draw_strip", "shown_deg"]

ORANGE = "#E69F00"  # told apart from blue and vermilion by colour-blind eyes, and by its shape: a bracket
_CUT_DEG = 30.0  # the strip is cut open this far clockwise of the right
_CLOSE_DEG = 12.0  # to each side of a mark that is shown enlarged
_STRIP = (0.88, 1.46)  # limbus radii that the strip shows
_LABEL_DEG, _LABEL_UP = 19.0, 0.09  # of the strip: how wide the words above a mark are, and how high


def shown_deg(mark: Mark, role: Role) -> float | None:
    """Direction of a mark as it is drawn in a photo; None where it cannot be said."""
    if mark.photo == role:
        return mark.photo_direction_deg
    return mark.direction_deg if role == "seated" else None


def axis_shown_deg(m: Marking, axis_deg: float, role: Role) -> float | None:
    """Turn an axis of the seated frame into a photo."""
    if role == "seated":
        return axis_deg
    pair = m.measurement
    if pair is None or pair.matrix is None or pair.verdict == "refuse":
        return None
    return wrap_axis_deg(float(direction_deg(*(pair.matrix[:, :2] @ unit_vector(axis_deg)))))


def draw_strip(figure: Figure, m: Marking, role: Role, prepared: PreparedPhoto) -> None:
    """Draw the limbus unrolled, with the ink in brackets; it is cut open where marks seldom are."""
    axes = figure.add_axes((0.03, 0.165, 0.94, 0.095))
    axes.set(xlim=(0.0, 360.0), ylim=_STRIP, yticks=[], xticks=range(0, 360, 30))
    labels = [direction_degrees(at - _CUT_DEG).replace(".0", "") for at in range(0, 360, 30)]
    axes.set_xticklabels(labels, size=9.5, color=INK)
    if prepared.picture is None or prepared.limbus is None:
        axes.text(180.0, sum(_STRIP) / 2, "no eye found", ha="center", va="center", size=13, color=INK)
        return
    places = np.linspace(0.0, 360.0, 1440, endpoint=False) - _CUT_DEG
    picture = _sampled(prepared, np.linspace(*_STRIP, 90)[:, None], places)
    axes.imshow(picture, extent=(0.0, 360.0, *_STRIP), aspect="auto", origin="lower")
    axes.axhline(1.0, color="white", lw=1.0, ls=":")
    for meridian in m.meridians:
        angle = axis_shown_deg(m, meridian.meridian_deg, role)
        for end in [] if angle is None else [angle, angle + 180.0]:
            line = axes.axvline(wrap_direction_deg(end + _CUT_DEG), color=BLUE, lw=2.2, ls=(0, (4, 2)))
            line.set_path_effects([withStroke(linewidth=3.6, foreground="white")])
    _draw_widths(axes, m, role)
    _draw_points(axes, m, role, prepared.limbus)
    words = f"Limbus of the {role} photo, unrolled, outside above; dots: limbus"
    figure.text(0.97, 0.128, words, ha="right", size=8.5, color=GREY)


def _draw_widths(axes: Axes, m: Marking, role: Role) -> None:
    """Bracket the marks above the strip, with their widths; words that would meet give way upwards."""
    angles = [(shown_deg(mark, role), number, mark.width_deg) for number, mark in enumerate(m.marks, 1)]
    placed = sorted(
        (wrap_direction_deg(angle + _CUT_DEG), number, width)
        for angle, number, width in angles
        if angle is not None
    )
    top, last, level = _STRIP[1], -_LABEL_DEG, 0
    for at, number, width in placed:
        level = (level + 1) % 2 if at - last < _LABEL_DEG else 0
        last = at
        bar = [at - width / 2, at + width / 2], [top, top]
        axes.plot(*bar, color=ORANGE, lw=7, clip_on=False, solid_capstyle="butt")
        label = axes.text(
            at, top + 0.05 + _LABEL_UP * level, f"{number}: {width:.1f}°", ha="center", va="bottom"
        )
        label.set(size=10, weight="bold", color=INK)
    if placed:
        axes.text(360.0, top + 0.05, "width of each mark", ha="right", va="bottom", size=8.5, color=GREY)


def _draw_points(axes: Axes, m: Marking, role: Role, limbus: Ellipse) -> None:
    """Ring two points that were given in this photo; what lies beyond the strip is ringed at its edge."""
    for mark in m.points:
        for x, y in mark.points_px if mark.photo == role else ():
            dx, dy = x - limbus.x_px, y - limbus.y_px
            at = wrap_direction_deg(float(direction_deg(dx, dy)) + _CUT_DEG)
            height = float(np.clip(np.hypot(dx, dy) / limbus.radius_px, *_STRIP))
            for color, width in (("white", 4.0), (INK, 1.8)):
                axes.plot(at, height, "o", ms=11, mfc="none", mec=color, mew=width, clip_on=False, zorder=6)


def draw_closeups(figure: Figure, m: Marking) -> None:
    """Show each mark of a photo that stands alone enlarged, beside what was read."""
    for index, mark in enumerate(m.marks[:MOST_MARKS]):
        bottom = 0.70 - 0.185 * index
        words = textwrap.fill(_mark_words(index + 1, mark), 40)
        figure.text(0.72, bottom + 0.08, words, va="center", size=13, color=INK, linespacing=1.5)
        axes = figure.add_axes((0.53, bottom, 0.17, 0.165))
        axes.set(xticks=[], yticks=[])
        turns = np.linspace(-_CLOSE_DEG, _CLOSE_DEG, 240)
        radii = np.linspace(*_STRIP, 160)[:, None]
        picture = _sampled(m.seated, radii, mark.photo_direction_deg + turns)
        axes.imshow(picture, extent=(-_CLOSE_DEG, _CLOSE_DEG, *_STRIP), aspect="auto", origin="lower")
        for edge in (-mark.width_deg / 2, mark.width_deg / 2):
            line = axes.axvline(edge, color=ORANGE, lw=2.0)
            line.set_path_effects([withStroke(linewidth=3.4, foreground="black")])
    if not m.marks:
        unread = ink_unread_words(m.flags)
        words = f"Ink was {unread}." if unread else "No ink was found at the limbus."
        figure.text(0.53, 0.62, words, size=16, color=INK)


def _mark_words(number: int, mark: Mark) -> str:
    if mark.direction_deg is None:
        at = direction_degrees(mark.photo_direction_deg)
        return f"{number}  {mark.color}, at {at} in its photo, not carried"
    at = f"{direction_degrees(mark.direction_deg)} ± {mark.standard_uncertainty_deg or 0.0:.1f}°"
    return f"{number}  {mark.color}, at {at}, {mark.width_deg:.1f}° wide"


def _sampled(
    prepared: PreparedPhoto, radii: NDArray[np.float64], directions_deg: NDArray[np.float64]
) -> NDArray[np.uint8]:
    """Colours of the eye at radii and directions about its limbus."""
    assert prepared.picture is not None
    assert prepared.limbus is not None
    rgb, limbus = prepared.picture.rgb, prepared.limbus
    centre, scale = rgb.shape[0] // 2, prepared.picture.px_per_radius / limbus.radius_px
    shape = Ellipse(centre, centre, limbus.major_px * scale, limbus.minor_px * scale, limbus.axis_deg)
    x, y = ring_places(shape, radii, directions_deg)
    return np.asarray(cv2.remap(rgb, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR), np.uint8)
