"""Close-ups: where a circle lies in them and in the picture."""

import numpy as np
import pytest

from torsion.crops import DEPTH_PX, CloseUp, halved


@pytest.mark.parametrize("middle", [(40.3, 30.8), (2.0, 70.0)])  # the second reaches beyond the edge
def test_a_circle_goes_into_a_close_up_and_back(middle):
    pixels = np.zeros((77, 101, 3), np.uint8)
    close = CloseUp.on(pixels, *middle, 20.0, reach=1.8)
    circle = (middle[0] + 3.0, middle[1] - 2.0, 11.0)
    x, y, radius = close.inwards(*circle)
    assert radius == pytest.approx(11.0 * DEPTH_PX / 20.0)
    assert close.outwards(x, y, radius) == pytest.approx(circle)


def test_a_spot_lies_where_the_close_up_says():
    pixels = np.zeros((77, 101), np.uint8)
    pixels[33, 44] = 255
    close = CloseUp.on(pixels, 40.0, 30.0, 20.0, reach=1.0)
    row, column = np.unravel_index(int(np.argmax(close.pixels)), close.pixels.shape)
    x, y, _ = close.inwards(44.0, 33.0, 1.0)
    assert (column, row) == pytest.approx((x, y), abs=1.0)  # pixels of the close-up, five to one


def test_halving_leaves_out_the_last_odd_row_and_column():
    pixels = np.arange(35, dtype=np.uint8).reshape(5, 7)
    assert halved(pixels, 1).tolist() == [[4, 6, 8], [18, 20, 22]]  # means of four, halves go up
    assert halved(pixels, 0) is pixels
