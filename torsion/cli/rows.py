"""Text of a result, folded to the screen: paragraphs, and rows with a label before them."""

import textwrap
from collections.abc import Iterable

from torsion.wording import wrapped

__all__ = ["Row", "folded", "folded_rows", "rows_text"]

_LINE, _LABEL = 96, 15  # characters of a line, and those of it that a label takes

Row = tuple[str, str]
"""A label, empty where the row goes on, and one line of what is said."""


def folded(text: str, first: str) -> str:
    """Wrap a text to the width of the screen; its first line starts with `first`, the others below it."""
    return textwrap.fill(
        text, _LINE, initial_indent=first, subsequent_indent=" " * len(first), break_long_words=False
    )


def folded_rows(label: str, *said: str) -> list[Row]:
    """Fold what is said under one label; the label stands before the first line."""
    lines = [line for words in said for line in wrapped(words, _LINE - _LABEL)]
    return [("" if at else label, line) for at, line in enumerate(lines)]


def rows_text(rows: Iterable[Row]) -> list[str]:
    """Lines of rows, with the labels in a column of their own."""
    return [f"{label:<{_LABEL}}{words}".rstrip() for label, words in rows]
