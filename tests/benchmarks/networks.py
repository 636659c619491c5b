"""Several photos of one eye: whether the pairs that a study has measured add up, and what more photos bring.

Takes what ``python -m tests.benchmarks.study --json FILE`` wrote, and counts two things.  *Networks*: whether
all pairs of an eye's photos agree within their stated uncertainties, and how much of these is noise of pairs.
*Halves*: the rotation between two photos, by their own pair and by the way of a third one, against the same
by two other photos, without a pair in common; beside it one pair against one way round.
"""

import argparse
import itertools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from torsion.adjustment import Link, adjust, groups, suspects
from torsion.flags import worst_verdict

__all__ = ["eyes_of", "halves", "main", "network_lines", "report"]

MOST_HALVES = 60  # of one eye, so that an eye with many photos does not decide alone

Eye = Mapping[tuple[int, int], Link]


def eyes_of(outcomes: Sequence[Mapping[str, Any]], *, method: str = "torsion") -> dict[str, Eye]:
    """Links of each eye, between its photos in the order of their names; refused pairs are left out."""
    found: dict[str, dict[tuple[str, str], tuple[float, float]]] = {}
    for outcome in outcomes:
        answer = outcome["answers"][method]
        if outcome["kind"] != "same" or answer["rotation_deg"] is None:
            continue
        (eye, first), (_, second) = (photo.split("/") for photo in outcome["photos"])
        if worst_verdict(filter(None, answer["note"].split(";"))) != "refuse":
            found.setdefault(eye, {})[first, second] = answer["rotation_deg"], answer["uncertainty_deg"]
    eyes = {}
    for eye, pairs in found.items():
        place = {name: k for k, name in enumerate(sorted(set(itertools.chain(*pairs))))}
        links = (Link(place[first], place[second], *measured) for (first, second), measured in pairs.items())
        eyes[eye] = {(min(link.first, link.second), max(link.first, link.second)): link for link in links}
    return eyes


def network_lines(eyes: Mapping[str, Eye]) -> list[str]:
    """Say how many networks fit, how much of the variance is noise of pairs, and which do not fit."""
    chi_square, free, counted, odd, shares = 0.0, 0, 0, [], []
    for links in eyes.values():
        for photos in groups(links.values()):
            part = [link for link in links.values() if link.first in photos]
            found = adjust(part, start=min(photos), end=max(photos))
            if found is None or not found.degrees_of_freedom:
                continue
            counted, chi_square, free = (
                counted + 1,
                chi_square + found.chi_square,
                free + found.degrees_of_freedom,
            )
            shares.append(found.chi_square / found.degrees_of_freedom)
            if not found.fits:
                worst = max(abs(misfit) for misfit in found.misfits_deg if misfit is not None)
                odd.append(
                    f"  {len(photos)} photos, {len(part)} pairs: spread {found.spread_deg:.2f}, "
                    f"worst {worst:.2f}, suspects {len(suspects(part))}"
                )
    return [
        f"networks           {counted}, {len(odd)} do not fit",
        f"share of the pairs {chi_square / max(free, 1):.2f} of the stated variance, all networks together; "
        f"{np.median(shares):.2f} in the median",
        *odd,
    ]


def halves(links: Eye) -> list[tuple[float, float]]:
    """Disagreement of one pair with one way round, and of two halves of a network, in degrees."""
    found = []
    for photos in itertools.permutations(range(5)):
        start, end, one, two, three = photos
        if start > end or two > three:
            continue
        first = [(start, end), (start, one), (one, end)]
        second = [(start, two), (two, end), (start, three), (three, end), (two, three)]
        ways = [[tuple(sorted(pair)) for pair in way] for way in (first[:1], second[:2], first, second)]
        if all(pair in links for way in ways for pair in way):
            solved = [adjust([links[pair] for pair in way], start=start, end=end) for way in ways]
            turns = [way.rotation_deg for way in solved if way is not None]
            found.append((turns[0] - turns[1], turns[2] - turns[3]))
    return found[:: max(1, len(found) // MOST_HALVES)]


def report(eyes: Mapping[str, Eye]) -> str:
    """Write what was found, with counts."""
    apart = np.abs([pair for links in eyes.values() for pair in halves(links)]).reshape(-1, 2)
    lines = [f"{len(eyes)} eyes, {sum(map(len, eyes.values()))} pairs not refused", *network_lines(eyes)]
    if len(apart):
        for name, values in zip(("one pair, one way  ", "halves of a network"), apart.T, strict=True):
            rms, (median, p95) = np.sqrt((values**2).mean()), np.percentile(values, (50, 95))
            lines.append(
                f"{name} median {median:.3f}, 95th percentile {p95:.3f}, rms {rms:.3f} (n={len(values)})"
            )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run as a command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("outcomes", type=Path, help="JSON of tests.benchmarks.study")
    given = parser.parse_args(arguments)
    print(report(eyes_of(json.loads(given.outcomes.read_text(encoding="utf-8"))["outcomes"])))


if __name__ == "__main__":
    main()
