"""Report: one page of a cohort that holds everything, and its figures, texts and tables as files."""

import base64
import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsion._version import __version__
from torsion.cohort import figures
from torsion.cohort.agreement import compared
from torsion.cohort.binocular import pairs_of_eyes
from torsion.cohort.dictionary import dictionary, flag_meanings
from torsion.cohort.estimates import Estimate
from torsion.cohort.gallery import Look, picture, worth_a_look
from torsion.cohort.methods import (
    count,
    degrees,
    headline,
    is_of_controls,
    main_repeats,
    methods_paragraphs,
    percent,
    plain_number,
)
from torsion.cohort.observations import eyes, observations
from torsion.cohort.statistics import SIGN, Summary
from torsion.cohort.table import DICTIONARY_NAME, EYES_NAME
from torsion.files import write_whole
from torsion.flags import FLAGS
from torsion.pictures import FORMATS, figure_bytes
from torsion.sheets import pages
from torsion.toric import CAUTION

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = ["write_report"]

_ALT = {
    "dial": "rotation of right and left eyes on a dial",
    "histogram": "how many eyes turned how far",
    "right-left": "right against left eye",
    "posture": "seated-supine pairs against controls",
    "repeats": "values of an eye about their mean",
    "refusals": "pairs without a usable rotation, by reason",
}
_DPI = 300


@dataclass(frozen=True, slots=True)
class _Tile:
    """One number at the head of the page."""

    label: str
    value: str
    small: str


def write_report(
    table: "pd.DataFrame", summary: Summary, folder: Path, *, photos: Path | None = None, title: str = ""
) -> Path:
    """Write the report of a cohort.

    Parameters
    ----------
    table : DataFrame
        Results, as given to `torsion.cohort.statistics.summarise`.
    summary : Summary
        Made from them.
    folder : Path
        Where to write ``report.html`` (self-contained), ``methods.md``, ``eyes.csv`` (torsion of each eye),
        ``data-dictionary.csv`` and ``figures/`` (each as SVG, PNG and PDF).  It must exist.
    photos : Path, optional
        Folder from which the photos' paths start.  With it the gallery shows the eyes, which identify their
        owners; without it only words and numbers.
    title : str, optional
        Of the page.

    Returns
    -------
    Path
        Of the page.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    data = observations(table, verdicts=summary.verdicts_used)  # type: ignore[arg-type]
    by_eye = eyes(data)
    drawn = _figures(data, by_eye, summary)
    pictures = folder / "figures"
    pictures.mkdir(exist_ok=True)
    for name, figure in drawn.items():
        for kind in FORMATS:
            write_whole(figure_bytes(figure, kind, dpi=_DPI), pictures / f"{name}.{kind}")
    paragraphs = methods_paragraphs(summary)
    write_whole("# Methods and results\n\n" + "\n\n".join(paragraphs) + "\n", folder / "methods.md")
    write_whole(by_eye.round(4).to_csv(index=False, lineterminator="\n"), folder / EYES_NAME)
    entries = dictionary([str(name) for name in table.columns])
    header = ("column", "kind", "unit", "meaning")
    rows = [[getattr(entry, name) for name in header] for entry in entries]
    write_whole(_csv([header, *rows]), folder / DICTIONARY_NAME)
    looks = worth_a_look(data)
    page = _render(
        title=title or ("Repeats of a cohort" if is_of_controls(summary) else "Torsion of a cohort"),
        summary=summary,
        images={
            name: _embedded(figure_bytes(figure, "svg", dpi=_DPI), "svg+xml")
            for name, figure in drawn.items()
        },
        looks=[(look, _shown(data, look, photos)) for look in looks],
        eyes=_number_of(data, ["patient", "eye"]),
        patients=_number_of(data, ["patient"]),
        lost_eyes=any(low != high for low, high in summary.refusals.bounds.values()),
        common_flags=_common_flags(data),
        photos_asked=photos is not None,
        paragraphs=paragraphs,
        entries=entries,
    )
    write_whole(page, folder / "report.html")
    return folder / "report.html"


def _figures(data: "pd.DataFrame", by_eye: "pd.DataFrame", summary: Summary) -> dict[str, "Figure"]:
    """Draw what there are data for."""
    drawn: dict[str, Figure] = {}
    if len(by_eye):
        drawn["dial"] = figures.dial_figure(by_eye)
        drawn["histogram"] = figures.histogram_figure(by_eye, summary.torsion)
    pairs = pairs_of_eyes(by_eye)
    if len(pairs):
        drawn["right-left"] = figures.right_left_figure(pairs)
    if any(summary.posture.pairs[name] for name in list(summary.posture.pairs)[1:]):
        drawn["posture"] = figures.posture_figure(data)
    repeats = main_repeats(summary)
    if repeats is not None:
        drawn["repeats"] = figures.repeats_figure(data, repeats)
    for number, (column, found) in enumerate(summary.agreement.items(), start=1):
        if found.sd is not None:
            name = column.removeprefix("method.")
            drawn[f"agreement-{number}"] = figures.agreement_figure(compared(data, column), found, name)
    if summary.refusals.reasons:
        drawn["refusals"] = figures.refusals_figure(summary.refusals)
    return drawn


def _render(*, summary: Summary, **given: Any) -> str:  # noqa: ANN401 - what the template shows
    environment = pages("torsion.cohort")
    environment.filters |= {
        "count": count,
        "degrees": degrees,
        "percent": percent,
        "number": plain_number,
        "p": _p,
    }
    template = environment.get_template("report.html")
    page = template.render(
        summary=summary,
        headline=headline(summary),
        tiles=_tiles(summary),
        of_controls=is_of_controls(summary),
        agreements=[(f"agreement-{i}", *item) for i, item in enumerate(summary.agreement.items(), start=1)],
        alt=_ALT,
        flags=flag_meanings(),
        meaning=_meaning,
        sign=SIGN,
        caution=CAUTION,
        version=__version__,
        **given,
    )
    return str(page).lstrip()


def _tiles(summary: Summary) -> list[_Tile]:
    """Pick the numbers that are read first."""
    torsion, both, repeats = summary.torsion, summary.both_eyes, main_repeats(summary)
    if is_of_controls(summary):
        return _tiles_of_controls(summary)
    tiles = [
        _Tile("mean torsion", _short(torsion.mean_deg, signed=True), _reach(torsion.mean_deg, signed=True)),
        _Tile("mean size", _short(torsion.absolute_mean_deg), _reach(torsion.absolute_mean_deg)),
        _Tile("turned 3° or more", *_share(torsion.shares.get("3"))),
    ]
    if both.common.sd_deg.value is not None:
        small = f"SD of {count(both.patients, 'patient')}; symmetric part {_short(both.symmetric.sd_deg)}"
        tiles.append(_Tile("head tilt and roll", _short(both.common.sd_deg), small))
    if repeats is not None:
        coefficient = repeats.coefficient_deg
        tiles.append(_Tile("two values differ by less than", _short(coefficient), "95 times in 100"))
    tiles.append(_Tile("no usable rotation", *_share(summary.refusals.refused)))
    return tiles


def _tiles_of_controls(summary: Summary) -> list[_Tile]:
    tiles = [
        _Tile(f"{name}, root mean square", f"{rms:.2f}°", count(summary.posture.pairs[name], "pair"))
        for name, rms in summary.posture.control_rms_deg.items()
        if rms is not None
    ]
    repeats = main_repeats(summary)
    if repeats is not None:
        sd, coefficient = repeats.within_sd_deg, repeats.coefficient_deg
        tiles.append(_Tile("within-subject SD", _fine(sd), _fine_reach(sd)))
        tiles.append(_Tile("two values differ by less than", _fine(coefficient), "95 times in 100"))
    tiles.append(_Tile("no usable rotation", *_share(summary.refusals.refused)))
    return tiles


def _fine(one: Estimate) -> str:
    return "–" if one.value is None else f"{one.value:.2f}°"


def _fine_reach(one: Estimate) -> str:
    ends = one.interval_95
    return one.note if ends is None else f"95 % CI {ends[0]:.2f} to {ends[1]:.2f}"


def _share(one: Estimate | None) -> tuple[str, str]:
    if one is None or one.value is None:
        return "–", ""
    ends = one.interval_95
    small = "" if ends is None else f"95 % CI {100.0 * ends[0]:.0f} to {100.0 * ends[1]:.0f} %"
    return f"{100.0 * one.value:.0f} %", small


def _short(one: Estimate, *, signed: bool = False) -> str:
    form = "+.1f" if signed else ".1f"
    return "–" if one.value is None else f"{one.value:{form}}°".replace("-", "−")


def _reach(one: Estimate, *, signed: bool = False) -> str:
    if one.interval_95 is None:
        return one.note
    form = "+.1f" if signed else ".1f"
    return f"95 % CI {one.interval_95[0]:{form}} to {one.interval_95[1]:{form}}".replace("-", "−")


def _p(value: float | None) -> str:
    if value is None:
        return "–"
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _meaning(name: str) -> str:
    return FLAGS[name].meaning if name in FLAGS else name


def _number_of(data: "pd.DataFrame", keys: list[str]) -> int:
    return len(data.loc[data["usable"], keys].drop_duplicates())


def _common_flags(data: "pd.DataFrame") -> list[str]:
    """List flags of most usable pairs: said once they inform, on each pair they hide what sets it apart."""
    flags = data.loc[data["usable"], "flags"].str.split(";")
    counts = Counter(name for names in flags for name in names if name)
    return [name for name, count in counts.most_common() if 2 * count > len(flags)]


def _shown(data: "pd.DataFrame", look: Look, photos: Path | None) -> str | None:
    if photos is None:
        return None
    row = data[data["row"].astype(str) == look.row].iloc[0]
    found = picture(row, photos)
    return None if found is None else _embedded(found, "png")


def _embedded(raw: bytes, kind: str) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(raw).decode('ascii')}"


def _csv(rows: Sequence[Sequence[object]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()
