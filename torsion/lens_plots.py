"""Figure of a lens in the eye: the marks in the photo, and the axis carried back into the seated photo."""

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from torsion.dial_plots import BLACK, GREY, INK, PAPER, draw_axis, draw_eye, write_over
from torsion.lens_marks import AgainstPlan, LensAxis
from torsion.measurement import Measurement
from torsion.measurement_words import mirror_words
from torsion.preparation import PreparedPhoto
from torsion.record import cautions
from torsion.wording import (
    axis_degrees,
    flag_words,
    reason_words,
    rotation_words,
    turn_words,
    verdict_word,
    wrapped,
)

__all__ = ["lens_figure"]

_EYES, _LINE = 6.3, 0.19  # inches: of the two dials, and of a line of words above or below them


def lens_figure(
    measurement: Measurement,
    lens: LensAxis | None,
    points_px: Sequence[tuple[float, float]],
    *,
    plan: AgainstPlan | None = None,
    flags: Sequence[str] = (),
) -> Figure:
    """Draw the seated photo and the photo that shows the marks, each with the lens's axis.

    Parameters
    ----------
    measurement : Measurement
    lens : LensAxis or None
        None where no eye was found in the second photo.
    points_px : sequence of (float, float)
        Points on the marks, in pixels of the second photo.
    plan : AgainstPlan, optional
        Then the planned axis is drawn dashed.
    flags : sequence of str, optional
        Of the photos, of the marks and of what follows from them, as they are said beside the figure.

    Returns
    -------
    Figure
        A refused measurement shows the points, no axis, and says REFUSED.
    """
    seated_deg, photo_deg = (None, None) if lens is None else (lens.axis_deg, lens.photo_deg)
    refused = seated_deg is None
    words, notes = _under_head(measurement, lens, plan), _notes(flags, measurement)
    below, above = _LINE * len(notes) + 0.9, _LINE * len(words) + 0.9  # inches
    height = below + _EYES + above
    figure = Figure(figsize=(13.0, height), facecolor=PAPER)
    head = "No axis to use" if seated_deg is None else f"Marks of the lens at {axis_degrees(seated_deg)}"
    figure.text(0.022, 1.0 - 0.42 / height, head, va="center", size=25, weight="bold", color=INK)
    figure.text(0.022, 1.0 - 0.7 / height, "\n".join(words), va="top", size=12, color=INK)
    planned, carried = (None, None) if plan is None else (plan.planned_deg, plan.surgical_deg)
    shown = (
        (0.012, measurement.seated, seated_deg, planned, "SEATED: frame of the axis"),
        (0.508, measurement.supine, photo_deg, carried, "PHOTO: as displayed"),
    )
    for left, prepared, axis_deg, planned_deg, caption in shown:
        axes = figure.add_axes((left, (below + 0.1) / height, 0.48, (_EYES - 0.1) / height))
        found = draw_eye(axes, prepared)
        if found and not refused and axis_deg is not None:
            if planned_deg is not None:
                draw_axis(axes, planned_deg + 180.0, carried=False)  # badges at opposite ends
            draw_axis(axes, axis_deg, carried=True)
        if found and prepared is measurement.supine:
            _draw_points(axes, prepared, points_px)
            if refused:
                write_over(axes, verdict_word("refuse"), "no axis is read")
        at = left + 0.24, (below - 0.1) / height
        figure.text(*at, caption, ha="center", size=13, weight="bold", color=INK)
    lines = "line: the lens  ·  dashes: planned axis  ·  rings: points on the marks"
    figure.text(0.022, (below - 0.32) / height, lines, size=9.5, color=GREY)
    figure.text(0.022, (below - 0.42) / height, "\n".join(notes), va="top", size=9.5, color=INK)
    said = "\n".join(cautions(axis=False))
    figure.text(0.022, 0.08 / height, said, size=8.5, color=GREY)
    return figure


def _under_head(measurement: Measurement, lens: LensAxis | None, plan: AgainstPlan | None) -> list[str]:
    """Say in lines what was found, as the text does."""
    m = measurement
    reason = "" if m.verdict == "accept" else f": {reason_words(m.flags, m.verdict, m)}"
    said = [f"Photos {verdict_word(m.verdict)}{reason}"]
    if lens is not None and lens.standard_uncertainty_deg is not None and lens.axis_deg is not None:
        said.append(
            f"In the seated photo's frame, standard uncertainty {lens.standard_uncertainty_deg:.1f}°; "
            f"eye turned {rotation_words(m.rotation_deg)}"
        )
    if lens is not None and mirror_words(m):
        said.append(f"The second photo is {mirror_words(m)}")
    if plan is not None:
        said.append(
            f"Off the plan by {turn_words(plan.off_deg)}, ± {plan.standard_uncertainty_deg:.1f}° "
            f"({plan.uncertainty_is})"
        )
    return [line for words in said for line in wrapped(words, 140, indent="  ")]


def _notes(flags: Sequence[str], m: Measurement) -> list[str]:
    return [line for name in flags for line in wrapped(f"! {flag_words(name, m)}", 185, indent="  ")]


def _draw_points(axes: Axes, prepared: PreparedPhoto, points_px: Sequence[tuple[float, float]]) -> None:
    limbus = prepared.limbus
    assert limbus is not None
    for x_px, y_px in points_px:
        x, y = (x_px - limbus.x_px) / limbus.radius_px, (limbus.y_px - y_px) / limbus.radius_px
        for color, width in (("white", 4.0), (BLACK, 1.8)):
            axes.plot(x, y, "o", ms=13, mfc="none", mec=color, mew=width, zorder=7)
