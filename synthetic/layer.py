"""A translucent layer, colour planes premultiplied by opacity, on which things are laid in turn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic.fields import Float, as_float


@dataclass(frozen=True, eq=False, slots=True)
class Layer:
    """Colour planes (3, H, W), premultiplied by the opacity (H, W); both are changed in place."""

    planes: Float
    alpha: Float

    @classmethod
    def clear(cls, shape: tuple[int, ...]) -> Layer:
        """Return an empty layer."""
        return cls(np.zeros((3, *shape), np.float32), np.zeros(shape, np.float32))

    def over(self, color: Float, alpha: Float, *, box: tuple[slice, slice] | None = None) -> None:
        """Lay a colour, (3,) or (3, h, w), over what is there, inside `box` or the rows where it is seen."""
        if box is None:
            seen = np.flatnonzero(alpha.max(axis=1) > 1e-3)
            if not len(seen):
                return
            rows = slice(int(seen[0]), int(seen[-1]) + 1)
            box = (rows, slice(None))
            alpha = alpha[rows]
            color = color[:, rows] if color.ndim == 3 else color
        if color.ndim == 1:
            color = color[:, None, None]
        planes, opacity = self.planes[(slice(None), *box)], self.alpha[box]
        planes += (color - planes) * alpha
        opacity += (1 - opacity) * alpha


def spread(color: tuple[float, ...] | list[float]) -> Float:
    """Return a colour as an array that broadcasts against planes (3, H, W)."""
    return as_float(color)[:, None, None]
