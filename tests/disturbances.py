"""What disturbs an eye between two photos: the supine view of a drawn pair changed, the seated one left."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

import synthetic
from synthetic import Tool, View

__all__ = ["DISTURBANCES", "draw_disturbed"]

Disturb = Callable[[View, np.random.Generator], View]
_AT_ONCE = 3


def draw_disturbed(
    seed: int, *names: str, preset: str = "moderate", width_px: int = 960
) -> tuple[synthetic.Picture, dict[str, synthetic.Picture]]:
    """Draw the seated photo of an eye, and its supine photo with each of the disturbances named.

    The supine photos differ in nothing but the disturbance: view, lashes and noise are the same.
    """
    eye = synthetic.random_eye(np.random.default_rng(seed))
    size = {"width_px": width_px, "height_px": width_px * 2 // 3}
    seated, supine = synthetic.draw_views(eye, preset, np.random.default_rng([seed, 7]), **size)
    drawn = {}
    for name in names:
        view = DISTURBANCES[name](supine, np.random.default_rng([seed, list(DISTURBANCES).index(name)]))
        drawn[name] = synthetic.draw_picture(eye, view, seed + 1)
    return synthetic.draw_picture(eye, seated, seed), drawn


def _surface(view: View, **changes: float) -> View:
    return replace(view, surface=replace(view.surface, **changes))


def _haze(view: View, rng: np.random.Generator) -> View:
    return replace(view, light=replace(view.light, haze=rng.uniform(0.2, 0.5)))


def _blood(view: View, rng: np.random.Generator) -> View:
    return _surface(view, blood=rng.uniform(0.3, 1.0), blood_deg=rng.uniform(0, 360))


def _chemosis(view: View, rng: np.random.Generator) -> View:
    """Swell the conjunctiva, which then lies loose on the globe."""
    x, y = rng.normal(0, 0.015, 2)
    return _surface(view, chemosis=rng.uniform(0.4, 1.0), slide_deg=rng.normal(0, 1), slide_x=x, slide_y=y)


def _scar(view: View, rng: np.random.Generator) -> View:
    return _surface(view, scar=rng.uniform(0.2, 1.0), scar_deg=rng.uniform(0, 360))


def _pterygium(view: View, rng: np.random.Generator) -> View:
    return _surface(view, pterygium=rng.uniform(0.1, 0.5))


def _cuts(view: View, rng: np.random.Generator) -> View:
    return _surface(view, cuts=int(rng.choice([4, 8, 12, 16])))


def _blanching(view: View, rng: np.random.Generator) -> View:
    return _surface(view, blanching=rng.uniform(0.6, 1.0))


def _stain(view: View, rng: np.random.Generator) -> View:
    return _surface(view, stain=rng.uniform(0.3, 1.0))


def _instruments(view: View, rng: np.random.Generator) -> View:
    tools = [
        Tool(
            rng.uniform(0, 360),
            reach=rng.uniform(0.3, 1.1),
            width=rng.uniform(0.06, 0.16),
            metal=metal,
            aside=rng.normal(0, 0.3),
        )
        for metal in ("steel", "black")
    ]
    return replace(view, tools=tuple(tools))


def _several(view: View, rng: np.random.Generator) -> View:
    for name in rng.choice([*_SINGLE], _AT_ONCE, replace=False):
        view = _SINGLE[name](view, rng)
    return view


_SINGLE: dict[str, Disturb] = {
    "haze": _haze,
    "blood": _blood,
    "chemosis": _chemosis,
    "scar": _scar,
    "pterygium": _pterygium,
    "radial cuts": _cuts,
    "blanching": _blanching,
    "stain": _stain,
    "instruments": _instruments,
}
DISTURBANCES: dict[str, Disturb] = {"clean": lambda view, rng: view, **_SINGLE, "three of these": _several}
