"""Error, acceptance and coverage when the supine eye is disturbed and the seated one is not.

``python -m tests.benchmarks.disturbed_study --eyes 20``
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence

import cv2
import numpy as np

import synthetic
import torsion
from tests.benchmarks.renderings import Drawn
from tests.benchmarks.summary import count_text
from tests.disturbances import DISTURBANCES, draw_disturbed

_SUSPECT_DEG, _SUSPECT_Z = 0.5, 4.0  # accepted with more than this, a pair is worth looking at
_USUAL = {"eye_not_given", "side_not_seen"}


def measure_eye(seed: int, *, preset: str, names: Sequence[str]) -> dict[str, Drawn]:
    """Measure one drawn eye against itself under each disturbance."""
    first, supine = draw_disturbed(seed, *names, preset=preset)
    seated = torsion.prepare(first.rgb)
    measured = {}
    for name, picture in supine.items():
        found = torsion.measure(seated, picture.rgb)
        answered = found.rotation_deg is not None
        error = found.rotation_deg - (picture.rotation_deg - first.rotation_deg) if answered else np.nan
        stated = found.standard_uncertainty_deg if answered else np.nan
        measured[name] = Drawn(error, stated, found.verdict, tuple(set(found.flags) - _USUAL))
    return measured


def row(name: str, drawn: Sequence[Drawn]) -> str:
    """Give one disturbance's line of the table."""
    verdicts = Counter(pair.verdict for pair in drawn)
    counts = " / ".join(str(verdicts[verdict]) for verdict in ("accept", "review", "refuse"))
    kept = [pair for pair in drawn if pair.verdict == "accept"]
    flags = Counter(flag for pair in drawn for flag in pair.flags)
    cells = [name, counts, "-", "-", ", ".join(f"{flag} {n}" for flag, n in flags.most_common())]
    if kept:
        error, stated = np.abs([pair.error_deg for pair in kept]), np.array([p.stated_deg for p in kept])
        cells[2] = "{:.3f} / {:.3f} / {:.2f}".format(*np.percentile(error, [50, 95, 100]))
        cells[3] = count_text(int((error <= 1.96 * stated).sum()), len(kept))
    return f"| {' | '.join(cells)} |"


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print the table; pairs to look at are named on stderr."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.disturbed_study", description=__doc__)
    parser.add_argument("--eyes", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first eye")
    parser.add_argument("--preset", choices=synthetic.PRESETS, default="moderate", help="of both photos")
    parser.add_argument("--only", action="append", choices=DISTURBANCES, help="may be repeated")
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    names = given.only or list(DISTURBANCES)
    eyes = []
    for seed in range(given.first, given.first + given.eyes):
        eyes.append(measure_eye(seed, preset=given.preset, names=names))
        for name, (error, stated, verdict, flags) in eyes[-1].items():
            if verdict == "accept" and abs(error) > min(_SUSPECT_DEG, _SUSPECT_Z * stated):
                print(f"eye {seed}, {name}: {error:+.3f}, stated {stated:.3f}; {flags}", file=sys.stderr)
    print("| disturbed | accept / review / refuse | error of accepted: median / 95th / worst |"
          " 95 % interval holds the truth | flags |")  # fmt: skip
    print("|---|---|---|---|---|")
    for name in names:
        print(row(name, [eye[name] for eye in eyes]), flush=True)


if __name__ == "__main__":
    main()
