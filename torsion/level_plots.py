"""Figure of a level: the references drawn on the photos beside a true horizontal."""

import textwrap
from collections.abc import Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from torsion.dial_plots import BLACK, BLUE, GREY, INK, PAPER, VERMILION
from torsion.level import Tilt
from torsion.photo import Photo
from torsion.toric import CAUTION

__all__ = ["level_figure"]

_STYLES = {"line": (BLUE, "-"), "canthi": (VERMILION, "--"), "pupils": (BLACK, "-.")}
_NAMES = {"line": "level line", "canthi": "canthi", "pupils": "pupils"}
_LETTERS_PER_INCH = 16  # of the smallest print
_HALO = [withStroke(linewidth=5.0, foreground="white")]


def level_figure(
    photos: Mapping[str, Photo], marked: Sequence[tuple[Tilt, tuple[float, float, float, float]]]
) -> Figure:
    """Draw each photo with its references.

    Parameters
    ----------
    photos : mapping of str to Photo
        ``seated``, ``supine`` or both.
    marked : sequence of (Tilt, (x, y, x, y))
        References with their two points; those of photos that are not there are left out.

    Returns
    -------
    Figure
    """
    figure = Figure(figsize=(6.4 * len(photos) + 0.4, 5.6), facecolor=PAPER)
    width = 0.98 / len(photos)
    for index, (posture, photo) in enumerate(photos.items()):
        axes = figure.add_axes((0.01 + index * width, 0.12, width - 0.01, 0.74))
        height_px, width_px = photo.pixels.shape[:2]
        edges = photo.to_full_px([(-0.5, -0.5), (width_px - 0.5, height_px - 0.5)])
        extent = (edges[0, 0], edges[1, 0], edges[1, 1], edges[0, 1])
        axes.imshow(photo.pixels, extent=extent, cmap="gray", vmin=0, vmax=255)
        axes.set(xlim=extent[:2], ylim=extent[2:], xticks=[], yticks=[])
        words = []
        for tilt, points in marked:
            if tilt.posture == posture:
                _draw_reference(axes, tilt, points)
                words.append(
                    f"{_NAMES[tilt.kind]} {tilt.angle_deg:+.1f}° ± {tilt.standard_uncertainty_deg:.1f}°"
                )
        left = 0.01 + (index + 0.5) * width
        figure.text(left, 0.93, posture.upper(), ha="center", size=14, weight="bold", color=INK)
        figure.text(left, 0.88, ",  ".join(words) or "no reference", ha="center", size=11.5, color=INK)
    note = "Angles counter-clockwise from the horizontal of the picture (dotted), view undone."
    wide = int(_LETTERS_PER_INCH * figure.get_figwidth())
    figure.text(0.01, 0.105, note, size=9.5, color=INK, va="top")
    figure.text(0.01, 0.07, textwrap.fill(CAUTION, wide), size=8.0, color=GREY, va="top")
    return figure


def _draw_reference(axes: Axes, tilt: Tilt, points: tuple[float, float, float, float]) -> None:
    color, style = _STYLES[tilt.kind]
    x0, y0, x1, y1 = points if points[0] <= points[2] else (*points[2:], *points[:2])
    axes.plot((x0, x1), (y0, y0), ":", color=BLACK, lw=1.8, path_effects=_HALO)
    axes.plot((x0, x1), (y0, y1), style, color=color, lw=2.6, path_effects=_HALO)
    axes.plot((x0, x1), (y0, y1), "o", mfc="white", mec=color, ms=7, mew=2.0)
    label = axes.annotate(
        f"{tilt.angle_deg:+.1f}°", (x1, y1), (-4, 10), textcoords="offset points", ha="right"
    )
    label.set(size=14, weight="bold", color=color, path_effects=_HALO)
