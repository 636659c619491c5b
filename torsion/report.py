"""The theatre sheet: one page that carries a measurement into the operating theatre, printed in black.

It names no file and shows nothing that a photo's file says of itself; photos are known by their hashes.
"""

import base64
import io
from dataclasses import asdict
from typing import TYPE_CHECKING

from torsion._version import __version__
from torsion.aid_words import centre_words, hand_words, ink_words, ways_words
from torsion.aids import NO_AIDS, Aids
from torsion.axis_cost import AxisCost
from torsion.flags import FLAGS
from torsion.measurement import Measurement
from torsion.measurement_words import (
    axis_words,
    cost_words,
    direction_words,
    frame_words,
    planned_words,
    uncertainty_words,
    view_words,
)
from torsion.network_words import network_sentence, photo_numbers
from torsion.record import measurement_cautions
from torsion.sheets import EYES, one_line, render_sheet
from torsion.wording import (
    axis_degrees,
    direction_degrees,
    flag_words,
    photo_named,
    rotation_words,
    verdict_word,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["theatre_sheet"]

_MM = 1.0 / 25.4
_WIDTH_MM = 192.0  # A4 with margins of 9 mm
_DIALS_MM, _BANDS_MM = 88.0, 50.0  # heights
_DPI = 220  # of what is printed; photos seldom hold more
_SMALLER = 1.3  # by which the dials are drawn larger than printed, so that their words come out smaller
_MOST_FLAGS = 4  # written out; the page has no room for more
_HASH = 8  # digits of a further photo's checksum
_SEEN = "Both photos show the same eye, and the evidence within the pair agrees."


def theatre_sheet(
    measurement: Measurement, *, case: str = "", cost: AxisCost | None = None, aids: Aids = NO_AIDS
) -> str:
    """Write the theatre sheet of a measurement.

    Parameters
    ----------
    measurement : Measurement
        Of any verdict; a refused one gets a sheet that says so and carries no axis.
    case : str, optional
        Label of the case, printed as it is; without it there is a line to write it on.
    cost : AxisCost, optional
        What an error of the axis costs with the lens that is planned.
    aids : Aids, optional
        What goes with the axis: ways to it from the eye, the ink check, pairs picked by hand, the centre.

    Returns
    -------
    str
        A whole HTML document that needs nothing from elsewhere and prints on one side of A4.

    Raises
    ------
    ValueError
        If the label is longer than `torsion.sheets.LONGEST_CASE`.
    ImportError
        If Jinja2 or matplotlib is not installed.
    """
    m = measurement
    used = m.verdict != "refuse"
    fields: dict[str, object] = {
        "case": one_line(case),
        "eye": EYES[m.eye],
        "verdict": m.verdict,
        "verdict_word": verdict_word(m.verdict),
        "reason": _reason(m),
        "carried": _carried(m),
        "headline": _headline(m),
        "above": "Planned axis → lens marks in the supine photo" if _carried(m) else "No axis was given",
        "lines": _lines(m),
        "cost": "" if cost is None else _capital(cost_words(cost)),
        "ways": _ways(m, aids),
        "checks": _checks(aids) if used else [],
        "flags": _flags(m),
        "cautions": " ".join(measurement_cautions(m)),
        "record": _record(m),
    }
    return render_sheet("theatre_sheet.html", fields | _pictures(m, aids))


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _reason(m: Measurement) -> str:
    """Say why a sheet has its verdict: all that refuses; of what is for review the first, the rest below."""
    if m.verdict == "accept":
        return _SEEN
    first, *more = (_meaning(name, m) for name in m.flags if FLAGS[name].verdict == m.verdict)
    if m.verdict == "refuse":
        return "; ".join([_capital(first), *more]) + "."
    others = f"; {len(more)} more {'reason' if len(more) == 1 else 'reasons'} below" if more else ""
    return f"{_capital(first)}{others}."


def _meaning(name: str, m: Measurement) -> str:
    return photo_named(name, m) + FLAGS[name].meaning


def _carried(m: Measurement) -> bool:
    return m.axis is not None and m.axis.surgical_deg is not None


def _headline(m: Measurement) -> str:
    if m.axis is None or m.axis.surgical_deg is None:
        return f"Eye turned {rotation_words(m.rotation_deg)}"
    return f"{axis_degrees(m.axis.planned_deg)} → {axis_degrees(m.axis.surgical_deg)}"


def _lines(m: Measurement) -> list[str]:
    """Say what is known of the answer, line by line."""
    lines = []
    axis, incision = m.axis, m.incision
    if axis is not None and axis.surgical_deg is not None:
        undone = ""
        if axis.surgical_patient_deg is not None:
            undone = f" In the patient's frame, view undone: {axis_degrees(axis.surgical_patient_deg)}."
        lines.append(f"Axis: {axis_words(axis)}. Degrees hold for that supine photo only.{undone}")
        lines.append(f"Head: {frame_words(axis)}.")
    if incision is not None and incision.surgical_deg is not None:
        planned, carried = direction_degrees(incision.planned_deg), direction_degrees(incision.surgical_deg)
        lines.append(f"Incision: {planned} → {carried}.")
    turned = ", ".join(part for part in (rotation_words(m.rotation_deg), direction_words(m)) if part)
    lines.append(f"Eye turned {turned}; {uncertainty_words(m)}.")
    if view_words(m):
        lines.append(f"{_capital(view_words(m))}.")
    if m.network is not None:
        lines.append(f"Photos: {network_sentence(m.network, files=False)}")
    return lines


def _ways(m: Measurement, aids: Aids) -> list[str]:
    if not _carried(m):
        return []
    return ways_words(aids) or ["no landmark is recognised in both photos"]


def _checks(aids: Aids) -> list[dict[str, str]]:
    """Say what checks the axis without the registration, and what leads to the centre of the eye."""
    hand = [] if aids.hand is None else hand_words(aids.hand)
    centre = [] if aids.centre is None else centre_words(aids.centre)
    parts = (("Ink check", ink_words(aids)), ("Picked by hand", hand), ("Centre", centre))
    return [{"name": name, "words": "; ".join(lines)} for name, lines in parts if lines]


def _flags(m: Measurement) -> list[str]:
    """Say the flags with their remedies, gravest first, and of those there is no room for the meaning.

    On a refused sheet the reason stands in large print already: then only the remedies are said.
    """
    order = ("refuse", "review", "accept")
    names = sorted(m.flags, key=lambda name: order.index(FLAGS[name].verdict))
    if m.verdict == "refuse":
        grave = [name for name in names if FLAGS[name].verdict == "refuse"]
        remedies = [f"{photo_named(name, m)}{FLAGS[name].remedy}" for name in grave[:_MOST_FLAGS]]
        return [f"{_capital(remedy.rstrip('.?'))}." for remedy in remedies]
    words = [flag_words(name, m) for name in names[:_MOST_FLAGS]]
    rest = names[_MOST_FLAGS:]
    further = "; ".join(_meaning(name, m) for name in rest)
    return [*words, f"Further: {further}."] if rest else words


def _pictures(m: Measurement, aids: Aids) -> dict[str, object]:
    """Draw the figures of the sheet, with what is said of them."""
    from torsion.aid_plots import legend_words
    from torsion.band_plots import bands_figure
    from torsion.plots import dials_figure, is_upright

    width, used = _WIDTH_MM * _MM, m.verdict != "refuse" and m.parameters is not None
    lines = ["circle: limbus, dotted: pupil"]
    if used and _carried(m):
        bow = ", bow: turn" if is_upright(m) else ""
        lines = [f"dashes: planned axis, line: carried axis{bow}", *lines]
    if used and m.incision is not None:
        lines.append("wedge: incision")
    if used:
        lines += legend_words(aids, is_supine=True)
    dials = dials_figure(m, size_in=(_SMALLER * width, _SMALLER * _DIALS_MM * _MM), aids=aids)
    return {
        "dials": _png(dials, dpi=_DPI / _SMALLER),
        "dials_heads": [f"{word}{_head(m, word)}" for word in ("Seated", "Supine")],
        "dials_caption": f"{_capital('; '.join(lines))}. Angles counter-clockwise as the examiner sees the "
        "photo, 0° at its right; both eyes at one scale.",
        "bands": _png(bands_figure(m, size_in=(width, _BANDS_MM * _MM)), dpi=_DPI) if used else "",
    }


def _head(m: Measurement, word: str) -> str:
    """Say beside the name of a photo its axis, where the sheet carries one."""
    if m.axis is None or m.axis.surgical_deg is None:
        return ""
    if word == "Seated":
        return f": planned axis {planned_words(m.axis)}"
    return f": lens marks at {axis_degrees(m.axis.surgical_deg)}"


def _png(figure: "Figure", *, dpi: float) -> str:
    """Draw a figure in grey without metadata, as text for a page."""
    from PIL import Image

    drawn = io.BytesIO()
    figure.savefig(drawn, format="png", dpi=dpi, pil_kwargs={"compress_level": 1})  # it is packed below
    grey = io.BytesIO()
    with Image.open(drawn) as picture:
        picture.convert("L").save(grey, format="png")
    return base64.b64encode(grey.getvalue()).decode("ascii")


def _record(m: Measurement) -> list[str]:
    """How the sheet was made: version, settings, and which files."""
    settings = [
        f"{name.removesuffix('_deg').replace('_', ' ')} {_setting(value)}"
        for name, value in asdict(m.options).items()
    ]
    if m.axis is not None:
        settings.append(f"axis frame {m.axis.frame}")
    for role, prepared in (("seated", m.seated), ("supine", m.supine)):
        for what in ("limbus", "pupil"):
            if getattr(prepared.photo, what) is not None:
                settings.append(f"{role} {what} given by hand")
    further = "" if m.network is None else f"; {len(m.network.photos) - 2} further photos"
    return [
        f"torsion {__version__}; {'; '.join(settings)}{further}",
        f"sha256 of the seated photo {m.seated.photo.sha256}",
        f"sha256 of the supine photo {m.supine.photo.sha256}",
        *_further_hashes(m),
    ]


def _further_hashes(m: Measurement) -> list[str]:
    """How the checksums of further photos begin: enough to know a file by, and room for many."""
    if m.network is None:
        return []
    named = zip(photo_numbers(m.network), m.network.photos, strict=True)
    words = [f"{name} {photo.sha256[:_HASH]}" for name, photo in named if not name.endswith(" photo 1")]
    return [f"sha256 of further ones begins: {', '.join(words).replace(' photo', '')}"]


def _setting(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else f"{value}°"
