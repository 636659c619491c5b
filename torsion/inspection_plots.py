"""Figure of an inspection: each photo with what is masked, beside its verdict and measures."""

import textwrap
from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from torsion.dial_plots import BLACK, GREY, INK, PAPER, VERDICT_COLOURS, draw_eye, hatch_masked
from torsion.photo_words import GAZE, is_marked, limit_words, measure_words, shown_side
from torsion.preparation import PreparedPhoto
from torsion.record import best_photo, cautions
from torsion.wording import flag_words, shortened, verdict_word

__all__ = ["MOST_PHOTOS", "inspection_figure"]

MOST_PHOTOS = 100
"""Photos that one figure of an inspection can hold."""

_CARD = (9.6, 6.5)  # inches that one photo takes up


def inspection_figure(photos: Sequence[PreparedPhoto]) -> Figure:
    """Draw photos with limbus, pupil and what is masked (hatched), each beside its verdict and measures.

    Parameters
    ----------
    photos : sequence of PreparedPhoto
        From 1 to `MOST_PHOTOS`.

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        If there is no photo, or there are too many for one figure.
    """
    if not 1 <= len(photos) <= MOST_PHOTOS:
        msg = f"a picture of an inspection holds 1 to {MOST_PHOTOS} photos, not {len(photos)}"
        raise ValueError(msg)
    columns = min(2, len(photos))
    rows = -(-len(photos) // columns)
    width, height = _CARD[0] * columns, _CARD[1] * rows + 0.35
    figure = Figure(figsize=(width, height), facecolor=PAPER)
    best = best_photo(photos) if len(photos) > 1 else None
    for index, prepared in enumerate(photos):
        row, column = divmod(index, columns)
        corner = column * _CARD[0] / width, 1.0 - (row + 1) * _CARD[1] / height
        cell = figure.add_axes((*corner, _CARD[0] / width, _CARD[1] / height), frameon=False)
        cell.set(xlim=(0.0, _CARD[0]), ylim=(0.0, _CARD[1]), xticks=[], yticks=[])
        name = shortened(prepared.photo.name)
        _draw_card(cell, prepared, name if len(photos) == 1 else f"{index + 1}. {name}", best=index == best)
    figure.text(0.1 / width, 0.12 / height, cautions(axis=False)[0], size=8.5, color=GREY)
    return figure


def _draw_card(cell: Axes, prepared: PreparedPhoto, title: str, *, best: bool) -> None:
    """Draw one photo of an inspection with its words to the right."""
    axes = cell.inset_axes((0.1, 1.7, 4.7, 4.7), transform=cell.transData)
    if draw_eye(axes, prepared):
        hatch_masked(axes, prepared)
        cell.text(0.1, 1.52, "hatched: masked, or outside both bands", size=8, color=GREY)
    word, (ground, ink) = verdict_word(prepared.verdict), VERDICT_COLOURS[prepared.verdict]
    box = {"boxstyle": "round,pad=0.35,rounding_size=0.3", "facecolor": ground, "edgecolor": BLACK}
    cell.text(4.95, 6.22, title, size=12, weight="bold", color=INK, va="center")
    cell.text(5.03, 5.8, word, size=13, weight="bold", color=ink, va="center", bbox=box)
    if best:
        cell.text(6.4, 5.8, "BEST OF THESE", size=12, weight="bold", color=INK, va="center")
    left, below, wide = 4.95, 5.35, 62  # beside the photo
    if prepared.limbus is not None:
        left, below, wide = 0.1, _write_figures(cell, prepared, top=5.45), 135  # below it and the figures
    lines = [
        line
        for name in prepared.flags
        for line in textwrap.wrap(f"! {flag_words(name)}", wide, subsequent_indent="  ")
    ]
    cell.text(left, below, "\n".join(lines), size=8.5, color=INK, va="top", linespacing=1.25)


def _write_figures(cell: Axes, prepared: PreparedPhoto, *, top: float) -> float:
    """Write the figures of a photo with their limits, those beyond them bold; return where they end."""
    step = 0.19
    for line, (name, (label, value)) in enumerate(
        zip(prepared.measures, measure_words(prepared.measures), strict=True)
    ):
        height, weight = top - step * line, "bold" if is_marked(prepared, name) else "normal"
        cell.text(4.95, height, label, size=9.5, weight=weight, color=GREY, va="center")
        cell.text(7.4, height, value, size=9.5, weight="bold", color=INK, va="center", ha="right")
        cell.text(7.5, height, limit_words(name), size=8.5, weight=weight, color=GREY, va="center")
    height = top - step * len(prepared.measures)
    for label, value, words in (GAZE, ("shows", shown_side(prepared), "")):
        cell.text(4.95, height, label, size=9.5, color=GREY, va="center")
        cell.text(7.4, height, value, size=9.5, weight="bold", color=INK, va="center", ha="right")
        cell.text(7.5, height, words, size=8.5, color=GREY, va="center")
        height -= step
    return height + step - 0.15
