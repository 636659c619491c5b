"""A figure as a file: the formats, without dates or names, the same figure the same bytes."""

import io
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FORMATS", "Format", "figure_bytes"]

Format = Literal["svg", "png", "pdf"]
# Metadata that would say when and by what a picture was made.
_BLANK: dict[Format, dict[str, Any]] = {
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}
FORMATS: tuple[Format, ...] = tuple(_BLANK)


def figure_bytes(figure: "Figure", kind: Format, *, dpi: float) -> bytes:
    """Return a figure as a file of that format."""
    import matplotlib as mpl
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        text.set_parse_math(False)  # a name of a file or a landmark may hold dollars, and is no formula
    file = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "torsion", "pdf.fonttype": 42}):  # ids that repeat, fonts that edit
        figure.savefig(file, format=kind, dpi=dpi, metadata=_BLANK[kind])
    return file.getvalue()
