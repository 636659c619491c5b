"""Figure of hand-picked pairs: where they lie, and how far each is off the common turn."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from torsion.dial_plots import BLACK, BLUE, GREY, INK, PAPER, VERMILION
from torsion.landmark_pairs import HandRotation
from torsion.preparation import PreparedPhoto
from torsion.theatre_record import pairs_cautions
from torsion.wording import reason_words, rotation_words, verdict_word

__all__ = ["pairs_figure"]

_MARGIN = 0.35  # beyond the points, share of their extent
_LONGEST_NAME = 16  # letters of it that are written
_HALO = [withStroke(linewidth=3.5, foreground="white")]


def pairs_figure(hand: HandRotation, seated: PreparedPhoto, supine: PreparedPhoto) -> Figure:
    """Draw the pairs in both photos.

    Parameters
    ----------
    hand : HandRotation
    seated, supine : PreparedPhoto

    Returns
    -------
    Figure
        Rings where points were picked; in the supine photo a cross where the fit puts them.
    """
    figure = Figure(figsize=(13.0, 7.6), facecolor=PAPER)
    low, high = hand.interval_95_deg
    big, words = rotation_words(hand.rotation_deg), f", 95 % interval {low:+.2f}° to {high:+.2f}°"
    if hand.verdict == "refuse":
        big, words = "No rotation to use", f": {reason_words(hand.flags, 'refuse')}"
    title = f"{big}   {verdict_word(hand.verdict)}"
    figure.text(0.02, 0.955, title, size=21, weight="bold", color=INK, va="top")
    words = f"from {len(hand.pairs)} hand-picked pairs{words}"
    figure.text(0.02, 0.885, words, size=12, color=INK, va="top")
    suspects = {name for suspect in hand.suspects if suspect.kind != "unknown" for name in suspect.pairs}
    names = [pair.name for pair in hand.pairs]
    first = np.array([(pair.seated_x_px, pair.seated_y_px) for pair in hand.pairs])
    second = np.array([(pair.supine_x_px, pair.supine_y_px) for pair in hand.pairs])
    fitted = first @ hand.matrix[:, :2].T + hand.matrix[:, 2]
    for left, prepared, points, word in ((0.02, seated, first, "SEATED"), (0.51, supine, second, "SUPINE")):
        axes = figure.add_axes((left, 0.14, 0.47, 0.68))
        _draw_photo(axes, prepared, points)
        _draw_points(axes, points, names, suspects)
        if word == "SUPINE":
            _draw_misfit(axes, points, fitted)
        figure.text(left + 0.235, 0.105, word, ha="center", va="top", size=13, weight="bold", color=INK)
    note = "Ring: picked. Cross: where the fit puts it. Square: looks wrong."
    figure.text(0.98, 0.955, note, ha="right", va="top", size=11, color=INK)
    figure.text(0.02, 0.02, "\n".join(pairs_cautions(None)), size=8.5, color=GREY)
    return figure


def _draw_photo(axes: Axes, prepared: PreparedPhoto, points: np.ndarray) -> None:
    photo = prepared.photo
    edges = photo.to_full_px([(-0.5, -0.5), (photo.pixels.shape[1] - 0.5, photo.pixels.shape[0] - 0.5)])
    extent = (edges[0, 0], edges[1, 0], edges[1, 1], edges[0, 1])
    axes.imshow(photo.pixels, extent=extent, cmap="gray", vmin=0, vmax=255)
    low, high = points.min(axis=0), points.max(axis=0)
    if prepared.limbus is not None:
        centre = np.array([prepared.limbus.x_px, prepared.limbus.y_px])
        low = np.minimum(low, centre - 1.2 * prepared.limbus.radius_px)
        high = np.maximum(high, centre + 1.2 * prepared.limbus.radius_px)
    middle, half = (low + high) / 2.0, (0.5 + 0.5 * _MARGIN) * float((high - low).max()) + 5.0
    axes.set(xlim=(middle[0] - half, middle[0] + half), ylim=(middle[1] + 0.8 * half, middle[1] - 0.8 * half))
    axes.set(aspect="equal", xticks=[], yticks=[])


def _draw_points(axes: Axes, points: np.ndarray, names: Sequence[str], suspects: set[str]) -> None:
    for (x, y), name in zip(points, names, strict=True):
        wrong = name in suspects
        marker, color = ("s", VERMILION) if wrong else ("o", BLUE)
        axes.plot(x, y, marker, ms=20 if wrong else 14, mfc="none", mec="white", mew=4.5)
        axes.plot(x, y, marker, ms=20 if wrong else 14, mfc="none", mec=color, mew=2.2)
        side, step = ("right", -13) if x > np.mean(axes.get_xlim()) else ("left", 13)  # towards the middle
        short = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
        text = axes.annotate(short, (x, y), (step, 11), textcoords="offset points", ha=side, size=13)
        text.set(weight="bold", color=color if wrong else BLACK, path_effects=_HALO)


def _draw_misfit(axes: Axes, points: np.ndarray, fitted: np.ndarray) -> None:
    for picked, wanted in zip(points, fitted, strict=True):
        axes.plot(*zip(picked, wanted, strict=True), color=BLACK, lw=1.6, path_effects=_HALO)
        axes.plot(*wanted, "x", color=BLACK, ms=9, mew=2.2, path_effects=_HALO)
