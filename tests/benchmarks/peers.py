"""Peers with which anyone could measure a rotation: each what its library's manual leads one to write.

Whole-picture polar warp with phase correlation, and the enhanced correlation coefficient, by OpenCV; a rigid
registration with mutual information by SimpleITK.  Each gets the limbus from the plain guess, which is more
than its manual would give it, and none of the package.
"""

from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.guess import guess_limbus
from tests.benchmarks.methods import Answer

__all__ = ["Ecc", "Polar", "Rigid"]

RADIUS_PX = 200.0  # limbus radius after rescaling, as in the recipe
REACH = 1.5  # half side of the square that is aligned, limbus radii
NO_ANSWER = Answer(None, 0.0, note="no eye, or it did not converge")


class EyeSquare(NamedTuple):
    """Green channel about the limbus at a common scale, and a mask of the disc within reach."""

    green: NDArray[np.uint8]
    inside: NDArray[np.uint8]


class Polar:
    """Polar warp of the whole picture about the limbus, in OpenCV's default size, and phase correlation."""

    name = "polar"

    def prepare(self, photo: NDArray[np.uint8]) -> Any:
        """Warp out to half of the picture's longer side."""
        limbus = guess_limbus(photo)
        if limbus is None:
            return None
        reach = max(photo.shape[:2]) / 2.0
        warped = cv2.warpPolar(_green(photo), (0, 0), (limbus.x_px, limbus.y_px), reach, cv2.INTER_LINEAR)
        return warped.astype(np.float64)

    def measure(self, first: Any, second: Any) -> Answer:
        """Shift along the angle; the score is the response."""
        if first is None or second is None or first.shape != second.shape:
            return NO_ANSWER
        rows, columns = first.shape
        window = np.tile(np.hanning(columns), (rows, 1))  # the angle closes by itself
        (_, down), response = cv2.phaseCorrelate(first, second, window)
        return Answer(-360.0 * down / rows, float(response))  # OpenCV counts the angle clockwise


class Ecc:
    """Enhanced correlation coefficient (doi 10.1109/TPAMI.2008.113), rigid, on a square about the limbus."""

    name = "ecc"

    def prepare(self, photo: NDArray[np.uint8]) -> EyeSquare | None:
        """Cut the square."""
        return _square(photo)

    def measure(self, first: EyeSquare | None, second: EyeSquare | None) -> Answer:
        """Align from the identity; the score is the coefficient."""
        if first is None or second is None:
            return NO_ANSWER
        matrix = np.eye(2, 3, dtype=np.float32)
        until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-6)
        try:
            score, matrix = cv2.findTransformECC(
                first.green, second.green, matrix, cv2.MOTION_EUCLIDEAN, until, first.inside, 5
            )
        except cv2.error:
            return NO_ANSWER
        return Answer(float(-np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0]))), float(score))


class Rigid:
    """SimpleITK: rigid transform, Mattes mutual information, regular steps over three scales."""

    name = "simpleitk"

    def prepare(self, photo: NDArray[np.uint8]) -> EyeSquare | None:
        """Cut the square."""
        return _square(photo)

    def measure(self, first: EyeSquare | None, second: EyeSquare | None) -> Answer:
        """Align from the identity about the middle; the score is the mutual information."""
        if first is None or second is None:
            return NO_ANSWER
        import SimpleITK as sitk

        pictures = (sitk.GetImageFromArray(part.green) for part in (first, second))
        fixed, moving = (sitk.Cast(picture, sitk.sitkFloat32) for picture in pictures)
        method = sitk.ImageRegistrationMethod()
        method.SetNumberOfThreads(1)
        method.SetMetricAsMattesMutualInformation(50)
        method.SetMetricFixedMask(sitk.GetImageFromArray(first.inside))
        method.SetMetricSamplingStrategy(method.RANDOM)
        method.SetMetricSamplingPercentage(0.2, seed=1)
        method.SetInterpolator(sitk.sitkLinear)
        method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 200)
        method.SetOptimizerScalesFromPhysicalShift()
        method.SetShrinkFactorsPerLevel([4, 2, 1])
        method.SetSmoothingSigmasPerLevel([2, 1, 0])
        middle = [(side - 1) / 2.0 for side in fixed.GetSize()]
        start = sitk.Euler2DTransform()
        start.SetCenter(middle)
        method.SetInitialTransform(start, inPlace=True)
        method.Execute(fixed, moving)
        # The transform takes fixed points to moving points, x right and y down.
        return Answer(float(-np.degrees(start.GetAngle())), -float(method.GetMetricValue()))


def _green(photo: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.ascontiguousarray(photo if photo.ndim == 2 else photo[..., 1])


def _square(photo: NDArray[np.uint8]) -> EyeSquare | None:
    limbus = guess_limbus(photo)
    if limbus is None:
        return None
    half = int(REACH * RADIUS_PX)
    step = limbus.radius_px / RADIUS_PX
    green = _green(photo)
    if step > 1:  # against aliasing
        green = cv2.GaussianBlur(green, (0, 0), 0.5 * np.sqrt(step**2 - 1) + 1e-3)
    to_photo = np.array([[step, 0, limbus.x_px - step * half], [0, step, limbus.y_px - step * half]])
    side = 2 * half + 1
    cut = cv2.warpAffine(green, to_photo, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    down, across = np.ogrid[-half : half + 1, -half : half + 1]
    return EyeSquare(cut, (np.hypot(down, across) < half).astype(np.uint8))
