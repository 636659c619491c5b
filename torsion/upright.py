"""A pair whose supine picture lies on its side, measured again with that picture turned upright.

Lids and lashes are looked for above and below.  In a picture turned by 90 or 270 degrees they lie at the
sides, and lashes there would be taken for ink.
"""

from dataclasses import replace

from torsion.angles import wrap_direction_deg
from torsion.marks import Mark
from torsion.measurement import Measurement, MeasureOptions, measure_pair
from torsion.photo import UNDONE_BY

__all__ = ["as_displayed", "upright_pair"]


def upright_pair(pair: Measurement) -> tuple[Measurement, float]:
    """Turn a supine picture that lies on its side upright, and measure the pair anew.

    Parameters
    ----------
    pair : Measurement

    Returns
    -------
    pair : Measurement
        The one that was given, where its picture does not lie on its side or cannot be measured upright.
    turn_deg : float
        What takes a direction of its supine picture into that of the one that was given.
    """
    view = pair.view
    if pair.verdict == "refuse" or view is None or view.turn_deg in (0, 180):
        return pair, 0.0
    if "on_its_side" in pair.seated.flags:  # then the supine one is upright
        return pair, 0.0
    turn = view.displayed_deg
    supine = pair.supine.photo.turned(UNDONE_BY[turn])
    again = measure_pair(pair.seated, supine, eye=pair.eye, options=MeasureOptions(mirrored=view.mirrored))
    return (pair, 0.0) if again.verdict == "refuse" else (again, float(turn))


def as_displayed(mark: Mark, turn_deg: float) -> Mark:
    """Say where a mark of the supine picture is in it as displayed, after it was read turned upright."""
    if mark.photo == "seated":
        return mark
    return replace(mark, photo_direction_deg=wrap_direction_deg(mark.photo_direction_deg + turn_deg))
