"""Figures of measurements: both eyes in their dials, and what was found said in words."""

import textwrap
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from torsion.aid_plots import draw_aids, legend_words
from torsion.aid_words import TO_THE_AXIS, centre_words, hand_words, ink_words, ways_words
from torsion.aids import NO_AIDS, Aids
from torsion.angles import wrap_direction_deg
from torsion.axis import AxisTransfer
from torsion.axis_cost import AxisCost
from torsion.dial_plots import (
    BLACK,
    GREY,
    INK,
    PAPER,
    VERDICT_COLOURS,
    draw_axis,
    draw_eye,
    draw_incision,
    draw_turn,
    write_over,
)
from torsion.flags import FLAGS, Verdict
from torsion.measurement import Measurement
from torsion.measurement_words import (
    axis_words,
    cost_words,
    direction_words,
    planned_words,
    uncertainty_words,
    view_words,
)
from torsion.network_words import network_sentence
from torsion.pictures import figure_bytes
from torsion.preparation import PreparedPhoto
from torsion.record import measurement_cautions
from torsion.wording import (
    axis_degrees,
    flag_words,
    reason_words,
    rotation_words,
    shortened,
    verdict_word,
    wrapped,
)

__all__ = ["dials_figure", "is_upright", "measurement_figure", "png_bytes"]

_DPI = 120
_MOST_FLAGS = 4  # written out below a measurement
_ABOVE, _LINE = 8.27, 0.172  # inches: of a measurement's figure above its notes, and of a line of notes
_HEAD_LINE = 0.22  # inches
_SMALL_PRINT = 92  # letters of a line below a photo


def png_bytes(figure: Figure) -> bytes:
    """Return a figure as a PNG file without metadata: the same figure gives the same bytes."""
    return figure_bytes(figure, "png", dpi=_DPI)


def measurement_figure(
    measurement: Measurement, *, cost: AxisCost | None = None, aids: Aids = NO_AIDS
) -> Figure:
    """Draw both photos of a measurement with the planned and the carried axis.

    Parameters
    ----------
    measurement : Measurement
    cost : AxisCost, optional
        Said in words below the photos.
    aids : Aids, optional
        What goes with it: drawn in the photos and said below them.

    Returns
    -------
    Figure
        A refused measurement shows no carried axis, and says REFUSED with the reason.
    """
    m = measurement
    notes = _notes(m, cost, aids)
    big, head = _head_words(m)
    below = max(1.39, _LINE * len(notes) + 0.55)  # inches
    height = below + _ABOVE + (_HEAD_LINE if len(head) > 2 else 0.0)
    figure = Figure(figsize=(13.0, height), facecolor=PAPER)
    _draw_head(figure, m.verdict, big, head)
    for left, prepared, is_supine in ((0.012, m.seated, False), (0.508, m.supine, True)):
        axes = figure.add_axes((left, (below + 0.8) / height, 0.48, 6.16 / height))
        if draw_eye(axes, prepared):
            _draw_carried(axes, m) if is_supine else _draw_planned(axes, m)
            draw_aids(axes, m, aids, is_supine=is_supine)
        if is_supine and m.verdict == "refuse":
            write_over(axes, verdict_word("refuse"), "no axis is carried" if m.axis else "no rotation to use")
        middle = left + 0.24
        caption = f"SUPINE: {_supine_words(m)}" if is_supine else f"SEATED: {_seated_words(m)}"
        figure.text(middle, (below + 0.62) / height, caption, ha="center", size=14, weight="bold", color=INK)
        small = [*_small_print(m, prepared, is_supine=is_supine), *legend_words(aids, is_supine=is_supine)]
        lines = "\n".join(_side_by_side(small))
        text = figure.text(middle, (below + 0.54) / height, lines, size=8.5, color=GREY, linespacing=1.3)
        text.set(ha="center", va="top")
    _write_notes(figure, m, notes, top=below / height)
    return figure


def dials_figure(measurement: Measurement, *, size_in: tuple[float, float], aids: Aids = NO_AIDS) -> Figure:
    """Draw both photos in their dials at one scale, in black on white and without a file's name, for print.

    Parameters
    ----------
    measurement : Measurement
    size_in : (float, float)
        Width and height, inches; twice as wide as high.
    aids : Aids, optional
        What goes with it: drawn in the photos.

    Returns
    -------
    Figure
        A refused measurement shows the eyes and no axis, not even the planned one.
    """
    m = measurement
    figure = Figure(figsize=size_in, facecolor="white")
    for left, prepared, is_supine in ((0.0, m.seated, False), (0.5, m.supine, True)):
        axes = figure.add_axes((left, 0.0, 0.5, 1.0))
        if draw_eye(axes, prepared) and m.verdict != "refuse":
            _draw_carried(axes, m, color=BLACK) if is_supine else _draw_planned(axes, m, color=BLACK)
            draw_aids(axes, m, aids, is_supine=is_supine)
    return figure


def _seated_words(m: Measurement) -> str:
    return "reference" if m.axis is None else f"planned axis {planned_words(m.axis)}"


def _supine_words(m: Measurement) -> str:
    if m.verdict == "refuse":
        return "no axis" if m.axis else "no rotation to use"
    if m.axis is None or m.axis.surgical_deg is None:
        return f"eye turned {rotation_words(m.rotation_deg)}"
    return f"lens marks at {axis_degrees(m.axis.surgical_deg)}"


def _patient_words(axis: AxisTransfer) -> str:
    """Say the carried axis in the patient's frame, where that is not the frame of the supine picture."""
    if axis.surgical_patient_deg is None:
        return ""
    return f"; {axis_degrees(axis.surgical_patient_deg)} in the patient's frame, view undone"


def _small_print(m: Measurement, prepared: PreparedPhoto, *, is_supine: bool) -> list[str]:
    """Name of the file, and what the lines are."""
    parts = [shortened(prepared.photo.name)]
    if prepared.limbus is None:
        return parts
    if m.axis is not None and not is_supine:
        parts.append("dashes: planned axis")
    elif m.axis is not None and m.axis.surgical_deg is not None:
        parts.append("line: carried axis")
        parts += ["thin dashes: planned, bow: turn"] if is_upright(m) else []
    by_hand = {name: " (by hand)" if getattr(prepared.photo, name) else "" for name in ("limbus", "pupil")}
    outlines = f"circle: limbus{by_hand['limbus']}"
    parts.append(outlines + ("" if prepared.pupil is None else f", dotted: pupil{by_hand['pupil']}"))
    return parts


def _side_by_side(parts: Sequence[str]) -> list[str]:
    """Put words side by side, in as many lines as fit below a photo."""
    lines: list[str] = []
    for part in parts:
        longer = f"{lines[-1]} · {part}" if lines else part
        lines[-1:] = [longer] if len(longer) <= _SMALL_PRINT else [*lines[-1:], part]
    return lines


def is_upright(m: Measurement) -> bool:
    """Say whether the plan's own angle has a place in the supine picture as displayed."""
    return m.view is None or not (m.view.turn_deg or m.view.mirrored)


def _draw_planned(axes: Axes, m: Measurement, *, color: str | None = None) -> None:
    if m.axis is not None:
        draw_axis(axes, m.axis.seated_deg, carried=False, color=color)
    incision_deg = _seated_incision_deg(m)
    if incision_deg is not None:
        draw_incision(axes, incision_deg)


def _seated_incision_deg(m: Measurement) -> float | None:
    """Direction of the incision in the seated photo, turned along with the axis where that was measured."""
    if m.incision is None:
        return None
    return wrap_direction_deg(m.incision.planned_deg + ((m.axis.tilt_deg or 0.0) if m.axis else 0.0))


def _draw_carried(axes: Axes, m: Measurement, *, color: str | None = None) -> None:
    axis_deg = m.axis.surgical_deg if m.axis is not None else None
    if m.axis is not None and axis_deg is not None:
        if is_upright(m):
            draw_turn(axes, m.axis.seated_deg, axis_deg, color=color)
        draw_axis(axes, axis_deg, carried=True, color=color)
    if m.incision is not None and m.incision.surgical_deg is not None:
        draw_incision(axes, m.incision.surgical_deg)


def _head_words(m: Measurement) -> tuple[str, list[str]]:
    """Say what was found, and in up to three lines how sure that is."""
    if m.verdict == "refuse":
        return "No rotation to use", textwrap.wrap(f"Reason: {reason_words(m.flags, 'refuse', m)}.", 130)[:3]
    lines = [" · ".join(part for part in (uncertainty_words(m), direction_words(m)) if part)]
    lines += [f"Axis: {axis_words(m.axis)}{_patient_words(m.axis)}"] if m.axis is not None else []
    lines += [view_words(m)] if view_words(m) else []
    return f"Eye turned {rotation_words(m.rotation_deg)}", [line[:1].upper() + line[1:] for line in lines]


def _draw_head(figure: Figure, verdict: Verdict, big: str, lines: Sequence[str]) -> None:
    """Write what was found above the dials, and the verdict in a box."""
    word, (ground, ink) = verdict_word(verdict), VERDICT_COLOURS[verdict]
    box = {"boxstyle": "round,pad=0.45,rounding_size=0.3", "facecolor": ground, "edgecolor": BLACK}
    top, next_line = (1.0 - inches / figure.get_figheight() for inches in (0.44, 0.77))
    figure.text(0.972, top, word, ha="right", va="center", size=24, weight="bold", color=ink, bbox=box)
    figure.text(0.022, top, big, va="center", size=27, weight="bold", color=INK)
    figure.text(0.022, next_line, "\n".join(lines), va="top", size=11.5, color=INK, linespacing=1.4)


def _notes(m: Measurement, cost: AxisCost | None, aids: Aids) -> list[str]:
    """Lines below: several photos, cost, what goes with the axis, flags with remedies, gravest first."""
    order = ("refuse", "review", "accept")
    flags = sorted(m.flags, key=lambda name: order.index(FLAGS[name].verdict))
    said = [] if m.network is None else [f"Photos: {network_sentence(m.network, files=True)}"]
    costs = "" if cost is None else cost_words(cost)
    said += [f"Cost: {costs}."] if costs else []
    lines = [line for words in (*said, *_aid_lines(aids)) for line in wrapped(words, 185, indent="  ")]
    words = [f"! {flag_words(name, m)}" for name in flags[:_MOST_FLAGS]]
    lines += [line for flag in words for line in wrapped(flag, 185, indent="  ")]
    return lines if len(flags) <= _MOST_FLAGS else [*lines, f"! and {len(flags) - _MOST_FLAGS} more"]


def _write_notes(figure: Figure, m: Measurement, lines: Sequence[str], *, top: float) -> None:
    figure.text(0.022, top, "\n".join(lines), va="top", size=9.5, color=INK, linespacing=1.3)
    text = "\n".join(textwrap.wrap(" ".join(measurement_cautions(m)), 200))
    figure.text(0.022, 0.012, text, va="bottom", size=8.5, color=GREY, linespacing=1.3)


def _aid_lines(aids: Aids) -> list[str]:
    ways, ink = ways_words(aids), ink_words(aids)
    hand = [] if aids.hand is None else hand_words(aids.hand)
    centre = [] if aids.centre is None else centre_words(aids.centre)
    parts = ((TO_THE_AXIS, ways), ("Ink", ink), ("By hand", hand), ("Centre", centre))
    return [f"{label}: {'; '.join(words)}." for label, words in parts if words]
