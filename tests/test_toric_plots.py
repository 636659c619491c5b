"""Figures of the toric arithmetic: that they show the numbers, and that nothing lies over the words."""

import math

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patches import Ellipse
from numpy.testing import assert_allclose

from torsion.astigmatism import double_angle
from torsion.centroid import centroid
from torsion.keratometry import cornea_from_astigmatism
from torsion.plan import plan_lens
from torsion.recheck import recheck_lens
from torsion.toric import turned_lens
from torsion.toric_plots import double_angle_figure, plan_figure, recheck_figure


def labels(figure):
    return [text.get_text() for text in figure.axes[0].get_legend().get_texts()]


@pytest.mark.parametrize(
    ("cylinder_d", "meridian_deg", "label"),
    [  # centroids as printed by Pantanelli et al., Clin Ophthalmol 2020;14:3627, 109 eyes; abstract read
        (0.37, 178.0, "mean: 0.37 D at 178°"),
        (0.17, 90.0, "mean: 0.17 D at 90°"),
    ],
)
def test_the_mean_is_written_as_in_print(cylinder_d, meridian_deg, label):
    # four eyes scattered evenly about the mean, as points of the plane
    points = double_angle(cylinder_d, meridian_deg) + 0.4 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
    meridians = np.degrees(np.arctan2(points[:, 1], points[:, 0])) / 2.0
    figure = double_angle_figure(np.hypot(points[:, 0], points[:, 1]), meridians)
    assert labels(figure) == ["4 eyes", label, "95 % for the mean", "95 % for the next eye"]


def test_the_plane_holds_every_eye_and_the_ellipses_of_the_centroid():
    rng = np.random.default_rng(6)
    cylinders, meridians = rng.uniform(0.2, 3.0, 25), rng.uniform(0.0, 180.0, 25)
    axes = double_angle_figure(cylinders, meridians, title="Drawn").axes[0]
    shown = np.column_stack(axes.lines[-4].get_data())  # before the mean and the two names of ellipses
    assert_allclose(shown, double_angle(cylinders, meridians), rtol=0, atol=1e-12)
    assert np.all(np.abs(shown) < axes.get_xlim()[1])
    ellipses = [patch for patch in axes.patches if type(patch) is Ellipse]
    found = centroid(cylinders, meridians)
    for patch, shape in zip(ellipses, (found.ellipse(of="mean"), found.ellipse(of="eyes")), strict=True):
        assert_allclose([patch.width, patch.height], 2 * np.array([shape.semi_major_d, shape.semi_minor_d]))
        assert_allclose([*patch.center, patch.angle], [*shape.centre_d, shape.tilt_deg])


@pytest.mark.parametrize(
    ("cylinder_d", "meridian_deg"),
    [  # an ellipse reaches beyond every eye: the fewer they are, the further
        ([0.9, 1.4, 2.0, 1.1, 0.7, 1.6], [88, 92, 85, 101, 12, 95]),
        ([0.5, 1.0, 2.0], [10.0, 80.0, 120.0]),
    ],
)
def test_ellipses_lie_within_the_plane(cylinder_d, meridian_deg):
    axes = double_angle_figure(cylinder_d, meridian_deg).axes[0]
    ellipses = [patch for patch in axes.patches if type(patch) is Ellipse]
    outlines = np.vstack([axes.transData.inverted().transform(patch.get_verts()) for patch in ellipses])
    assert len(ellipses) == 2
    assert np.all(np.abs(outlines) <= axes.get_xlim()[1])


def test_one_eye_has_a_mean_and_no_ellipse():
    assert labels(double_angle_figure([1.0], [90.0])) == ["1 eye", "mean: 1.00 D at 90°"]


@pytest.mark.parametrize("off_deg", [10.0, 70.0])
def test_words_of_a_recheck_do_not_lie_over_each_other(off_deg):
    needed = turned_lens(2.0, off_deg, axis_deg=90.0).residual
    figure = recheck_figure(recheck_lens(needed, 2.0, 90.0 + off_deg, rng=np.random.default_rng(1), draws=99))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    axes = figure.axes[0]
    boxes = [
        part.get_window_extent(canvas.get_renderer())
        for part in (axes.title, axes.get_legend(), axes.xaxis.label, *figure.texts)
    ]
    assert all(math.isfinite(box.width) and box.width > 0.0 for box in boxes)
    assert not any(one.overlaps(two) for at, one in enumerate(boxes) for two in boxes[:at])
    assert all(box.x0 >= 0.0 and box.x1 <= figure.bbox.x1 for box in boxes)


def test_words_of_a_plan_do_not_lie_over_bars_or_their_numbers():
    offered = [1.0 + 0.25 * step for step in range(21)]  # all but one too strong: the longest bars come last
    plan = plan_lens(cornea_from_astigmatism(1.0, 95.0), offered)
    figure = plan_figure(plan)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    axes = figure.axes[1]
    legend = axes.get_legend().get_window_extent(canvas.get_renderer())
    words = [*axes.texts, axes.xaxis.label, *figure.texts]
    taken = [part.get_window_extent(canvas.get_renderer()) for part in (*words, *axes.patches)]
    assert not any(legend.overlaps(box) for box in taken)
    assert legend.y0 >= 0.0
