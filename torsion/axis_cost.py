"""What an error of the axis costs, in dioptres of cylinder."""

from dataclasses import dataclass

from torsion.astigmatism import NO_CYLINDER_D
from torsion.axis import AxisTransfer
from torsion.quantiles import COVERAGE
from torsion.toric import check_cylinder_d, expected_cylinder_d, lost_percent, residual_cylinder_d

__all__ = ["AxisCost", "axis_cost", "check_lens_d"]


@dataclass(frozen=True, slots=True)
class AxisCost:
    """Cylinder left by a lens equal to the cornea, at the carried axis and at the planned one.

    Attributes
    ----------
    cylinder_d : float
        Of the lens at the cornea, dioptres; the cornea is taken to have as much.
    standard_uncertainty_deg : float or None
        Of the carried axis, for which the figures hold; None when refused.
    uncertainty_is : {"registration only", "registration and frame"}
        What it holds.
    expected_d : float or None
        Mean cylinder left on the carried axis.
    upper_95_d : float or None
        In 95 of 100 cases no more is left.
    uncorrected_d : float or None
        Mean cylinder left had the planned degrees been used as they are.
    uncorrected_percent : float or None
        Share of the correction that the measured rotation, and a measured tilt, would have lost; above 100
        where the eye would have been worse off than without the lens.
    """

    cylinder_d: float
    standard_uncertainty_deg: float | None
    uncertainty_is: str
    expected_d: float | None
    upper_95_d: float | None
    uncorrected_d: float | None
    uncorrected_percent: float | None


def axis_cost(cylinder_d: float, axis: AxisTransfer, rotation_deg: float | None) -> AxisCost:
    """Cost of the uncertainty of a carried axis, and of not carrying it.

    Parameters
    ----------
    cylinder_d : float
        Cylinder of the lens at the cornea, dioptres, positive.
    axis : AxisTransfer
    rotation_deg : float or None
        Rotation by which the axis was carried.

    Returns
    -------
    AxisCost
        With None for every figure where no axis was carried.

    Raises
    ------
    ValueError
        If the cylinder is nil or out of range.

    Notes
    -----
    Keratometry, placing of the lens and its rotation afterwards are not in it; `torsion.budget` adds them.

    Examples
    --------
    >>> from torsion.axis import transfer_axis
    >>> cost = axis_cost(2.0, transfer_axis(90.0, 6.0, 0.2), 6.0)
    >>> round(cost.expected_d, 3), round(cost.uncorrected_d, 3), round(cost.uncorrected_percent)
    (0.011, 0.418, 21)
    """
    cylinder_d = check_lens_d(cylinder_d)
    known = axis.registration_deg if axis.standard_uncertainty_deg is None else axis.standard_uncertainty_deg
    if axis.surgical_deg is None or rotation_deg is None or known is None:
        return AxisCost(cylinder_d, None, axis.interval_is, None, None, None, None)
    widest = min(90.0, COVERAGE * known)
    off_deg = rotation_deg + (axis.tilt_deg or 0.0)  # of the planned degrees, used as they are
    return AxisCost(
        cylinder_d=cylinder_d,
        standard_uncertainty_deg=known,
        uncertainty_is=axis.interval_is,
        expected_d=expected_cylinder_d(cylinder_d, cylinder_d, known),
        upper_95_d=float(residual_cylinder_d(cylinder_d, cylinder_d, widest)),
        uncorrected_d=expected_cylinder_d(cylinder_d, cylinder_d, known, off_deg=off_deg),
        uncorrected_percent=lost_percent(cylinder_d, cylinder_d, off_deg),
    )


def check_lens_d(cylinder_d: float) -> float:
    """Check the cylinder of a toric lens: above 0 and up to 15 dioptres, written positive.

    Raises
    ------
    ValueError
        If it is not.
    """
    cylinder_d = check_cylinder_d(cylinder_d, name="cylinder of the lens")
    if cylinder_d <= NO_CYLINDER_D:
        msg = "cylinder of the lens must be more than 0 dioptres: a lens without one has no axis"
        raise ValueError(msg)
    return cylinder_d
