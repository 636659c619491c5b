"""The package's plain guess of where the eye is, under the name that the studies use."""

from torsion.limbus_guess import Limbus, guess_limbus, stay_mask

__all__ = ["Limbus", "guess_limbus", "stay_mask"]
