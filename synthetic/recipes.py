"""How the photos of each class are taken: what is drawn at random about one view, from easy to hard."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal, get_args

import numpy as np

from synthetic.eye import Eye
from synthetic.surface import Surface
from synthetic.view import Camera, Glint, GlintKind, Lids, Light, View

Preset = Literal["easy", "moderate", "hard", "dilated", "infrared"]
PRESETS: tuple[Preset, ...] = get_args(Preset)


def _tilt(rng: np.random.Generator, largest_deg: float) -> tuple[float, float]:
    """Gaze in a random direction, up to `largest_deg` from straight."""
    size, toward = largest_deg * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
    return float(size * np.cos(toward)), float(size * np.sin(toward))


def _glints(rng: np.random.Generator, count: int, *, spread: float = 0.35) -> tuple[Glint, ...]:
    """Lamps and windows mirrored by the cornea, near its middle."""
    glints: list[Glint] = []
    for _ in range(count):
        kind: GlintKind = ("flash", "flash", "window", "ring")[int(rng.integers(0, 4))]
        if any(glint.kind == "ring" for glint in glints):  # one camera, one ring light
            kind = "flash"
        size = {
            "flash": rng.uniform(0.03, 0.09),
            "window": rng.uniform(0.06, 0.16),
            "ring": rng.uniform(0.12, 0.3),
        }[kind]
        x, y = rng.normal(0, spread / 1.5, 2)
        strength = rng.uniform(0.35, 0.8) if kind == "window" else rng.uniform(0.75, 1.0)
        glints.append(Glint(kind, float(np.clip(x, -0.8, 0.8)), float(np.clip(y, -0.8, 0.8)), size, strength))
    return tuple(glints)


def _cast(rng: np.random.Generator, spread: float) -> tuple[float, float, float]:
    """White balance off along the line from warm to cold, and a little off it."""
    warm, green = rng.normal(0, spread), rng.normal(0, spread / 3)
    return float(np.exp(warm)), float(np.exp(green)), float(np.exp(-warm))


def _place(rng: np.random.Generator, view: View, *, scale: float, decenter: float) -> View:
    """Change the size of the eye in the picture and its place."""
    radius = view.limbus_radius_px * float(np.exp(rng.uniform(-scale / 2, scale / 2)))
    dx, dy = rng.uniform(-decenter, decenter, 2) * radius
    return replace(
        view,
        limbus_radius_px=radius,
        center_x_px=(view.width_px - 1) / 2 + float(dx),
        center_y_px=(view.height_px - 1) / 2 + float(dy),
    )


def _easy(eye: Eye, rng: np.random.Generator, view: View, supine: bool) -> View:
    """Sharp, open, straight, small changes only."""
    yaw, pitch = _tilt(rng, 2)
    return replace(
        _place(rng, view, scale=0.04, decenter=0.1),
        yaw_deg=yaw,
        pitch_deg=pitch,
        pupil_ratio=float(rng.uniform(0.28, 0.36)),
        lids=Lids(
            upper_cover=rng.uniform(0.05, 0.14), lower_gap=rng.uniform(0.03, 0.2), lashes=0.8, droop=0.05
        ),
        light=Light(
            glints=_glints(rng, 1, spread=0.2), exposure_ev=rng.normal(0, 0.1), cast=_cast(rng, 0.03)
        ),
        camera=Camera(defocus_px=0.5, read_noise=0.8, shot_noise=1.5, jpeg_quality=95),
    )


def _moderate(eye: Eye, rng: np.random.Generator, view: View, supine: bool) -> View:
    """As a careful assistant takes them."""
    yaw, pitch = _tilt(rng, 6)
    return replace(
        _place(rng, view, scale=0.15, decenter=0.3),
        yaw_deg=yaw,
        pitch_deg=pitch,
        pupil_ratio=float(rng.uniform(0.24, 0.52)),
        lids=Lids(
            upper_cover=rng.uniform(0.15, 0.30),
            lower_gap=rng.uniform(-0.06, 0.14),
            lashes=rng.uniform(0.6, 1.2),
            droop=rng.uniform(0.1, 0.5),
        ),
        surface=Surface(slide_deg=rng.uniform(-0.3, 0.3), redness=rng.uniform(0, 0.2)),
        light=Light(
            glints=_glints(rng, int(rng.integers(1, 4))),
            exposure_ev=rng.normal(0, 0.3),
            cast=_cast(rng, 0.12),
            vignetting=rng.uniform(0, 0.25),
            gradient=rng.uniform(0, 0.3),
            gradient_deg=rng.uniform(0, 360),
            haze=rng.uniform(0, 0.08),
            meniscus=rng.uniform(0.2, 0.8),
        ),
        camera=Camera(
            defocus_px=rng.uniform(0.5, 1.4) * view.width_px / 960,
            read_noise=rng.uniform(1, 2.5),
            shot_noise=rng.uniform(1.5, 4),
            sharpening=rng.uniform(0, 0.5),
            jpeg_quality=int(rng.integers(85, 96)),
        ),
    )


def _hard(eye: Eye, rng: np.random.Generator, view: View, supine: bool) -> View:
    """As they come from a busy clinic."""
    yaw, pitch = _tilt(rng, 12)
    return replace(
        _place(rng, view, scale=0.3, decenter=0.5),
        yaw_deg=yaw,
        pitch_deg=pitch,
        pupil_ratio=float(rng.uniform(0.2, 0.68)),
        lids=Lids(
            upper_cover=rng.uniform(0.2, 0.4),
            lower_gap=rng.uniform(-0.18, 0.1),
            lashes=rng.uniform(0.7, 1.5),
            droop=rng.uniform(0.3, 0.9),
        ),
        surface=Surface(
            slide_deg=rng.uniform(-0.8, 0.8),
            slide_x=rng.normal(0, 0.008),
            slide_y=rng.normal(0, 0.008),
            blanching=rng.uniform(0, 0.6),
            redness=rng.uniform(0, 0.6),
            blood=rng.uniform(0.2, 0.8) if supine and rng.uniform() < 0.2 else 0.0,
            blood_deg=rng.uniform(0, 360),
            chemosis=rng.uniform(0, 0.6) if supine and rng.uniform() < 0.3 else 0.0,
        ),
        light=Light(
            glints=_glints(rng, int(rng.integers(2, 5)), spread=0.6),
            exposure_ev=rng.normal(0, 0.6),
            cast=_cast(rng, 0.25),
            vignetting=rng.uniform(0, 0.5),
            gradient=rng.uniform(0, 0.6),
            gradient_deg=rng.uniform(0, 360),
            haze=rng.uniform(0, 0.25),
            meniscus=rng.uniform(0.2, 1.0),
        ),
        camera=Camera(
            defocus_px=rng.uniform(0.8, 3.0) * view.width_px / 960,
            disc=bool(rng.uniform() < 0.5),
            motion_px=rng.uniform(0, 5) * view.width_px / 960 if rng.uniform() < 0.4 else 0.0,
            motion_deg=rng.uniform(0, 180),
            read_noise=rng.uniform(2, 5),
            shot_noise=rng.uniform(3, 8),
            sharpening=rng.uniform(0, 0.8),
            jpeg_quality=int(rng.integers(65, 93)),
        ),
    )


def _dilated(eye: Eye, rng: np.random.Generator, view: View, supine: bool) -> View:
    """Seated with the natural pupil; supine dilated under a coaxial microscope."""
    moderate = _moderate(eye, rng, view, supine)
    if not supine:
        return replace(moderate, pupil_ratio=float(rng.uniform(0.26, 0.4)))
    yaw, pitch = _tilt(rng, 4)
    larger = rng.uniform(1.0, 1.35)
    lids = (
        Lids(speculum=True)
        if rng.uniform() < 0.6
        else Lids(upper_cover=rng.uniform(0.0, 0.15), lower_gap=0.1)
    )
    return replace(
        moderate,
        yaw_deg=yaw,
        pitch_deg=pitch,
        limbus_radius_px=moderate.limbus_radius_px * float(larger),
        pupil_ratio=float(rng.uniform(0.6, 0.75)),
        lids=lids,
        surface=replace(moderate.surface, blanching=rng.uniform(0, 0.3)),
        light=replace(
            moderate.light,
            glints=(
                Glint("flash", float(rng.normal(0, 0.12)), float(rng.normal(0, 0.12)), 0.05),
                Glint("ring", 0.05, 0.1, 0.22, 0.8),
            ),
            red_reflex=float(rng.uniform(0.6, 1.0)),
            cast=(float(rng.uniform(1.05, 1.3)), 1.0, float(rng.uniform(0.75, 0.95))),
            vignetting=float(rng.uniform(0.2, 0.5)),
        ),
    )


def _infrared(eye: Eye, rng: np.random.Generator, view: View, supine: bool) -> View:
    """Set a small infra-red sensor close to the eye."""
    yaw, pitch = _tilt(rng, 5)
    return replace(
        _place(rng, view, scale=0.1, decenter=0.15),
        yaw_deg=yaw,
        pitch_deg=pitch,
        pupil_ratio=float(rng.uniform(0.25, 0.5)),
        lids=Lids(
            upper_cover=rng.uniform(0.15, 0.33),
            lower_gap=rng.uniform(-0.12, 0.05),
            lashes=rng.uniform(0.6, 1.3),
            droop=rng.uniform(0.2, 0.7),
        ),
        surface=Surface(slide_deg=rng.uniform(-0.3, 0.3)),
        light=Light(
            glints=_glints(rng, int(rng.integers(1, 4)), spread=0.2),
            exposure_ev=rng.normal(0, 0.3),
            vignetting=rng.uniform(0, 0.3),
            gradient=rng.uniform(0, 0.3),
            gradient_deg=rng.uniform(0, 360),
            meniscus=rng.uniform(0, 0.5),
            infrared=True,
        ),
        camera=Camera(
            defocus_px=rng.uniform(0.4, 1.1),
            read_noise=rng.uniform(1.5, 3.5),
            shot_noise=rng.uniform(1, 3),
            jpeg_quality=int(rng.integers(80, 96)),
        ),
    )


RECIPES: dict[Preset, Callable[[Eye, np.random.Generator, View, bool], View]] = {
    "easy": _easy,
    "moderate": _moderate,
    "hard": _hard,
    "dilated": _dilated,
    "infrared": _infrared,
}
