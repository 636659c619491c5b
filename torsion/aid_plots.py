"""Drawing in a dial what goes with the axis: landmarks, ink, the carried centre and its ring."""

import math
from collections.abc import Iterable, Sequence

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Wedge

from torsion.aids import Aids
from torsion.angles import unit_vector
from torsion.axis_ways import AxisWay
from torsion.dial_plots import BLACK, draw_badge
from torsion.measurement import Measurement
from torsion.photo import Ellipse

__all__ = ["draw_aids", "legend_words"]

_INK = "#E69F00"  # told apart from blue and vermilion by colour-blind eyes, and by its shape
_AROUND, _NUMBER = 0.075, 0.17  # limbus radii: ring round a landmark, and its number
_CLEAR = 0.16  # limbus radii between a number and what else stands there
_BAND = (1.38, 1.5)  # where ink is bracketed: inside the dial, outside most ink
_CROSS = 0.08


def draw_aids(axes: Axes, measurement: Measurement, aids: Aids, *, is_supine: bool) -> None:
    """Draw what the text names, at its place in the photo of a dial.

    Parameters
    ----------
    axes : Axes
        Of an eye drawn by `torsion.dial_plots.draw_eye`.
    measurement : Measurement
    aids : Aids
    is_supine : bool
        Which of the two photos the dial shows.
    """
    limbus = (measurement.supine if is_supine else measurement.seated).limbus
    if limbus is None:
        return
    if is_supine:
        _draw_landmarks(axes, aids.ways, limbus)
        for way in aids.ways:
            if way.start == "ink" and way.width_deg is not None:
                _draw_ink(axes, way)
        _draw_centre(axes, aids, limbus)
    else:
        _draw_seated_points(axes, aids, limbus)


def legend_words(aids: Aids, *, is_supine: bool) -> list[str]:
    """Say what the signs in a dial are."""
    centre, words = aids.centre, []
    if is_supine and any(way.start == "landmark" for way in aids.ways):
        words.append("numbered rings: landmarks")
    if is_supine and any(way.start == "ink" for way in aids.ways):
        words.append("brackets: ink")
    if centre is None:
        return words
    if is_supine and centre.pupil is not None:
        words.append("+: seated pupil centre")
    if centre.visual_axis is not None:
        words.append("×: visual axis")
    if is_supine and centre.ring is not None:
        words.append(f"dashed circle: {centre.ring.diameter_mm:g} mm")
    return words


def _place(x_px: float, y_px: float, limbus: Ellipse) -> tuple[float, float]:
    return (x_px - limbus.x_px) / limbus.radius_px, (limbus.y_px - y_px) / limbus.radius_px


def _draw_landmarks(axes: Axes, ways: Iterable[AxisWay], limbus: Ellipse) -> None:
    taken: list[tuple[float, float]] = []
    for way in ways:
        if way.landmark is None:
            continue
        x, y = _place(way.landmark.x_px, way.landmark.y_px, limbus)
        for color, width in ((BLACK, 3.4), ("white", 1.6)):
            axes.add_patch(Circle((x, y), _AROUND, fill=False, edgecolor=color, lw=width, zorder=7))
        at = _beside(x, y, way, taken)
        taken += [(x, y), at]
        label = axes.text(*at, str(way.number), zorder=8, ha="center", va="center", size=10.5, weight="bold")
        label.set_bbox({"boxstyle": "circle,pad=0.12", "facecolor": "white", "edgecolor": BLACK})


def _beside(x: float, y: float, way: AxisWay, taken: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Place a number beside its ring where nothing stands, best across the line from the middle.

    There, on the side away from the axis, it is clear of the axis near by.
    """
    across = -90.0 if way.offset_deg > 0 else 90.0
    steps = [unit_vector(way.direction_deg + turn) for turn in (across, 0.0, 180.0, -across)]
    places = [(x + _NUMBER * step[0], y - _NUMBER * step[1]) for step in steps]
    free = [at for at in places if all(math.dist(at, other) > _CLEAR for other in taken)]
    return (free or places)[0]


def _draw_ink(axes: Axes, way: AxisWay) -> None:
    assert way.width_deg is not None
    inner, outer = _BAND
    first, last = way.direction_deg - way.width_deg / 2, way.direction_deg + way.width_deg / 2
    band = Wedge((0.0, 0.0), outer, first, last, width=outer - inner, facecolor=_INK, edgecolor=BLACK)
    band.set(linewidth=1.4, zorder=7)
    axes.add_patch(band)
    draw_badge(axes, way.direction_deg, f"ink {way.number}", ground=_INK, ink=BLACK)  # landmarks count, too


def _draw_centre(axes: Axes, aids: Aids, limbus: Ellipse) -> None:
    centre = aids.centre
    if centre is None:
        return
    if centre.pupil is not None:
        _draw_cross(axes, _place(centre.pupil.x_px, centre.pupil.y_px, limbus), upright=True)
    if centre.visual_axis is not None:
        _draw_cross(axes, _place(centre.visual_axis.x_px, centre.visual_axis.y_px, limbus), upright=False)
    if centre.ring is not None:
        middle, radius = _place(centre.ring.x_px, centre.ring.y_px, limbus), centre.ring.radius_px
        for color, width in ((BLACK, 3.4), ("white", 1.6)):
            ring = Circle(middle, radius / limbus.radius_px, fill=False, edgecolor=color, lw=width, zorder=6)
            ring.set_linestyle((0.0, (4.0 * 3.4 / width, 2.5 * 3.4 / width)))  # dashes count in line widths
            axes.add_patch(ring)


def _draw_seated_points(axes: Axes, aids: Aids, limbus: Ellipse) -> None:
    if aids.centre is not None and aids.centre.visual_axis is not None:
        point = aids.centre.visual_axis
        _draw_cross(axes, _place(point.seated_x_px, point.seated_y_px, limbus), upright=False)


def _draw_cross(axes: Axes, place: tuple[float, float], *, upright: bool) -> None:
    x, y = place
    reach = _CROSS if upright else _CROSS / 2**0.5
    arms = ((1.0, 0.0), (0.0, 1.0)) if upright else ((1.0, 1.0), (1.0, -1.0))
    for color, width in ((BLACK, 4.4), ("white", 2.0)):
        for dx, dy in arms:
            ends = [x - reach * dx, x + reach * dx], [y - reach * dy, y + reach * dy]
            axes.plot(*ends, color=color, lw=width, zorder=7, solid_capstyle="butt")
