"""Dependence: whether torsion differs by eye, session, camera, operator, time or preparation."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from torsion.cohort.columns import POSTURES
from torsion.cohort.estimates import Estimate, unknown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COVARIATES", "Dependence", "dependence"]

COVARIATES = ("eye", "session", "camera", "operator", "minutes", "anaesthesia", "drops", "fixation")
"""Columns on which torsion may depend; minutes as a slope, the others by their levels."""

_NUMERIC = {"minutes"}
_FEWEST = 10  # patients, and 5 in each level (common practice, no source)
_FEWEST_IN_LEVEL = 5

Outcome = Literal["torsion_deg", "absolute_deg"]


@dataclass(frozen=True, slots=True)
class Dependence:
    """How one outcome depends on one column.

    Attributes
    ----------
    column : str
    outcome : {"torsion_deg", "absolute_deg"}
        Excyclo-positive torsion, or its size.
    effects : dict
        Level -> difference from the reference, degrees; for minutes ``"a minute"`` -> slope.
    reference : str
        The most frequent level; empty for a slope.
    p : float or None
        That so much is found by chance, all levels together.
    p_adjusted : float or None
        The same, adjusted for the number of columns looked at (Holm).
    note : str
    """

    column: str
    outcome: Outcome
    effects: dict[str, Estimate]
    reference: str
    p: float | None
    p_adjusted: float | None
    note: str


def dependence(data: "pd.DataFrame", *, columns: Sequence[str] = COVARIATES) -> tuple[Dependence, ...]:
    """Look at each column that is filled in and varies.

    Parameters
    ----------
    data : DataFrame
        Of `torsion.cohort.observations.observations`.
    columns : sequence of str, optional

    Returns
    -------
    tuple of Dependence
        Two for each column with at least two values among usable seated-supine pairs.  Without numbers, and
        with a sentence, where too few patients stand behind them.

    Notes
    -----
    Least squares with a variance that is robust to clusters of a patient's pairs, Student's interval with
    patients - 1 degrees of freedom.  One column at a time: columns that vary together cannot be told apart.
    """
    used = data[data["usable"] & (data["posture"] == POSTURES[0])]
    found: list[Dependence] = []
    for column in columns:
        if column not in used:
            continue
        known = used[np.array([_is_filled(cell) for cell in used[column]], dtype=bool)]
        if known[column].astype(str).nunique() < 2:
            continue
        sizes = known["torsion_deg"].abs()
        found.append(_one(known, column, "torsion_deg", known["torsion_deg"].to_numpy(dtype=float)))
        found.append(_one(known, column, "absolute_deg", sizes.to_numpy(dtype=float)))
    return tuple(_adjusted(found))


def _is_filled(cell: object) -> bool:
    return cell is not None and cell == cell and str(cell).strip() != ""


def _one(known: "pd.DataFrame", column: str, outcome: Outcome, y: NDArray[np.float64]) -> Dependence:
    import pandas as pd

    patients = known["patient"].to_numpy(dtype=str)
    if column in _NUMERIC:
        x = pd.to_numeric(known[column], errors="coerce").to_numpy(dtype=float)
        keep, names, reference = np.isfinite(x), ["a minute"], ""
        design = x[keep, None]
        note = ""
    else:
        levels = known[column].astype(str)
        patients_in = known.groupby(levels)["patient"].nunique()
        kept = patients_in[patients_in >= _FEWEST_IN_LEVEL].sort_values(ascending=False, kind="stable").index
        keep = levels.isin(kept).to_numpy(dtype=bool)
        reference, names = (str(kept[0]) if len(kept) else ""), [str(name) for name in kept[1:]]
        design = (
            np.stack([(levels[keep] == name).to_numpy(dtype=float) for name in names], axis=1)
            if names
            else None
        )
        few = sorted(set(map(str, patients_in.index)) - set(map(str, kept)))
        note = f"Left out, below {_FEWEST_IN_LEVEL} patients: {', '.join(few)}." if few else ""
    groups = np.unique(patients[keep], return_inverse=True)[1]
    n = int(groups.max()) + 1 if groups.size else 0
    if design is None or n < max(_FEWEST, 3 * len(names)) or np.ptp(design) == 0.0 or np.ptp(y[keep]) == 0.0:
        short = (
            f"Too few patients, or no difference to explain, to say whether {column} matters. {note}".strip()
        )
        return Dependence(
            column, outcome, {name: unknown(n, short) for name in names}, reference, None, None, short
        )
    effects, p = _fitted(y[keep], design, groups, names)
    return Dependence(column, outcome, effects, reference, p, None, note)


def _fitted(
    y: NDArray[np.float64], design: NDArray[np.float64], groups: NDArray[np.intp], names: Sequence[str]
) -> tuple[dict[str, Estimate], float]:
    from statsmodels.api import OLS, add_constant

    fit = OLS(y, add_constant(design, has_constant="add")).fit(
        cov_type="cluster", cov_kwds={"groups": groups}, use_t=True
    )
    n = int(groups.max()) + 1
    ends = fit.conf_int()
    method = "least squares, variance robust to clusters"
    effects = {
        name: Estimate(float(fit.params[i]), (float(ends[i][0]), float(ends[i][1])), n, method)
        for i, name in enumerate(names, start=1)
    }
    return effects, float(fit.f_test(np.eye(len(names) + 1)[1:]).pvalue)


def _adjusted(found: list[Dependence]) -> list[Dependence]:
    """Adjust within each outcome for the number of columns looked at."""
    from statsmodels.stats.multitest import multipletests

    result = list(found)
    for outcome in ("torsion_deg", "absolute_deg"):
        places = [i for i, one in enumerate(found) if one.outcome == outcome and one.p is not None]
        if places:
            adjusted = multipletests([found[i].p for i in places], method="holm")[1]
            for i, p in zip(places, adjusted, strict=True):
                result[i] = replace(found[i], p_adjusted=float(p))
    return result
