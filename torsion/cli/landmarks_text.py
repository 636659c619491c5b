"""What ``torsion landmarks`` prints."""

from torsion.aid_words import suspect_words
from torsion.axis import AxisTransfer
from torsion.landmark_pairs import HandRotation
from torsion.landmark_survey import LandmarkSurvey, clock_words, length_words, offset_words
from torsion.measurement_words import axis_words
from torsion.wording import axis_degrees, direction_degrees, reason_words, rotation_words, verdict_word

__all__ = ["pairs_text", "survey_text"]


def survey_text(survey: LandmarkSurvey) -> list[str]:
    """Lines of text for the landmarks of a photo."""
    reason = "" if survey.verdict == "accept" else f": {reason_words(survey.flags, survey.verdict)}"
    if not survey.landmarks:
        return [f"{verdict_word(survey.verdict)}{reason}"]
    lines = [f"{verdict_word(survey.verdict)}{reason}", ""]
    for index, landmark in enumerate(survey.landmarks):
        line = f"{landmark.number}  {direction_degrees(landmark.direction_deg):>6}  "
        line += f"{clock_words(landmark.direction_deg):>5} h  {_where(landmark.kind, landmark.band):<18}"
        if survey.offsets is not None:
            offset = survey.offsets[index]
            length = length_words(offset)
            line += f"  axis {offset_words(offset)}" + (f" ({length})" if length else "")
        lines.append(line.rstrip())
    lines.append("")
    if survey.offsets is not None and survey.axis_deg is not None:
        lines.append(f"Axis {axis_degrees(survey.axis_deg)} as planned, in the frame of this photo.")
    return [*lines, "Degrees and clock hours are those of this photo; the supine eye has turned."]


def _where(kind: str, band: str) -> str:
    return f"{kind} on the iris" if band == "iris" else kind


def pairs_text(found: HandRotation, axis: AxisTransfer | None) -> list[str]:
    """Lines of text for a rotation from hand-picked pairs."""
    reason = "" if found.verdict == "accept" else f": {reason_words(found.flags, found.verdict)}"
    rows: list[tuple[str, str]] = [("Verdict", verdict_word(found.verdict) + reason)]
    rows += [("" if number else "Rotation", words) for number, words in enumerate(_rotation_words(found))]
    rows += [("Suspect", suspect_words(suspect)) for suspect in found.suspects]
    residuals = ", ".join(
        f"{pair.name} {residual:.1f}" for pair, residual in zip(found.pairs, found.residuals_px, strict=True)
    )
    rows.append(("Misfit", f"pixels of the supine photo: {residuals}"))
    rows.append(("Scale", f"{found.scale:.3f}"))
    if axis is not None and axis.surgical_deg is not None:
        carried = f"lens marks at {axis_degrees(axis.surgical_deg)} in the supine photo, {axis_words(axis)}"
        rows.append(("Axis", f"planned at {axis_degrees(axis.planned_deg)}; {carried}"))
    elif axis is not None:
        rows.append(("Axis", f"planned at {axis_degrees(axis.planned_deg)}; not carried"))
    return [f"{label:<10}{words}" for label, words in rows]


def _rotation_words(found: HandRotation) -> list[str]:
    rotation, low, high = (rotation_words(found.rotation_deg), *found.interval_95_deg)
    if found.verdict == "refuse":
        return [f"none to use (the pairs as they are give {rotation}; do not rely on it)"]
    return [
        f"{rotation} from {len(found.pairs)} hand-picked pairs",
        f"95 % interval {low:+.2f}° to {high:+.2f}° ({_rests_on(found)})",
    ]


def _rests_on(found: HandRotation) -> str:
    if found.degrees_of_freedom is not None:
        return f"from the misfit, Student's t with {found.degrees_of_freedom} degrees of freedom"
    return f"from clicks good to {found.click_px:g} px"
