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

_WIDTH, _TOP = 9.6, 6.5  # inches: width of the card of one photo, and where it begins above its lowest line
_LEAST = 5.1  # inches: of the photo in its dial
_LINE, _NOTE = 0.19, 0.16  # inches: of a line of the figures, and of a flag
_STACKED = 12  # photos one below the other, at the width of a screen; more stand side by side


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
    columns = 1 if len(photos) <= _STACKED else 2
    rows = [photos[first : first + columns] for first in range(0, len(photos), columns)]
    heights = [max(_card_height(prepared) for prepared in row) for row in rows]
    width, height = _WIDTH * columns, sum(heights) + 0.35
    figure = Figure(figsize=(width, height), facecolor=PAPER)
    best = best_photo(photos) if len(photos) > 1 else None
    for index, prepared in enumerate(photos):
        row, column = divmod(index, columns)
        corner = column * _WIDTH / width, 1.0 - sum(heights[: row + 1]) / height
        cell = figure.add_axes((*corner, _WIDTH / width, heights[row] / height), frameon=False)
        cell.set(xlim=(0.0, _WIDTH), ylim=(_TOP - heights[row], _TOP), xticks=[], yticks=[])
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
    left, below = 4.95, 5.35  # beside the photo
    if prepared.limbus is not None:
        left, below = 0.1, _write_figures(cell, prepared, top=5.45)  # below it and the figures
    cell.text(left, below, "\n".join(_notes(prepared)), size=9, color=INK, va="top", linespacing=1.25)


def _notes(prepared: PreparedPhoto) -> list[str]:
    """Lines of the flags, as wide as there is room where they stand."""
    width = 58 if prepared.limbus is None else 128
    return [
        line
        for name in prepared.flags
        for line in textwrap.wrap(f"! {flag_words(name)}", width, subsequent_indent="  ")
    ]


def _card_height(prepared: PreparedPhoto) -> float:
    """Inches that a card takes up: photo and figures, and its flags below them."""
    if prepared.limbus is None:
        return _LEAST
    lines = len(prepared.measures) + 2  # and the two that are not measured
    return max(_LEAST, _TOP - (5.45 - _LINE * lines) + _NOTE * len(_notes(prepared)) + 0.2)


def _write_figures(cell: Axes, prepared: PreparedPhoto, *, top: float) -> float:
    """Write the figures of a photo with their limits, those beyond them bold; return where they end."""
    for line, (name, (label, value)) in enumerate(
        zip(prepared.measures, measure_words(prepared.measures), strict=True)
    ):
        height, weight = top - _LINE * line, "bold" if is_marked(prepared, name) else "normal"
        cell.text(4.95, height, label, size=9.5, weight=weight, color=GREY, va="center")
        cell.text(7.4, height, value, size=9.5, weight="bold", color=INK, va="center", ha="right")
        cell.text(7.5, height, limit_words(name), size=8.5, weight=weight, color=GREY, va="center")
    height = top - _LINE * len(prepared.measures)
    for label, value, words in (GAZE, ("shows", shown_side(prepared), "")):
        cell.text(4.95, height, label, size=9.5, color=GREY, va="center")
        cell.text(7.4, height, value, size=9.5, weight="bold", color=INK, va="center", ha="right")
        cell.text(7.5, height, words, size=8.5, color=GREY, va="center")
        height -= _LINE
    return height + _LINE - 0.15
