"""Figure of a lens in the eye: the marks in the photo, and the axis carried back into the seated photo."""

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from torsion.dial_plots import BLACK, GREY, INK, PAPER, draw_axis, draw_eye, write_over
from torsion.lens_marks import AgainstPlan, LensAxis
from torsion.measurement import Measurement
from torsion.preparation import PreparedPhoto
from torsion.record import cautions
from torsion.wording import axis_degrees, flag_words, rotation_words, turn_words, verdict_word

__all__ = ["lens_figure"]


def lens_figure(
    measurement: Measurement,
    lens: LensAxis,
    points_px: Sequence[tuple[float, float]],
    *,
    plan: AgainstPlan | None = None,
) -> Figure:
    """Draw the seated photo and the photo that shows the marks, each with the lens's axis.

    Parameters
    ----------
    measurement : Measurement
    lens : LensAxis
    points_px : sequence of (float, float)
        Points on the marks, in pixels of the second photo.
    plan : AgainstPlan, optional
        Then the planned axis is drawn dashed.

    Returns
    -------
    Figure
        A refused measurement shows the points, no axis, and says REFUSED.
    """
    refused = lens.axis_deg is None
    figure = Figure(figsize=(13.0, 8.2), facecolor=PAPER)
    head = (
        "No axis to use" if lens.axis_deg is None else f"Marks of the lens at {axis_degrees(lens.axis_deg)}"
    )
    figure.text(0.022, 0.945, head, va="center", size=25, weight="bold", color=INK)
    figure.text(0.022, 0.9, _under_head(measurement, lens, plan), va="center", size=12, color=INK)
    flags = "\n".join(f"! {flag_words(name)}" for name in lens.flags)
    figure.text(0.022, 0.886, flags, va="top", size=9.5, color=INK)
    planned, carried = (None, None) if plan is None else (plan.planned_deg, plan.surgical_deg)
    shown = (
        (0.012, measurement.seated, lens.axis_deg, planned, "SEATED: frame of the axis"),
        (0.508, measurement.supine, lens.photo_deg, carried, "PHOTO: as displayed"),
    )
    for left, prepared, axis_deg, planned_deg, caption in shown:
        axes = figure.add_axes((left, 0.11, 0.48, 0.76))
        found = draw_eye(axes, prepared)
        if found and not refused and axis_deg is not None:
            if planned_deg is not None:
                draw_axis(axes, planned_deg + 180.0, carried=False)  # badges at opposite ends
            draw_axis(axes, axis_deg, carried=True)
        if found and prepared is measurement.supine:
            _draw_points(axes, prepared, points_px)
            if refused:
                write_over(axes, verdict_word("refuse"), "no axis is read")
        figure.text(left + 0.24, 0.09, caption, ha="center", size=13, weight="bold", color=INK)
    lines = "line: the lens  ·  dashes: planned axis  ·  rings: points on the marks"
    figure.text(0.022, 0.045, lines, size=9.5, color=GREY)
    said = "\n".join(cautions(axis=False))
    figure.text(0.022, 0.010, said, size=8.5, color=GREY)
    return figure


def _under_head(measurement: Measurement, lens: LensAxis, plan: AgainstPlan | None) -> str:
    verdict = f"Photos {verdict_word(measurement.verdict)}"
    if lens.standard_uncertainty_deg is None or lens.axis_deg is None:
        return verdict
    words = (
        f"{verdict}; in the seated photo's frame, standard uncertainty "
        f"{lens.standard_uncertainty_deg:.1f}°; eye turned {rotation_words(measurement.rotation_deg)}"
    )
    return words if plan is None else f"{words}; off the plan by {turn_words(plan.off_deg)}"


def _draw_points(axes: Axes, prepared: PreparedPhoto, points_px: Sequence[tuple[float, float]]) -> None:
    limbus = prepared.limbus
    assert limbus is not None
    for x_px, y_px in points_px:
        x, y = (x_px - limbus.x_px) / limbus.radius_px, (limbus.y_px - y_px) / limbus.radius_px
        for color, width in (("white", 4.0), (BLACK, 1.8)):
            axes.plot(x, y, "o", ms=13, mfc="none", mec=color, mew=width, zorder=7)
