"""Places of photos: faults name a photo as the list does, wherever its file lay for the while."""

import pytest

from torsion.cohort import pairs, strip
from torsion.cohort.places import find_photo, local_copy
from torsion.errors import PhotoError

NAME = "ward/eye.jpg"


@pytest.fixture(params=["local", "remote"])
def file(request, tmp_path):
    if request.param == "local":
        return find_photo(NAME, str(tmp_path))
    fsspec = pytest.importorskip("fsspec")
    found = find_photo(NAME, "memory://places")
    with fsspec.open(found.location, "wb") as stream:
        stream.write(b"...")
    return found


def gone(path, **_):
    msg = f"'{path}' does not exist"
    raise PhotoError(msg)


def test_a_fault_met_with_the_file_in_hand_names_the_photo_as_the_list_does(file):
    with pytest.raises(PhotoError, match=f"^'{NAME}' does not exist$"), local_copy(file) as path:
        gone(path)


def test_no_place_of_this_machine_is_a_reason(file, tmp_path, monkeypatch):
    monkeypatch.setattr(strip, "prepare", gone)
    monkeypatch.setattr(pairs, "prepare", gone)
    told = strip.strip_photo(strip._Task(file, str(tmp_path / "copy.png"))).reason
    assert told == pairs._prepared(file, ("0" * 64, "OD", 0)) == f"'{NAME}' does not exist"
