"""The notebooks run from top to bottom without a warning, quickly, and are kept without what they print."""

import json
import os
import resource
import time
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LIMIT_S = 20.0
PATIENCE_S = 900  # a cell that hangs ends; a busy machine is waited for

every_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def test_there_are_notebooks() -> None:
    assert len(NOTEBOOKS) == 6


@every_notebook
def test_outputs_are_stripped(path: Path) -> None:
    book = json.loads(path.read_text(encoding="utf-8"))
    assert set(book["metadata"]) <= {"kernelspec", "language_info"}  # no trace of who ran it, and where
    for cell in book["cells"]:
        assert cell["metadata"] == {}
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None


@every_notebook
def test_every_notebook_explains_itself(path: Path) -> None:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    kinds = [cell["cell_type"] for cell in cells]
    first = "".join(cells[0]["source"])
    assert kinds[0] == "markdown"
    assert first.startswith("# ")
    assert "not a medical device" in first
    assert kinds.count("markdown") >= kinds.count("code") / 2


@pytest.mark.notebooks
@every_notebook
def test_runs_without_a_warning_and_quickly(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nbclient = pytest.importorskip("nbclient", reason="pip install 'torsion[notebooks]'")
    import nbformat

    monkeypatch.setenv("PYTHONWARNINGS", "error")
    book = nbformat.read(path, as_version=4)
    # The kernel is ended at once: asked politely, it may warn of itself, which is an error here.
    client = nbclient.NotebookClient(
        book,
        timeout=PATIENCE_S,
        startup_timeout=PATIENCE_S,
        kernel_name="python3",
        shutdown_kernel="immediate",
        resources={"metadata": {"path": str(path.parent)}},
    )
    began, used = time.monotonic(), _seconds_of_children()
    client.execute()
    # On a busy machine the clock runs on while the notebook waits; then its processor time counts.
    assert min(time.monotonic() - began, _seconds_of_children() - used) < LIMIT_S, os.getloadavg()
    said = [out for cell in book.cells for out in cell.get("outputs", []) if out.get("name") == "stderr"]
    assert not said


def _seconds_of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
