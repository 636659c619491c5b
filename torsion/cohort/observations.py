"""Observations: the table of results made ready for statistics, one row for each pair of photos.

Torsion is excyclo-positive here: ``rotation_deg`` as the camera sees it (counter-clockwise positive) in a
right eye, its negative in a left one.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from torsion.angles import read_eye, wrap_rotation_deg
from torsion.cohort.columns import METHOD_PREFIX, POSTURES, cell_text
from torsion.errors import TorsionError
from torsion.flags import Verdict

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["eyes", "method_columns", "observations"]

_IN_HEAD = "level.rotation_deg"
_NEEDED = ("patient", "eye", "rotation_deg", "standard_uncertainty_deg", "verdict")


def observations(
    table: "pd.DataFrame", *, verdicts: Sequence[Verdict] = ("accept", "review")
) -> "pd.DataFrame":
    """Make a table of results ready for statistics.

    Parameters
    ----------
    table : DataFrame
        Columns ``patient, eye, rotation_deg, standard_uncertainty_deg, verdict``; optionally ``row, session,
        repeat, posture`` and whatever else the manifest holds.  Cells may be text.
    verdicts : sequence of {"accept", "review", "refuse"}, optional
        Which measurements count.

    Returns
    -------
    DataFrame
        A copy, of rows with the same photos of the same eye only the first, with numbers as numbers, ``eye``
        as OD or OS, ``posture`` filled in (seated-supine), and the columns ``usable`` (bool), ``torsion_deg``
        (excyclo-positive, NaN where nothing was found) and ``in_head_deg`` (the same against a line of the
        head, NaN where no such line was given).

    Raises
    ------
    TorsionError
        If a column is missing or a posture is unknown.
    """
    import pandas as pd

    missing = [name for name in _NEEDED if name not in table.columns]
    if missing:
        msg = f"the table of results needs the columns {', '.join(_NEEDED)}; missing: {', '.join(missing)}"
        raise TorsionError(msg)
    data = _once(table).reset_index(drop=True)
    if "row" not in data:
        data["row"] = np.arange(1, len(data) + 1)
    data["row"] = _text(data["row"])
    for name in ("session", "repeat", "posture", "reason", "flags"):
        data[name] = _text(data[name]) if name in data else ""
    data["patient"], data["verdict"] = _text(data["patient"]), _text(data["verdict"])
    data["eye"] = [read_eye(text) for text in _text(data["eye"])]
    data["posture"] = data["posture"].str.lower().replace("", POSTURES[0])
    strange = sorted(set(data["posture"]) - set(POSTURES))
    if strange:
        msg = f"posture must be one of {', '.join(POSTURES)}, not {strange[0]!r}"
        raise TorsionError(msg)
    for name in ("rotation_deg", "standard_uncertainty_deg"):
        data[name] = pd.to_numeric(data[name], errors="coerce").astype(float)
    data["rotation_deg"] = wrap_rotation_deg(data["rotation_deg"].to_numpy())
    found = data["rotation_deg"].notna() & data["standard_uncertainty_deg"].notna()
    data["usable"] = found & data["verdict"].isin(list(verdicts))
    excyclo = np.where(data["eye"] == "OD", 1.0, -1.0)
    data["torsion_deg"] = data["rotation_deg"] * excyclo
    in_head = pd.to_numeric(data[_IN_HEAD], errors="coerce") if _IN_HEAD in data else np.nan
    data["in_head_deg"] = in_head * excyclo
    return data


def eyes(data: "pd.DataFrame", *, posture: str = POSTURES[0]) -> "pd.DataFrame":
    """Average the usable pairs of each eye.

    Parameters
    ----------
    data : DataFrame
        Of `observations`.
    posture : str, optional
        Which pairs to take.

    Returns
    -------
    DataFrame
        Columns ``patient, eye, pairs, torsion_deg`` (excyclo-positive), ``rotation_deg`` (camera frame,
        counter-clockwise positive), ``standard_uncertainty_deg`` (of the mean), sorted by patient and eye.

    Notes
    -----
    Errors of several pairs of one eye are taken as independent where no photo occurs twice.  Where a photo is
    shared its error is shared too, and the uncertainty of the mean is taken as that of a single pair.
    """
    chosen = data[data["usable"] & (data["posture"] == posture)]
    eye = ["patient", "eye"]
    again = [chosen.duplicated([*eye, role]) for role in ("seated", "supine") if role in chosen]
    chosen = chosen.assign(
        shared=np.any(again, axis=0) if again else False, variance=chosen["standard_uncertainty_deg"] ** 2
    )
    averages = (
        chosen.groupby(eye, sort=True)
        .agg(
            pairs=("shared", "size"),
            torsion_deg=("torsion_deg", "mean"),
            rotation_deg=("rotation_deg", "mean"),
            variance=("variance", "mean"),
            shared=("shared", "any"),
        )
        .reset_index()
    )
    count = averages["pairs"].where(~averages["shared"].astype(bool), 1)
    averages["standard_uncertainty_deg"] = np.sqrt(averages["variance"].astype(float) / count)
    columns = [*eye, "pairs", "torsion_deg", "rotation_deg", "standard_uncertainty_deg"]
    return averages[columns].astype(dict.fromkeys(columns[3:], float) | {"pairs": int})


def method_columns(table: "pd.DataFrame") -> tuple[str, ...]:
    """Names of the columns that hold another method's degrees, counter-clockwise positive."""
    return tuple(str(name) for name in table.columns if str(name).startswith(METHOD_PREFIX))


def _once(table: "pd.DataFrame") -> "pd.DataFrame":
    """Drop rows that hold the photos of an earlier one: the same scatter twice would pass for a repeat.

    Photos are told by their content where it is known, else by their names.
    """
    if not {"seated", "supine"} <= set(table.columns):
        return table.copy()
    key = table[["patient"]].assign(
        patient=_text(table["patient"]), eye=[read_eye(text) for text in _text(table["eye"])]
    )
    for role in ("seated", "supine"):
        names, digests = _text(table[role]), f"record.sha256.{role}"
        contents = _text(table[digests]) if digests in table else names
        key[role] = contents.where(contents.ne(""), names)
    known = key["seated"].ne("") & key["supine"].ne("")
    return table[~(key.duplicated() & known)].copy()


def _text(column: "pd.Series[str]") -> "pd.Series[str]":
    """Cells as text, a missing one empty, a whole number without its decimals."""
    return column.map(cell_text).astype(object)
