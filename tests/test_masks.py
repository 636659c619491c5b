"""What counts of an eye: drawn eyes, of which every pixel that a lid, a lash or a lamp hides is known."""

from functools import cache

import made_up
import numpy as np
import pytest

import synthetic
from synthetic import InkMark, Lids, Light, View
from torsion.eye_picture import mirrored_eye
from torsion.intake import photo_from_array
from torsion.masks import cut_out
from torsion.photo import Ellipse
from torsion.trial import Located

RADIUS_PX = 70.0
COVERED = {"lids": Lids(upper_cover=0.35), "marks": (InkMark(0.0, width_deg=2.0, color="blue", fading=0.6),)}


@cache
def drawn(*, covered=False, larger=1.0):
    """Draw an eye without lamps, plain, or with a low lid and a faded ink mark at 0 degrees."""
    conditions = {"light": Light(glints=()), **(COVERED if covered else {})}
    size = {"width_px": round(340 * larger), "height_px": round(250 * larger)}
    view = View(**size, limbus_radius_px=RADIUS_PX * larger, **conditions)
    return synthetic.draw_picture(made_up.drawn_eye(), view, 3)


def cut(picture, *, rgb=None):
    """Cut the eye out, its outlines given as drawn; of a picture in which something was changed."""
    if rgb is not None:
        return cut_out(photo_from_array(rgb), outlines(picture))
    return _as_drawn(picture)


@cache
def _as_drawn(picture):
    return cut_out(photo_from_array(picture.rgb), outlines(picture))


def outlines(picture):
    limbus, pupil = (
        Ellipse.circle(one.x_px, one.y_px, one.radius_px) for one in (picture.limbus, picture.pupil)
    )
    return Located(limbus, pupil, 1.0)


def spotted(picture, x, y, radius, value):
    """Paint a white spot at a place in limbus radii."""
    rows, columns = np.mgrid[: picture.rgb.shape[0], : picture.rgb.shape[1]]
    limbus = picture.limbus
    px = limbus.radius_px
    apart = np.hypot(columns - limbus.x_px - x * px, rows - limbus.y_px + y * px)
    painted = picture.rgb.copy()
    painted[apart < radius * px] = value
    return painted


def places(eye):
    """Return x to the right and y up of each pixel of a cut, in limbus radii."""
    half = eye.valid.shape[0] // 2
    steps = np.arange(-half, half + 1) / eye.px_per_radius
    return steps[None, :], -steps[:, None]


def on_cut(mask, picture, eye):
    """Take a mask of the drawn picture to the pixels of its cut."""
    x, y = places(eye)
    rows = np.rint(picture.limbus.y_px - y[:, 0] * picture.limbus.radius_px).astype(int)
    columns = np.rint(picture.limbus.x_px + x[0] * picture.limbus.radius_px).astype(int)
    height, width = mask.shape
    return mask[np.clip(rows, 0, height - 1)][:, np.clip(columns, 0, width - 1)]


def about(eye, x, y, radius):
    across, up = places(eye)
    return np.hypot(across - x, up - y) < radius


@pytest.mark.parametrize(("covered", "larger"), [(False, 1.0), (True, 1.0), (True, 2.3)])
def test_hardly_anything_under_lids_and_lashes_counts_and_most_of_the_rest_does(covered, larger):
    picture = drawn(covered=covered, larger=larger)  # the largest has masks of every other pixel
    eye = cut(picture)
    shown_to = about(eye, 0.0, 0.0, 1.38)  # the truth about the white of the eye ends at 1.4 radii
    for region, visible, hidden_share, found_share in (
        (eye.iris_region, picture.iris_visible, 0.06, 0.8),
        (eye.limbal_region & shown_to, picture.limbus_visible, 0.06, 0.6),
    ):
        visible = on_cut(visible, picture, eye) & region
        counted = eye.valid & region
        assert (counted & ~visible).sum() < hidden_share * counted.sum()
        assert (counted & visible).sum() > found_share * visible.sum()


@pytest.mark.parametrize(("radius", "value"), [(0.02, 170), (0.06, 225)])  # not burnt out
def test_a_lamp_on_the_iris_does_not_count(radius, value):
    picture = drawn()
    there = about(cut(picture), 0.5, -0.4, radius)
    assert cut(picture).valid[there].all()
    lit = cut(picture, rgb=spotted(picture, 0.5, -0.4, radius, value))
    assert not lit.valid[there].any()


def test_burnt_out_white_does_not_count():
    picture = drawn()
    plain = cut(picture)
    there = about(plain, 1.12, 0.0, 0.04)
    assert plain.valid[there].mean() > 0.8  # the rest is a vessel's highlight
    assert plain.overexposed == plain.glare == 0.0
    burnt = cut(picture, rgb=spotted(picture, 1.12, 0.0, 0.05, 255))
    assert not burnt.valid[there].any()
    assert burnt.overexposed > 0.0
    assert burnt.glare > 0.0


def test_ink_does_not_count():
    picture = drawn(covered=True)
    there = about(cut(picture), 1.12, 0.0, 0.02)
    assert cut(drawn()).valid[there].all()
    assert not cut(picture).valid[there].any()
    assert cut(picture).valid[about(cut(picture), -1.15, -0.1, 0.03)].all()


def test_what_looks_like_white_but_stands_apart_does_not_count():
    picture = drawn()
    plain = cut(picture)
    white = np.median(plain.rgb[plain.valid & plain.limbal_region], axis=0)
    island = cut(picture, rgb=spotted(picture, 0.0, 1.27, 0.12, white))  # on the upper lid
    assert not island.valid[about(plain, 0.0, 1.27, 0.12)].any()


def test_beyond_the_edge_of_the_picture_nothing_counts():
    picture = drawn()
    right_px = int(picture.limbus.x_px + 1.2 * RADIUS_PX)
    whole, short = cut(picture), cut(picture, rgb=picture.rgb[:, :right_px])
    across, _ = np.broadcast_arrays(*places(whole))
    assert whole.in_picture.all()
    assert not short.in_picture[across > 1.2].any()
    assert whole.valid[across > 1.2].any()
    assert not short.valid[across > 1.2].any()


@pytest.mark.parametrize("px", [70.0, 120.0, 161.0, 199.0])
def test_what_lies_within_a_masks_edge_is_left_out(px):
    """A lid's edge stays when the eye turns; the filter shows it as texture some way into what counts."""
    picture = drawn(larger=px / RADIUS_PX)
    white = np.median(cut(picture).rgb[cut(picture).valid & cut(picture).limbal_region], axis=0)
    spot = spotted(picture, 0.5, -0.4, 0.06, np.minimum(white + 40.0, 250.0))
    eye = cut(picture, rgb=spot)
    away = np.hypot(places(eye)[0] - 0.5, places(eye)[1] + 0.4)
    assert not eye.valid[away < 0.06 + 0.02].any()
    assert eye.valid[(away > 0.16) & (away < 0.2)].mean() > 0.8


def test_the_edge_of_a_mask_is_no_texture():
    eye = cut(drawn())
    assert not eye.texture[~eye.valid].any()
    middle = np.hypot(*places(eye))
    assert not (eye.valid & (middle > 0.94) & (middle < 1.05)).any()  # the limbus itself is an edge


def test_without_colour_only_the_sides_of_the_white_count():
    eye = cut(drawn(), rgb=drawn().rgb[..., 1])
    across, up = places(eye)
    steep = np.abs(up) > 0.35 * np.hypot(across, up)
    assert (eye.valid & eye.limbal_region).any()
    assert not (eye.valid & eye.limbal_region & steep).any()
    assert (cut(drawn()).valid & eye.limbal_region & steep).any()


def test_mirroring_turns_everything_over():
    eye = cut(drawn())
    other = mirrored_eye(eye)
    assert other.pupil == (-eye.pupil[0], *eye.pupil[1:])
    for name in ("rgb", "texture", "valid", "in_picture", "iris_region", "limbal_region"):
        np.testing.assert_array_equal(getattr(other, name), getattr(eye, name)[:, ::-1])
    assert mirrored_eye(other).pupil == eye.pupil
