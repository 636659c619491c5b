"""Sheets: what pages have in common, above all those that are printed for the theatre."""

import unicodedata
from collections.abc import Mapping
from typing import TYPE_CHECKING

from torsion.angles import Eye

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["EYES", "LONGEST_CASE", "one_line", "pages", "render_sheet"]

LONGEST_CASE = 60
"""Characters that the label of a case may have."""
EYES: dict[Eye | None, str] = {"OD": "OD right", "OS": "OS left", None: "eye not given"}
"""How a sheet names the eye."""


def one_line(case: str) -> str:
    """Take out of a label what is not to be printed: line breaks, control and direction characters.

    Raises
    ------
    ValueError
        If it is longer than `LONGEST_CASE`.
    """
    line = " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in case).split())
    if len(line) > LONGEST_CASE:
        msg = f"the label of the case has {len(line)} characters; at most {LONGEST_CASE} fit on the sheet"
        raise ValueError(msg)
    return line


def render_sheet(template: str, fields: Mapping[str, object]) -> str:
    """Fill a template of the package; whatever a field holds is text and nothing else.

    Raises
    ------
    ImportError
        If Jinja2 is not installed.
    """
    return pages("torsion").get_template(template).render(fields)


def pages(package: str) -> "Environment":
    """Give the templates of a package under one rule: what is filled in is escaped, and may not be missing.

    They may include those of ``torsion``, such as the heads of pages.

    Raises
    ------
    ImportError
        If Jinja2 is not installed.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("torsion")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
