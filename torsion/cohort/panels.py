"""What the figures of a cohort and of a validation share: colours and shapes, and one set of axes."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BLUE", "EYE_STYLE", "GREEN", "GREY", "INK", "PALE", "TURN_STYLE", "VERMILION", "WIDTH",
    "dots", "dress", "panel", "write",
]  # fmt: skip

# Colours told apart by colour-blind eyes (Okabe & Ito's set); each has one meaning in all figures of a page.
BLUE, VERMILION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
GREY, INK, PALE = "#6E6E6E", "#1A1A1A", "#E2E2DC"
TURN_STYLE = {"excyclo": (BLUE, ""), "incyclo": (VERMILION, "////")}
EYE_STYLE = {"OD": ("o", GREEN, "right eye"), "OS": ("s", PURPLE, "left eye")}
WIDTH = 4.6  # inches: a column and a half
_CROWD = 500  # points from which on rings hide each other
_MANY = 5000  # points from which on they are drawn as a picture; single shapes would make a page of megabytes


def panel(width: float, height: float) -> tuple["Figure", "Axes"]:
    """Give a white figure of that size (inches) with one set of axes."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained", facecolor="white")
    return figure, figure.subplots()


def dress(axes: "Axes", x: str, y: str) -> None:
    """Name both axes, and leave away what frames them above and to the right."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlabel(x, fontsize=9)
    axes.set_ylabel(y, fontsize=9)
    axes.tick_params(labelsize=8)


def write(axes: "Axes", x: float, y: float, text: str, **style: Any) -> None:  # noqa: ANN401 - as matplotlib
    """Write on white, so that lines below do not cross the words."""
    box = {"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"}
    axes.text(x, y, text, fontsize=8, bbox=box, **style)


def dots(count: int, colour: str) -> dict[str, Any]:
    """Style of points: rings while they can be told apart, small soft dots where there are many."""
    style: dict[str, Any] = {"ls": "none", "rasterized": count > _MANY}
    if count <= _CROWD:
        return style | {"ms": 4.0, "mfc": "none", "mec": colour, "mew": 0.9}
    return style | {"ms": 2.5, "mfc": colour, "mec": "none", "alpha": max(0.12, _CROWD / count)}
