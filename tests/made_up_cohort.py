"""Cohorts made up with known torsion, head tilt and noise, so that statistics can be held to the truth."""

import numpy as np
import pandas as pd

MEAN_DEG, SD_DEG, TILT_DEG, NOISE_DEG = 1.4, 2.0, 2.7, 0.3


def cohort(
    rng,
    *,
    patients=60,
    repeats=2,
    mean_deg=MEAN_DEG,
    sd_deg=SD_DEG,
    tilt_deg=TILT_DEG,
    noise_deg=NOISE_DEG,
    one_eyed=0.2,
    refused=0.0,
    controls=False,
):
    """Return a table of results: the torsion of a patient is symmetric, the tilt common to both eyes."""
    rows = []
    for patient in range(patients):
        torsion, tilt = rng.normal(mean_deg, sd_deg), rng.normal(0.0, tilt_deg)
        eyes = ("OD", "OS") if rng.random() >= one_eyed else (str(rng.choice(["OD", "OS"])),)
        for eye in eyes:
            turn = (torsion if eye == "OD" else -torsion) + tilt
            rows += [
                _row(rng, patient, eye, i, "seated-supine", turn, noise_deg, refused) for i in range(repeats)
            ]
            if controls:
                rows += [_row(rng, patient, eye, 0, kind, 0.0, noise_deg, refused) for kind in CONTROLS]
    return pd.DataFrame(rows).assign(row=lambda table: np.arange(1, len(table) + 1))


CONTROLS = ("seated-seated", "supine-supine")


def _row(rng, patient, eye, repeat, posture, turn_deg, noise_deg, refused):
    is_refused = rng.random() < refused
    return {
        "patient": f"P{patient:03d}",
        "eye": eye,
        "seated": f"{patient}/{eye}-{posture}-{repeat}-first.png",
        "supine": f"{patient}/{eye}-{posture}-{repeat}-second.png",
        "session": "1",
        "repeat": repeat + 1,
        "posture": posture,
        "reason": "",
        "rotation_deg": turn_deg + rng.normal(0.0, noise_deg),
        "standard_uncertainty_deg": noise_deg,
        "verdict": "refuse" if is_refused else "accept",
        "flags": "eyes_do_not_match" if is_refused else "",
    }
