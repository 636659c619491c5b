"""Centre: scale and ring, then the carried pupil on a drawn pair."""

from dataclasses import replace

import numpy as np
import pytest

import synthetic
from synthetic.geometry import project, pupil_center
from torsion import measure
from torsion.aids import carried_centre
from torsion.centre import LIMBUS_MM, capsule_ring, carry_point, mm_per_degree, pixels_per_mm
from torsion.iris_map import iris_matrix
from torsion.photo import Ellipse

LIMBUS = Ellipse.circle(500.0, 400.0, 200.0)


def test_published_length_of_a_degree():
    # Limbus 11.71 mm: Cornea 2005;24(3):259-61, doi 10.1097/01.ico.0000148312.01805.53; the ends of its
    # normal range give 0.096 and 0.110 mm a degree.
    assert mm_per_degree() == pytest.approx(0.1022, abs=5e-5)
    assert mm_per_degree(11.04) == pytest.approx(0.0963, abs=5e-5)
    assert mm_per_degree(12.58) == pytest.approx(0.1098, abs=5e-5)
    assert 3.0 * mm_per_degree() == pytest.approx(0.31, abs=0.005)


def test_a_ring_as_wide_as_half_the_limbus_has_half_its_radius():
    ring = capsule_ring((510.0, 390.0), LIMBUS_MM / 2.0, LIMBUS)
    assert (ring.x_px, ring.y_px, ring.radius_px) == pytest.approx((510.0, 390.0, 100.0))
    assert ring.limbus_is == "average"
    given = capsule_ring((510.0, 390.0), 5.0, LIMBUS, limbus_mm=12.5)
    assert given.radius_px == pytest.approx(80.0)
    assert given.standard_uncertainty_mm < capsule_ring((510.0, 390.0), 5.0, LIMBUS).standard_uncertainty_mm


def test_slips_are_refused():
    with pytest.raises(ValueError, match="capsule opening must lie from 3 to 8 mm, not 50"):
        capsule_ring((0.0, 0.0), 50.0, LIMBUS)
    with pytest.raises(ValueError, match=r"limbus must lie from 9 to 14 mm, not 1\.17"):
        pixels_per_mm(LIMBUS, limbus_mm=1.17)


def test_a_point_moves_with_the_map_and_grows_uncertain_with_its_distance():
    matrix = np.array([[0.0, 2.0, 10.0], [-2.0, 0.0, 20.0]])
    common = {"seated": LIMBUS, "supine": LIMBUS.scaled(2.0), "rotation_standard_uncertainty_deg": 1.0}
    at_centre = carry_point((500.0, 400.0), matrix, **common)
    aside = carry_point((600.0, 400.0), matrix, **common)
    assert (at_centre.x_px, at_centre.y_px) == (810.0, -980.0)
    turned = 200.0 * np.radians(1.0)  # 100 px, drawn twice as large
    wanted = np.hypot(at_centre.standard_uncertainty_px, turned)
    assert aside.standard_uncertainty_px == pytest.approx(wanted)
    assert carry_point(
        (500.0, 400.0), matrix, **common, point_standard_uncertainty_px=0.0
    ).standard_uncertainty_px == pytest.approx(0.015 * 400.0)


@pytest.mark.slow
@pytest.mark.parametrize(("pupil_ratio", "yaw_deg"), [(0.62, 9.0), (None, -7.0)])
def test_the_small_pupil_is_carried_in_the_plane_of_the_iris_when_gaze_changes(pupil_ratio, yaw_deg):
    rng = np.random.default_rng([7, 0])
    eye = synthetic.random_eye(rng)
    first, second = synthetic.draw_views(eye, "moderate", rng)
    second = replace(second, yaw_deg=first.yaw_deg + yaw_deg, pitch_deg=first.pitch_deg)
    if pupil_ratio is not None:
        second = replace(second, pupil_ratio=pupil_ratio)
    seated, supine = (synthetic.draw_picture(eye, view, rng) for view in (first, second))
    found = measure(seated.rgb, supine.rgb)
    x, y = pupil_center(eye, seated.view)
    polar = np.degrees(np.arctan2(y, x)), np.hypot(x, y)
    true, truth = (np.array(project(eye, view, *polar, surface="iris")) for view in (first, second))
    px_per_mm = pixels_per_mm(found.supine.limbus)
    by_iris, by_limbus = (
        np.linalg.norm(matrix[:, :2] @ true + matrix[:, 2] - truth) / px_per_mm
        for matrix in (iris_matrix(found), found.matrix)
    )
    # The drawn iris lies a tenth of a limbus radius behind: 0.07 mm for 7 degrees.  24 such pairs: the iris's
    # map errs by at most 0.025 mm.
    assert by_iris < 0.03
    assert by_limbus > 0.05
    carried = carried_centre(found).pupil
    error = np.hypot(carried.x_px - truth[0], carried.y_px - truth[1])
    assert error < 2.45 * carried.standard_uncertainty_px  # 95 % of a circular normal distribution
    assert carried.standard_uncertainty_mm < 0.2
