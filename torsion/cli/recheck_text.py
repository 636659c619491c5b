"""What ``torsion recheck`` prints."""

from torsion.cli.recheck_photo import Look
from torsion.cli.rows import folded
from torsion.cli.toric_options import axis_text, refraction_text
from torsion.lens_rotation import RotationSince
from torsion.measurement_words import mirror_words
from torsion.recheck import Recheck, Worth
from torsion.wording import axis_degrees, reason_words, rotation_words, spread_words, verdict_word

__all__ = ["recheck_text"]

_WORTH: dict[Worth, str] = {
    "yes": "Turning looks worth it",
    "no": "Turning does not look worth it",
    "unclear": "Unclear whether turning is worth it",
}


def recheck_text(look: Look | None, found: Recheck | None, since: RotationSince | None) -> list[str]:
    """Lines of the answer: the look at the lens first, then what refraction and axis say of turning it."""
    lines = _look_text(look) if look else []
    if found is not None:
        lines += [*([""] if lines else []), *_turning_text(found)]
    if look is None and since is not None:
        lines.append(_row("rotation", _rotation_text(since)))
    return lines if found is None else [*lines, "  Refractions at the cornea."]


def _row(label: str, words: str) -> str:
    return folded(words, f"  {label:<12}")


def _turning_text(found: Recheck) -> list[str]:
    now, best = refraction_text(found.refraction), refraction_text(found.refraction_at_best)
    lines = [
        _WORTH[found.worth],
        "",
        _row("now", f"marks at {axis_text(found.axis_deg):<5}  left over {now}"),
    ]
    if found.best_axis_deg is None or found.turn_deg is None or found.gain is None:
        return [*lines, "  The eye without this lens has no astigmatism: no axis is better than another."]
    gain = found.gain
    low, high = gain.interval_95_d
    lines += [
        _row("best", f"marks at {axis_text(found.best_axis_deg):<5}  left over {best}"),
        _row(
            "turn",
            f"{_turn_text(found.turn_deg)}, known within ±{gain.turn_standard_uncertainty_deg:.0f}° "
            "(one standard uncertainty)",
        ),
        _row(
            "gain",
            f"{gain.mean_d:+.2f} D expected, 95 % between {low:+.2f} and {high:+.2f} D; "
            f"better in {100 * gain.probability_better:.0f} of 100",
        ),
        _row("", f"(worth it from {found.worth_d:.2f} D; refraction, axis and turning are uncertain)"),
    ]
    if found.check is not None:
        implied = found.check.implied
        verdict = "disagrees" if found.check.difference_d > found.check.limit_d else "agrees"
        words = f"refraction and cornea imply a lens of {implied.cylinder_d:.2f} D at "
        words += f"{axis_text(implied.meridian_deg)}; the lens as read {verdict}"
        lines.append(_row("check", words))
    return lines


def _turn_text(turn_deg: float, *, decimals: int = 0) -> str:
    """Size and sense of a turn."""
    size = f"{abs(turn_deg):.{decimals}f}"
    if not float(size):
        return "no turn"
    return f"{size}° {'counter-clockwise' if turn_deg > 0 else 'clockwise'}"


def _rotation_text(since: RotationSince) -> str:
    """Rotation since an earlier look; what came before a first photo cannot be seen, and it says so."""
    since_when = "surgery" if since.since == "surgery" else "the first photo (not since surgery)"
    return (
        f"{_turn_text(since.rotation_deg, decimals=1)} since {since_when}, "
        f"±{since.standard_uncertainty_deg:.1f}° (one standard uncertainty)"
    )


def _look_text(look: Look) -> list[str]:
    """Lines that say where the lens lies."""
    lens, found = look.lens, look.measurement
    verdict = verdict_word(found.verdict)
    reason = "" if found.verdict == "accept" else f": {reason_words(found.flags, found.verdict, found)}"
    if lens is None or lens.axis_deg is None:
        return [folded(f"No axis: {verdict}{reason}", "")]
    lines = [
        f"Marks of the lens at {axis_degrees(lens.axis_deg)} in the frame of the seated photo",
        "",
        _row("photos", f"{verdict}{reason}"),
        _row(
            "this photo",
            f"marks at {axis_degrees(lens.photo_deg)} as displayed; "
            f"the eye is turned {rotation_words(found.rotation_deg)} against the seated photo",
        ),
        *([_row("view", mirror_words(found))] if mirror_words(found) else []),
        _row(
            "known",
            f"±{lens.standard_uncertainty_deg:.1f}° (one standard uncertainty: registration "
            f"{spread_words(lens.registration_deg or 0.0)}, reading of the marks {lens.reading_deg:.1f}°)",
        ),
    ]
    if look.plan is not None:
        plan = look.plan
        words = (
            f"{axis_degrees(plan.planned_deg)}, which is {axis_degrees(plan.surgical_deg)} in this photo; "
        )
        words += f"the lens is off by {_turn_text(plan.off_deg, decimals=1)}, "
        words += f"±{plan.standard_uncertainty_deg:.1f}° ({plan.uncertainty_is})"
        lines.append(_row("plan", words))
        if plan.expected_d is not None:
            lines.append(_row("costs", f"{plan.expected_d:.2f} D of cylinder expected from that alone"))
    if look.rotation is not None:
        lines.append(_row("rotation", _rotation_text(look.rotation)))
    elif look.at_surgery:
        lines.append(_row("rotation", "this is the baseline at the end of surgery: keep the --json file"))
    else:
        lines.append(_row("rotation", "no baseline: rotation since surgery cannot be stated from this photo"))
    return lines
