"""Which way round the supine picture is: turned by a quarter, mirrored, or upright."""

from dataclasses import dataclass

from torsion.eye_picture import EyePicture, mirrored_eye
from torsion.photo import TURNS, UNDONE_BY, Turn
from torsion.search import Candidate, best_geometry, patch_maps

__all__ = ["View", "find_view"]

CLEAR_MARGIN = 0.03  # of a view over its rivals; eyes that do not match seldom reach it
_CLEAR_SCORE = 0.25  # eyes that do not match, or lie otherwise, stayed below 0.2; the same eye seldom does


@dataclass(frozen=True, slots=True)
class View:
    """How the supine picture is displayed.

    Attributes
    ----------
    turn_deg : {0, 90, 180, 270}
        Counter-clockwise turn of the supine picture against the seated one.
    mirrored : bool
        Mirrored left to right (before the turn is counted).
    """

    turn_deg: Turn
    mirrored: bool

    @property
    def displayed_deg(self) -> Turn:
        """Counter-clockwise turn of the picture as displayed, before a mirror is undone."""
        return UNDONE_BY[self.turn_deg] if self.mirrored else self.turn_deg


def find_view(seated: EyePicture, supine: EyePicture) -> tuple[View, Candidate]:
    """Best coarse geometry over the four turns and the mirror.

    Upright is tried first.  Where it is clear by itself the others are not tried, which saves time and hides
    nothing: a second view of one eye never matches as well.  Clear takes a good match and a lead, since what
    matches poorly everywhere may lead somewhere by chance.  Where no view leads, it is upright.

    Returns
    -------
    view : View
    candidate : Candidate
        In the coordinates of the mirrored supine eye where ``view.mirrored``.
    """
    maps = patch_maps(seated, supine)
    upright = best_geometry(maps)
    if upright.score > _CLEAR_SCORE and upright.score - upright.rival_score > CLEAR_MARGIN:
        return View(0, False), upright
    views: list[tuple[View, Candidate]] = [(View(0, False), upright)]
    views += [(View(turn, False), best_geometry(maps, turn_deg=turn)) for turn in TURNS[1:]]
    maps = patch_maps(seated, mirrored_eye(supine))
    views += [(View(turn, True), best_geometry(maps, turn_deg=turn)) for turn in TURNS]
    clearest = max(views, key=lambda entry: entry[1].score - entry[1].rival_score)
    if clearest[1].score - clearest[1].rival_score > CLEAR_MARGIN:
        return clearest
    return views[0]
