"""Spread and bias of the rotation in white noise, against the least spread that the noise allows.

``python -m tests.benchmarks.noise_study --draws 24``, or ``--level 3`` for one level of noise alone.
"""

import argparse
import sys
from collections.abc import Sequence

import cv2
import numpy as np

import synthetic
from tests.noise import PlainPhoto, Spread, errors_deg, least_spread_deg, plain_pair, spread_of

LEVELS = (1.0, 1.5, 2.0, 3.0, 6.0, 10.0)


def study_level(pair: tuple[PlainPhoto, PlainPhoto], sigma: float, draws: int) -> Spread:
    """Measure the pair in so many draws of noise, each with either sign."""
    drawn = []
    for seed in range(draws):
        drawn.append(errors_deg(pair, seed, sigma=sigma))
        print(f"\r{sigma:g} grey levels: {seed + 1} of {draws} draws", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return spread_of(np.array(drawn))


def row(sigma: float, found: Spread, least_deg: float) -> str:
    """Give one level's line of the table; what is after ± is a standard error."""
    ratio, ratio_error = found.spread_deg / least_deg, found.spread_error_deg / least_deg
    bias, bias_error = found.mean_deg / found.spread_deg, found.mean_error_deg / found.spread_deg
    cells = (
        f"{sigma:g}",
        f"{least_deg:.5f}",
        f"{found.spread_deg:.5f}",
        f"{ratio:.2f} ± {ratio_error:.2f}",
        f"{bias:+.2f} ± {bias_error:.2f}",
    )
    return f"| {' | '.join(cells)} |"


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.noise_study", description=__doc__)
    parser.add_argument("--level", type=float, action="append", help="grey levels; may be repeated")
    parser.add_argument("--draws", type=int, default=24, help="at least 3")
    given = parser.parse_args(arguments)
    if given.draws < 3:
        parser.error(f"--draws is {given.draws}; a spread and its standard error need at least 3")
    cv2.setNumThreads(1)
    pair = plain_pair(synthetic.random_eye(np.random.default_rng(1), laterality="OD"))
    print("| grey levels | least spread, degrees | spread, degrees | spread over the least |"
          " mean error over the spread |")  # fmt: skip
    print("|---|---|---|---|---|")
    for sigma in given.level or LEVELS:
        found = study_level(pair, sigma, given.draws)
        print(row(sigma, found, least_spread_deg(pair, sigma=sigma)), flush=True)


if __name__ == "__main__":
    main()
