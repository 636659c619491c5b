"""Figure of the ink marks: each photo in its dial with the ink bracketed, and the limbus unrolled below."""

import textwrap
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Wedge
from matplotlib.patheffects import withStroke

from torsion.angles import unit_vector
from torsion.dial_plots import (
    BLACK,
    GREY,
    INK,
    PAPER,
    VERDICT_COLOURS,
    VERMILION,
    draw_axis,
    draw_badge,
    draw_eye,
)
from torsion.flags import FLAGS, Verdict
from torsion.ink_strip_plots import ORANGE, axis_shown_deg, draw_closeups, draw_strip, shown_deg
from torsion.marking import Marking
from torsion.marks import Role
from torsion.photo import Ellipse
from torsion.point_marks import PointMark
from torsion.preparation import PreparedPhoto
from torsion.record import cautions
from torsion.wording import (
    axis_degrees,
    flag_words,
    ink_unread_words,
    reason_words,
    rotation_words,
    shortened,
    turn_words,
    verdict_word,
)

__all__ = ["ink_figure"]

_DIAL = (1.5, 1.7)  # limbus radii: the ring of degrees that the brackets lie on
_MOST_FLAGS = 4
_INK_BEFORE = ("seated_marked", "both_marked")
_WIDE = (
    "Common practice, no source: a pen mark can cover up to about five degrees, so one edge of it can be "
    "several degrees off."
)


def ink_figure(marking: Marking) -> Figure:
    """Draw the photos with their ink marks, and the limbus unrolled.

    Parameters
    ----------
    marking : Marking

    Returns
    -------
    Figure
        Brackets on the dial bear the numbers of the marks, those of lost marks are empty; dashes are intended
        meridians, the drawn-through line is the axis through two opposite marks, rings are points given.
    """
    m = marking
    photos: list[tuple[Role, PreparedPhoto]] = [("seated", m.seated)]
    if m.supine is not None:
        photos.append(("supine", m.supine))
    figure = Figure(figsize=(13.0, 10.6), facecolor=PAPER)
    _write_head(figure, m)
    if len(photos) == 1:
        _draw_photo(figure, m, photos[0], (0.012, 0.335, 0.48, 0.545))
        draw_closeups(figure, m)
    else:
        for left, photo in zip((0.012, 0.508), photos, strict=True):
            _draw_photo(figure, m, photo, (left, 0.335, 0.48, 0.545))
    draw_strip(figure, m, *photos[-1])
    figure.text(0.022, 0.128, _legend(m), size=8.5, color=GREY)
    _write_notes(figure, m)
    return figure


def _write_head(figure: Figure, m: Marking) -> None:
    word, (ground, ink) = verdict_word(m.verdict), VERDICT_COLOURS[m.verdict]
    box = {"boxstyle": "round,pad=0.45,rounding_size=0.3", "facecolor": ground, "edgecolor": BLACK}
    figure.text(0.972, 0.957, word, ha="right", va="center", size=24, weight="bold", color=ink, bbox=box)
    count = len(m.marks)
    if not count and m.verdict == "accept":  # the word would be taken for a verdict on a mark
        figure.text(
            0.972, 0.915, "of the photos; there is no mark", ha="right", va="center", size=11, color=INK
        )
    big = (
        ("No ink read" if ink_unread_words(m.flags) else "No ink mark")
        if not count
        else f"{count} ink mark" + ("s" if count > 1 else "")
    )
    if m.axis is not None:
        big += f", axis {axis_degrees(m.axis.axis_deg)}"
    if m.lost:
        big += f", {len(m.lost)} lost"
    figure.text(0.022, 0.957, big, va="center", size=27, weight="bold", color=INK)
    if m.verdict == "refuse":
        words = f"Reason: {reason_words(m.flags, 'refuse', m.measurement)}."
    else:
        said = [_meridian_words(m, index) for index in range(len(m.meridians))]
        said += [f"two points at {axis_degrees(point.axis_deg)}" for point in m.points if point.axis_deg]
        said += ["in the frame of the seated photo"] if m.supine is not None or not said else []
        words = " · ".join(said)
        words = words[:1].upper() + words[1:]
    figure.text(0.022, 0.925, "\n".join(textwrap.wrap(words, 125)[:2]), va="top", size=12, color=INK)


def _meridian_words(m: Marking, index: int) -> str:
    meridian = m.meridians[index]
    name = f"Meridian {axis_degrees(meridian.meridian_deg)}"
    if meridian.offset_deg is None or meridian.mark is None:
        return f"{name}: no ink to compare"
    side = "inside the ink" if meridian.inside_ink else "outside the ink"
    return f"{name} lies {side}; mark {meridian.mark + 1} is {turn_words(meridian.offset_deg)} from it"


def _draw_photo(
    figure: Figure, m: Marking, photo: tuple[Role, PreparedPhoto], place: tuple[float, float, float, float]
) -> None:
    role, prepared = photo
    axes = figure.add_axes(place)
    shown = [(index, mark, shown_deg(mark, role)) for index, mark in enumerate(m.marks)]
    lines = [axis_shown_deg(m, meridian.meridian_deg, role) for meridian in m.meridians]
    drawn = [angle for angle in lines if angle is not None]
    if draw_eye(axes, prepared):
        for planned in drawn:
            draw_axis(axes, planned, carried=False)
        if m.axis is not None:
            _draw_line(axes, axis_shown_deg(m, m.axis.axis_deg, role))
        for index, mark, angle in shown:
            if angle is not None:
                _draw_bracket(axes, angle, mark.width_deg, str(index + 1))
        for mark in m.lost if role == "seated" else ():
            _draw_bracket(axes, mark.photo_direction_deg, mark.width_deg, "lost", ground="white")
        for point in m.points:
            if point.photo == role:
                _draw_points(axes, prepared.limbus, point)
    middle = place[0] + place[2] / 2
    state = f"{role.upper()}: {_state_words(m, role)}"
    figure.text(middle, 0.318, state, ha="center", size=14, weight="bold", color=INK)
    figure.text(middle, 0.300, _small_print(m, role, prepared), ha="center", size=8.5, color=GREY)


def _small_print(m: Marking, role: Role, prepared: PreparedPhoto) -> str:
    """Name of the file; below a supine photo also why its degrees are others than those of the head."""
    name, pair = shortened(prepared.photo.name), m.measurement
    if role == "seated" or pair is None or pair.verdict == "refuse":
        return name
    return f"{name} · degrees of this photo, in which the eye is turned {rotation_words(pair.rotation_deg)}"


def _state_words(m: Marking, role: Role) -> str:
    """Say what a photo has to do with the marks."""
    if any(mark.photo == role for mark in m.marks):
        return "ink read here"
    return "ink as it was before" if role == "seated" and m.case in _INK_BEFORE else "no ink read here"


def _legend(m: Marking) -> str:
    """Say what the signs in the dials are."""
    words = ["brackets: ink at half contrast"] if m.marks or m.lost else []
    words += ["dashes: meridian"] if m.meridians else []
    words += ["line: axis through two marks"] if m.axis is not None else []
    words += ["rings: two points"] if m.points else []
    return "  ·  ".join(words)


def _draw_points(axes: Axes, limbus: Ellipse | None, mark: PointMark) -> None:
    """Draw two points that were given, joined, and their axis outside the dial."""
    assert limbus is not None
    x, y = (
        [sign * (point[i] - middle) / limbus.radius_px for point in mark.points_px]
        for i, sign, middle in ((0, 1.0, limbus.x_px), (1, -1.0, limbus.y_px))
    )
    for color, width in (("white", 4.0), (BLACK, 1.8)):
        axes.plot(x, y, "o-", ms=11, mfc="none", color=color, mew=width, lw=width, zorder=6)
    draw_badge(axes, mark.photo_axis_deg, axis_degrees(mark.photo_axis_deg), ground="white", ink=BLACK)


def _draw_bracket(
    axes: Axes, angle_deg: float, width_deg: float, number: str, *, ground: str = ORANGE
) -> None:
    """Draw the width of a mark on the dial, a tick at its middle, and its number."""
    first, last = angle_deg - width_deg / 2, angle_deg + width_deg / 2
    inner, outer = _DIAL
    band = Wedge((0.0, 0.0), outer, first, last, width=outer - inner, facecolor=ground, edgecolor=BLACK)
    band.set(linewidth=1.2, zorder=6)
    axes.add_patch(band)
    (x0, y0), (x1, y1) = (radius * unit_vector(angle_deg) for radius in (inner - 0.08, outer + 0.06))
    axes.add_line(Line2D([x0, x1], [-y0, -y1], color=BLACK, lw=1.6, zorder=7))
    shape = "circle,pad=0.25" if len(number) == 1 else "round,pad=0.25"
    draw_badge(axes, angle_deg, number, ground=ground, ink=BLACK, shape=shape)


def _draw_line(axes: Axes, axis_deg: float | None) -> None:
    if axis_deg is None:
        return
    x, y = 1.48 * unit_vector(axis_deg)
    line = Line2D([-x, x], [y, -y], color=VERMILION, lw=2.4, zorder=5)
    line.set_path_effects([withStroke(linewidth=4.6, foreground="white")])
    axes.add_line(line)


def _write_notes(figure: Figure, m: Marking) -> None:
    order: Sequence[Verdict] = ("refuse", "review", "accept")
    flags = sorted(m.flags, key=lambda name: order.index(FLAGS[name].verdict))
    lines = [
        line
        for name in flags[:_MOST_FLAGS]
        for line in textwrap.wrap(f"! {flag_words(name, m.measurement)}", 185, subsequent_indent="  ")
    ]
    if len(flags) > _MOST_FLAGS:
        lines.append(f"! and {len(flags) - _MOST_FLAGS} more")
    figure.text(0.022, 0.122, "\n".join(lines), va="top", size=9.5, color=INK, linespacing=1.3)
    said = cautions(axis=bool(m.meridians), pair=m.measurement is not None)[:2]
    text = "\n".join(textwrap.wrap(f"{' '.join(said)} {_WIDE}", 200))
    figure.text(0.022, 0.010, text, va="bottom", size=8.5, color=GREY, linespacing=1.3)
