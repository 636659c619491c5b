"""Page of a validation: one HTML file that holds everything and shows no eye."""

import base64

from torsion._version import __version__
from torsion.pictures import figure_bytes
from torsion.sheets import pages
from torsion.toric import CAUTION
from torsion.validate import Validation
from torsion.validate_verdict import Trust

__all__ = ["validation_page"]

_DPI = 100  # of what an SVG holds as a picture: nothing
_MOST_NAMED = 12  # photos or pairs written out
_CAPTIONS = {
    "eyes": "Every pair of photos of one eye; the eyes that do worst first.",
    "errors": "Errors that are known, accepted pairs only. Turned ring: the eye of one photo turned by a "
    "known angle, lids and glints left. Closure: round three photos. Iris less limbus: each solved alone.",
    "stated": "Each known error against what was stated for it. Closure lies low where photo errors cancel.",
    "turned": "Turned rings: bars are two stated standard uncertainties.",
    "evidence": "What tells one eye from another: the two clouds must not meet. A mirrored eye matches once "
    "un-mirrored, and is refused for being mirrored.",
}
_GRADES = {"good": "good", "doubtful": "doubtful", "bad": "bad", "too few": "too few", "none": "not shown"}
_TRUST: dict[Trust, str] = {
    "good": "can be relied on",
    "doubtful": "with care",
    "too few": "too few to tell",
    "bad": "do not rely on it",
}


def validation_page(validation: Validation, *, title: str = "") -> str:
    """Write the page of a validation.

    Parameters
    ----------
    validation : Validation
    title : str, optional
        Name of the camera or the set of photos.

    Returns
    -------
    str
        A whole HTML document that needs nothing from elsewhere.  It names photos, and shows none.

    Raises
    ------
    ImportError
        If Jinja2 or matplotlib is not installed.
    """
    from torsion.validate_plots import figures

    v = validation
    environment = pages("torsion")
    images = {
        name: "data:image/svg+xml;base64,"
        + base64.b64encode(figure_bytes(figure, "svg", dpi=_DPI)).decode("ascii")
        for name, figure in figures(v).items()
    }
    page = environment.get_template("validation.html").render(
        v=v,
        title=title or "A camera put to the test",
        word=_TRUST[v.judged.grade],
        change=next((one.remedy for one in v.advice if one.holds_back), "") if v.verdict != "accept" else "",
        grades=_GRADES,
        images=images,
        captions=_CAPTIONS,
        unreadable=list(v.unreadable.items())[:_MOST_NAMED],
        odd=v.odd[:_MOST_NAMED],
        wrong=v.wrong[:_MOST_NAMED],
        not_made=_not_made(v),
        readable=len(v.photos) - len(v.unreadable),
        caution=CAUTION,
        version=__version__,
    )
    return str(page).lstrip()  # the template begins with macros


def _not_made(v: Validation) -> list[tuple[int, str]]:
    """Reasons why pairs have no answer, with how many there are."""
    counts: dict[str, int] = {}
    for one in v.answers:
        if one.fault is not None:
            counts[one.fault] = counts.get(one.fault, 0) + 1
    return [(count, fault) for fault, count in sorted(counts.items(), key=lambda item: -item[1])]
