"""What ``torsion level`` prints."""

from collections.abc import Sequence

from torsion.both_eyes import BothEyes
from torsion.level import HeadTurn, LevelledAxis, ReferenceKind, Tilt
from torsion.wording import axis_degrees, turn_words

__all__ = ["level_text"]

_WORDS: dict[ReferenceKind, str] = {"line": "level line", "canthi": "canthi", "pupils": "both pupils"}
_BY: dict[ReferenceKind, str] = {"line": "the level line", "canthi": "the canthi", "pupils": "both pupils"}


def level_text(
    tilts: Sequence[Tilt],
    *,
    axes: Sequence[tuple[Tilt, LevelledAxis]],
    head: Sequence[tuple[Tilt, HeadTurn]],
    eyes: BothEyes | None,
) -> list[str]:
    """Lines of text for what was found."""
    rows: list[tuple[str, str]] = []
    for tilt in tilts:
        against = "gravity" if tilt.against == "gravity" else "the head"
        words = f"{_WORDS[tilt.kind]} {turn_words(tilt.angle_deg)} {_error(tilt.standard_uncertainty_deg)}"
        rows.append((tilt.posture.capitalize(), f"{words}: the picture against {against}"))
    for tilt, axis in axes:
        in_photo = f"{axis_degrees(axis.in_photo_deg)} {_error(axis.standard_uncertainty_deg)}"
        planned = f"planned {axis_degrees(axis.planned_deg)}, in the seated photo {in_photo}"
        rows += [("Axis", f"{planned} by {_BY[tilt.kind]},"), ("", f"if {axis.assumes}")]
    for tilt, turn in head:
        error = _error(turn.standard_uncertainty_deg)
        words = f"{turn_words(turn.turn_deg)} {error} from seated to supine, by {_BY[tilt.kind]}"
        rows.append(("Head", words))
        if turn.torsion_deg is not None and turn.torsion_standard_uncertainty_deg is not None:
            left = f"{turn_words(turn.torsion_deg)} {_error(turn.torsion_standard_uncertainty_deg)}"
            rows.append(("", f"which leaves {left} for the eye in the head"))
    if not head and {tilt.posture for tilt in tilts} == {"seated", "supine"}:
        rows.append(("Head", "its turn is not known: that needs the same canthi or pupils in both photos"))
    return [f"{label:<8}{words}" for label, words in (*rows, *_eyes(eyes))]


def _eyes(eyes: BothEyes | None) -> list[tuple[str, str]]:
    if eyes is None:
        return []
    error = _error(eyes.standard_uncertainty_deg)
    right, left, common = (turn_words(turn) for turn in (eyes.right_deg, eyes.left_deg, eyes.common_deg))
    symmetric = f"{abs(eyes.symmetric_deg):.1f}°"
    if symmetric != "0.0°":
        symmetric += f" {'excyclotorsion' if eyes.symmetric_deg > 0 else 'incyclotorsion'} of either eye"
    return [
        ("Eyes", f"right {right}, left {left}, photographed {_taken(eyes)}"),
        ("", f"common {common} {error}: head tilt, camera roll, or both eyes together"),
        ("", f"symmetric {symmetric} {error}"),
    ]


def _taken(eyes: BothEyes) -> str:
    return {"one frame": "in one frame", "fixed": "with camera and head fixed", "apart": "apart"}[eyes.taken]


def _error(uncertainty_deg: float) -> str:
    return f"(± {uncertainty_deg:.1f}°)" if uncertainty_deg >= 0.05 else "(± less than 0.1°)"
