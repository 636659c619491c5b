"""Figure of the ink marks: each photo in its dial with the ink bracketed, and the limbus unrolled below."""

import textwrap
from collections.abc import Sequence

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Wedge
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from torsion.angles import direction_deg, unit_vector, wrap_axis_deg, wrap_direction_deg
from torsion.dial_plots import (
    BLACK,
    BLUE,
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
from torsion.limbal_rows import ring_places
from torsion.marking import Marking
from torsion.marks import MOST_MARKS, Mark, Role
from torsion.photo import Ellipse
from torsion.preparation import PreparedPhoto
from torsion.record import cautions
from torsion.wording import axis_degrees, direction_degrees, flag_words, reason_words, shortened, verdict_word

__all__ = ["ink_figure"]

_ORANGE = "#E69F00"  # told apart from blue and vermilion by colour-blind eyes, and by its shape: a bracket
_DIAL = (1.5, 1.7)  # limbus radii: the ring of degrees that the brackets lie on
_CUT_DEG = 30.0  # the strip is cut open this far clockwise of the right
_CLOSE_DEG = 12.0  # to each side of a mark that is shown enlarged
_STRIP = (0.88, 1.46)  # limbus radii that the strip shows
_MOST_FLAGS = 4
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
        Brackets on the dial bear the numbers of the marks; dashes are intended meridians, the drawn-through
        line is the axis through two opposite marks.
    """
    m = marking
    photos: list[tuple[Role, PreparedPhoto]] = [("seated", m.seated)]
    if m.supine is not None:
        photos.append(("supine", m.supine))
    figure = Figure(figsize=(13.0, 10.6), facecolor=PAPER)
    _write_head(figure, m)
    if len(photos) == 1:
        _draw_photo(figure, m, photos[0], (0.012, 0.335, 0.48, 0.545))
        _draw_closeups(figure, m)
    else:
        for left, photo in zip((0.012, 0.508), photos, strict=True):
            _draw_photo(figure, m, photo, (left, 0.335, 0.48, 0.545))
    _draw_strip(figure, m, *photos[-1])
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
    big = "No ink mark" if not count else f"{count} ink mark" + ("s" if count > 1 else "")
    if m.axis is not None:
        big += f", axis {axis_degrees(m.axis.axis_deg)}"
    figure.text(0.022, 0.957, big, va="center", size=27, weight="bold", color=INK)
    if m.verdict == "refuse":
        words = f"Reason: {reason_words(m.flags, 'refuse')}."
    elif m.meridians:
        words = " · ".join(_meridian_words(m, index) for index in range(len(m.meridians)))
    else:
        words = "Directions in the frame of the seated photo."
    figure.text(0.022, 0.925, "\n".join(textwrap.wrap(words, 125)[:2]), va="top", size=12, color=INK)


def _meridian_words(m: Marking, index: int) -> str:
    meridian = m.meridians[index]
    name = f"Meridian {axis_degrees(meridian.meridian_deg)}"
    if meridian.offset_deg is None or meridian.mark is None:
        return f"{name}: no ink to compare"
    side = "inside the ink" if meridian.inside_ink else "outside the ink"
    return (
        f"{name} lies {side}; mark {meridian.mark + 1} is {round(meridian.offset_deg, 1) + 0.0:+.1f}° from it"
    )


def _shown_deg(mark: Mark, role: Role) -> float | None:
    """Direction of a mark as it is drawn in a photo; None where it cannot be said."""
    if mark.photo == role:
        return mark.photo_direction_deg
    return mark.direction_deg if role == "seated" else None


def _axis_shown_deg(m: Marking, axis_deg: float, role: Role) -> float | None:
    """Turn an axis of the seated frame into a photo."""
    if role == "seated":
        return axis_deg
    pair = m.measurement
    if pair is None or pair.matrix is None or pair.verdict == "refuse":
        return None
    return wrap_axis_deg(float(direction_deg(*(pair.matrix[:, :2] @ unit_vector(axis_deg)))))


def _draw_photo(
    figure: Figure, m: Marking, photo: tuple[Role, PreparedPhoto], place: tuple[float, float, float, float]
) -> None:
    role, prepared = photo
    axes = figure.add_axes(place)
    shown = [(index, mark, _shown_deg(mark, role)) for index, mark in enumerate(m.marks)]
    lines = [_axis_shown_deg(m, meridian.meridian_deg, role) for meridian in m.meridians]
    drawn = [angle for angle in lines if angle is not None]
    if draw_eye(axes, prepared):
        for planned in drawn:
            draw_axis(axes, planned, carried=False)
        if m.axis is not None:
            _draw_line(axes, _axis_shown_deg(m, m.axis.axis_deg, role))
        for index, mark, angle in shown:
            if angle is not None:
                _draw_bracket(axes, angle, mark.width_deg, str(index + 1))
    middle, name = place[0] + place[2] / 2, prepared.photo.name
    here = [mark for mark in m.marks if mark.photo == role]
    state = "ink read here" if here else "no ink read here"
    figure.text(middle, 0.318, f"{role.upper()}: {state}", ha="center", size=14, weight="bold", color=INK)
    small = f"{shortened(name)}  ·  brackets: ink at half contrast"
    figure.text(middle, 0.300, small, ha="center", size=8.5, color=GREY)


def _draw_bracket(axes: Axes, angle_deg: float, width_deg: float, number: str) -> None:
    """Draw the width of a mark on the dial, a tick at its middle, and its number."""
    first, last = angle_deg - width_deg / 2, angle_deg + width_deg / 2
    inner, outer = _DIAL
    band = Wedge((0.0, 0.0), outer, first, last, width=outer - inner, facecolor=_ORANGE, edgecolor=BLACK)
    band.set(linewidth=1.2, zorder=6)
    axes.add_patch(band)
    (x0, y0), (x1, y1) = (radius * unit_vector(angle_deg) for radius in (inner - 0.08, outer + 0.06))
    axes.add_line(Line2D([x0, x1], [-y0, -y1], color=BLACK, lw=1.6, zorder=7))
    draw_badge(axes, angle_deg, number, ground=_ORANGE, ink=BLACK, shape="circle,pad=0.25")


def _draw_line(axes: Axes, axis_deg: float | None) -> None:
    if axis_deg is None:
        return
    x, y = 1.48 * unit_vector(axis_deg)
    line = Line2D([-x, x], [y, -y], color=VERMILION, lw=2.4, zorder=5)
    line.set_path_effects([withStroke(linewidth=4.6, foreground="white")])
    axes.add_line(line)


def _mark_words(number: int, mark: Mark) -> str:
    if mark.direction_deg is None:
        at = direction_degrees(mark.photo_direction_deg)
        return f"{number}  {mark.color}, at {at} in its photo, not carried"
    at = f"{direction_degrees(mark.direction_deg)} ± {mark.standard_uncertainty_deg or 0.0:.1f}°"
    return f"{number}  {mark.color}, at {at}, {mark.width_deg:.1f}° wide"


def _draw_strip(figure: Figure, m: Marking, role: Role, prepared: PreparedPhoto) -> None:
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
        angle = _axis_shown_deg(m, meridian.meridian_deg, role)
        for end in [] if angle is None else [angle, angle + 180.0]:
            line = axes.axvline(wrap_direction_deg(end + _CUT_DEG), color=BLUE, lw=2.2, ls=(0, (4, 2)))
            line.set_path_effects([withStroke(linewidth=3.6, foreground="white")])
    for number, mark in enumerate(m.marks, 1):
        angle = _shown_deg(mark, role)
        if angle is not None:
            at, half = wrap_direction_deg(angle + _CUT_DEG), mark.width_deg / 2
            top = _STRIP[1]
            axes.plot(
                [at - half, at + half], [top, top], color=_ORANGE, lw=7, clip_on=False, solid_capstyle="butt"
            )
            words = f"{number}: {mark.width_deg:.1f}° wide"
            axes.text(at, top + 0.06, words, ha="center", va="bottom", size=10, weight="bold", color=INK)
    words = f"Limbus of the {role} photo, unrolled, outside above; dots: limbus, dashes: meridian"
    figure.text(0.97, 0.128, words, ha="right", size=8.5, color=GREY)


def _draw_closeups(figure: Figure, m: Marking) -> None:
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
            line = axes.axvline(edge, color=_ORANGE, lw=2.0)
            line.set_path_effects([withStroke(linewidth=3.4, foreground="black")])
    if not m.marks:
        figure.text(0.53, 0.62, "No ink was found at the limbus.", size=16, color=INK)


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


def _write_notes(figure: Figure, m: Marking) -> None:
    order: Sequence[Verdict] = ("refuse", "review", "accept")
    flags = sorted(m.flags, key=lambda name: order.index(FLAGS[name].verdict))
    lines = [
        line
        for name in flags[:_MOST_FLAGS]
        for line in textwrap.wrap(f"! {flag_words(name)}", 185, subsequent_indent="  ")
    ]
    if len(flags) > _MOST_FLAGS:
        lines.append(f"! and {len(flags) - _MOST_FLAGS} more")
    figure.text(0.022, 0.122, "\n".join(lines), va="top", size=9.5, color=INK, linespacing=1.3)
    said = cautions(axis=bool(m.meridians), pair=m.measurement is not None)[:2]
    text = "\n".join(textwrap.wrap(f"{' '.join(said)} {_WIDE}", 200))
    figure.text(0.022, 0.010, text, va="bottom", size=8.5, color=GREY, linespacing=1.3)
