"""The page that shows the demo: both photos, and the answers on request, never or at once."""

import html
import math
from collections.abc import Mapping
from typing import Any, Literal

__all__ = ["demo_page"]

Answers = Literal["asked", "none", "shown"]

_CALLS: dict[Answers, str] = {
    "asked": "make up your mind, then show the answers.",
    "none": "make up your mind and write it down. The answers are on a page of their own.",
    "shown": "and compare with what was guessed.",
}
_SWITCH = '<input type="checkbox" id="answers"> <label for="answers">Show the answers</label>'

_STYLE = """
:root { --ink: #1d2b33; --paper: #fbf8f2; --line: #c9c2b4; --planned: #0b5fa5; --carried: #b34700; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 76rem; padding: 2rem 1.25rem 4rem; background: var(--paper);
  color: var(--ink); font: 1.05rem/1.55 Georgia, "Times New Roman", serif; }
h1 { font-size: 1.7rem; margin: 0 0 .4rem; }
h2 { font-size: 1.15rem; margin: 2.4rem 0 .6rem; border-top: 1px solid var(--line); padding-top: 1rem; }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(19rem, 1fr)); gap: 1rem; }
figure { margin: 0; }
svg { width: 100%; height: auto; display: block; border-radius: .4rem; }
figcaption, code, .note { font: .85rem/1.5 ui-monospace, Consolas, monospace; }
pre { background: #eee8db; padding: .7rem .9rem; border-radius: .4rem; overflow-x: auto; }
.ring { fill: none; stroke: #fff; stroke-width: 1.5; opacity: .8; }
.planned { stroke: var(--planned); stroke-width: 5; }
.carried { stroke: var(--carried); stroke-width: 5; }
.stale { stroke: var(--planned); stroke-width: 4; stroke-dasharray: 14 9; }
.halo { stroke: #fff; stroke-width: 9; opacity: .75; }
.label { font: 700 30px ui-monospace, Consolas, monospace; fill: #fff; stroke: #000; stroke-width: 5;
  paint-order: stroke; text-anchor: middle; dominant-baseline: middle; }
.answer { visibility: hidden; }
#answers:checked ~ section .answer { visibility: visible; }
label { cursor: pointer; }
"""


def demo_page(truth: Mapping[str, Any], *, answers: Answers = "asked") -> str:
    """Write the page for the answers of the demo (``truth.json``), a whole HTML document without scripts.

    Parameters
    ----------
    truth : mapping
    answers : {"asked", "none", "shown"}, optional
        Shown when the reader asks for them, not in the page at all, or shown at once.
    """
    planned, eye = truth["planned_deg"], truth["eye"]
    sections = "\n".join(
        _section(truth, pair, number, answers) for number, pair in enumerate(truth["pairs"], 1)
    )
    title = "How far has this eye turned?" + (" The answers" if answers == "shown" else "")
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{_STYLE}{".answer { visibility: visible; }" if answers == "shown" else ""}</style>
</head>
<body>
<h1>{title}</h1>
<p>An invented right eye ({eye}), drawn by a program, photographed seated and again supine. Lids, lashes and
the glints of the lamps stay; the eye turns behind them. The lens is planned at {planned:g}° on the seated
photo. Where does it belong on the supine one? Look at the fibres of the iris and the vessels beside the
limbus, {_CALLS[answers]}</p>
{_SWITCH if answers == "asked" else ""}
{sections}
<p class="note">Angles are counter-clockwise as you see the photo, 0° at the right. For teaching only; not a
medical device. The surgeon's judgement, local rules and licensed practice prevail. Keep a manual mark.</p>
</body>
</html>
"""


def _section(truth: Mapping[str, Any], pair: Mapping[str, Any], number: int, answers: Answers) -> str:
    planned = truth["planned_deg"]
    seated = _photo(
        truth["seated"],
        pair["seated"],
        "seated photo",
        _axis(truth["seated"], planned, "planned", f"{planned:g}°"),
    )
    if answers == "none":
        marks, said, kind = "", "Your answer: ______°", "command"
    else:
        marks = _answer_marks(truth, pair)
        said, kind = f'<span class="answer">{_answer(pair, planned)}</span>', "answer"
    supine = _photo(truth["supine"], pair["supine"], "supine photo", marks)
    # Names of files tell the angle, but for those of a quiz, so the command waits for the answers as well.
    command = (
        f"torsion measure {pair['seated']} {pair['supine']} --eye {truth['eye']} --axis {planned:g} "
        "--picture result.png"
    )
    return f"""<section>
<h2>Pair {number}</h2>
<div class="pair">
<figure>{seated}<figcaption>Seated. Planned axis {planned:g}° (solid line).</figcaption></figure>
<figure>{supine}<figcaption>Supine. {said}</figcaption></figure>
</div>
<pre class="{kind}"><code>{html.escape(command)}</code></pre>
</section>"""


def _answer_marks(truth: Mapping[str, Any], pair: Mapping[str, Any]) -> str:
    stale = _axis(truth["supine"], truth["planned_deg"], "stale", "")
    carried = _axis(truth["supine"], pair["surgical_deg"], "carried", f"{pair['surgical_deg']:g}°")
    return f'<g class="answer">{stale}{carried}</g>'


def _answer(pair: Mapping[str, Any], planned_deg: float) -> str:
    rotation_deg = pair["rotation_deg"]
    if not rotation_deg:
        return f"The eye has not turned: the axis stays at {planned_deg:g}°."
    sense = "counter-clockwise" if rotation_deg > 0 else "clockwise"
    # Off axis by theta a lens equal to the cornea leaves 2 sin(theta) of its cylinder.
    left = 200 * abs(math.sin(math.radians(rotation_deg)))
    return (
        f"The eye has turned by {abs(rotation_deg):g}° {sense} ({pair['direction']}): the axis lies at "
        f"{pair['surgical_deg']:g}° (solid line). A lens left at {planned_deg:g}° (dashed line) would leave "
        f"{left:.0f} % of its cylinder."
    )


def _photo(geometry: Mapping[str, Any], name: str, what: str, marks: str) -> str:
    width, height, limbus = geometry["width_px"], geometry["height_px"], geometry["limbus"]
    radius = math.sqrt(limbus["major_px"] * limbus["minor_px"])
    ring = f'<circle class="ring" cx="{limbus["x_px"]:.1f}" cy="{limbus["y_px"]:.1f}" r="{radius:.1f}"/>'
    return (
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{what} of the eye">'
        f'<image href="{html.escape(name)}" width="{width}" height="{height}"/>{ring}{marks}</svg>'
    )


def _axis(geometry: Mapping[str, Any], axis_deg: float, kind: str, label: str) -> str:
    """Draw an axis as two strokes beyond the limbus, with its label at the upper end."""
    x, y, limbus = geometry["center_x_px"], geometry["center_y_px"], geometry["limbus"]
    radius = math.sqrt(limbus["major_px"] * limbus["minor_px"])
    c, s = math.cos(math.radians(axis_deg)), math.sin(math.radians(axis_deg))
    strokes = ""
    for side in (1, -1):
        ends = [(x + side * reach * radius * c, y - side * reach * radius * s) for reach in (0.82, 1.28)]
        line = 'x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}"'.format(*ends[0], *ends[1])
        strokes += f'<line class="halo" {line}/><line class="{kind}" {line}/>'
    if not label:
        return strokes
    place = f'x="{x + 1.42 * radius * c:.1f}" y="{y - 1.42 * radius * s:.1f}"'
    return strokes + f'<text class="label" {place}>{label}</text>'
