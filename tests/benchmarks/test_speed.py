"""Timings by pytest-benchmark: stages, a pair, and the peers side by side.

``python -m pytest tests/benchmarks/test_speed.py -m speed --benchmark-enable -n 0``
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

import torsion
from tests.benchmarks.drawn import ROTATION_DEG, SIZES, drawn_pair, jpeg_pair
from tests.benchmarks.methods import load_method
from torsion.confidence import judged
from torsion.duplicate import same_exposure
from torsion.locate import locate
from torsion.masks import cut_out
from torsion.orientation import find_view
from torsion.register import register

pytestmark = pytest.mark.speed
PEERS = ("torsion", "recipe", "recipe-coarse", "polar", "ecc", "simpleitk")


@pytest.fixture(scope="module", autouse=True)
def one_thread():
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(threads)


@pytest.fixture(scope="module")
def pictures() -> list[np.ndarray]:
    return drawn_pair()


@pytest.fixture(scope="module", params=list(SIZES))
def files(request, pictures, tmp_path_factory) -> list[Path]:
    folder = tmp_path_factory.mktemp("pair")
    return jpeg_pair(folder, SIZES[request.param], pair=pictures)


@pytest.fixture(scope="module")
def eyes(pictures):
    return [torsion.prepare(picture) for picture in pictures]


def test_decoding_both(benchmark, files):
    benchmark.group = "pair"
    benchmark(lambda: [cv2.imread(str(file)) for file in files])


def test_pair(benchmark, files):
    benchmark.group = "pair"
    found = benchmark(torsion.measure, *files, eye="OD")
    assert found.verdict == "accept"
    assert found.rotation_deg == pytest.approx(ROTATION_DEG, abs=0.2)  # degrees; as moderate pairs allow


def test_reading(benchmark, files):
    benchmark.group = "stages"
    benchmark(torsion.read_photo, files[0], max_side_px=1600)


def test_locating(benchmark, files):
    benchmark.group = "stages"
    benchmark(locate, torsion.read_photo(files[0], max_side_px=1600))


def test_masking(benchmark, files):
    benchmark.group = "stages"
    photo = torsion.read_photo(files[0], max_side_px=1600)
    benchmark(cut_out, photo, locate(photo))


def test_searching(benchmark, eyes):
    benchmark.group = "stages"
    benchmark(find_view, *(eye.picture for eye in eyes))


def test_registering(benchmark, eyes):
    benchmark.group = "stages"
    seated, supine = (eye.picture for eye in eyes)
    benchmark(register, seated, supine, find_view(seated, supine)[1])


def test_uncertainty(benchmark, eyes):
    benchmark.group = "stages"
    seated, supine = (eye.picture for eye in eyes)
    benchmark(judged, register(seated, supine, find_view(seated, supine)[1]))


def test_looking_for_copies(benchmark, eyes):
    benchmark.group = "stages"
    seated, supine = (eye.picture for eye in eyes)
    matrix = register(seated, supine, find_view(seated, supine)[1]).matrix
    benchmark(same_exposure, seated, supine, matrix)


def test_pair_of_prepared_photos(benchmark, eyes):
    benchmark.group = "stages"
    benchmark(torsion.measure, *eyes)


@pytest.mark.parametrize("name", PEERS)
def test_peer(benchmark, pictures, name):
    benchmark.group = "peers, 2 megapixels"
    method = load_method(name)
    benchmark(lambda: method.measure(*(method.prepare(picture) for picture in pictures)))
