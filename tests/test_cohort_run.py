"""Running a cohort: nothing is measured twice, nothing is lost, whatever is killed, full, broken or gone."""

import csv
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from functools import cache
from pathlib import Path

import psutil
import pytest

import torsion.cohort.pairs as pairs_module
from torsion.cohort.executors import Outcome, Processes
from torsion.cohort.manifest import read_manifest
from torsion.cohort.pairs import Measured, grouped, measure_group, pair_of
from torsion.cohort.run import STORE_NAME, run_cohort
from torsion.cohort.store import Store, StoreError
from torsion.demo import demo_files

pytestmark = pytest.mark.slow

demo = cache(demo_files)

# ---- Stand-ins for the measurement; at the top level, so that workers can import them ----


def quick(group):
    """Invent a record from the contents, and note each call in a file beside the photo."""
    done = []
    for pair in group:
        path = Path(pair.seated.location).parent / "calls.log"
        with path.open("a") as log:
            log.write(f"{pair.key}\n")
        text = Path(pair.seated.location).read_text()
        if text.startswith("slow"):
            time.sleep(0.05)
        if text.startswith("die"):
            os.kill(os.getpid(), signal.SIGKILL)
        if text.startswith("once") and not (path.parent / "died").exists():
            (path.parent / "died").touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if text.startswith("raise"):
            done.append(Measured(pair.key, None, "it was asked to fail"))
            continue
        record = {"verdict": "accept", "rotation_deg": int(pair.digests[0][:4], 16) / 1000, "view": None}
        done.append(Measured(pair.key, record))
    return done


def threads(task):
    import cv2

    return cv2.getNumThreads(), os.environ["OMP_NUM_THREADS"]


def sleep(seconds):
    time.sleep(seconds)
    return seconds


def fail(task):
    msg = f"no {task}"
    raise ValueError(msg)


class Serial:
    """The simplest executor, in this process."""

    def __enter__(self):
        return self

    def __exit__(self, *fault):
        pass

    def run(self, function, tasks):
        return (Outcome(task, function(task)) for task in tasks)


def cohort(folder, texts, *, name="list.csv"):
    """Write a list of pairs whose photos hold these texts."""
    folder.mkdir(exist_ok=True)
    lines = ["patient,eye,seated,supine"]
    for k, text in enumerate(texts, 1):
        (folder / f"a{k}.jpg").write_text(text)
        (folder / f"b{k}.jpg").write_text(f"supine of {text}")
        lines.append(f"p{k},OD,a{k}.jpg,b{k}.jpg")
    (folder / name).write_text("\n".join(lines) + "\n")
    return folder / name


def run(path, out, *, executor=None, measure=quick):
    with executor or Serial() as working:
        return run_cohort(read_manifest(path), out, executor=working, measure=measure)


def rows_of(out):
    with (out / "results.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def calls(folder):
    log = folder / "calls.log"
    return log.read_text().splitlines() if log.exists() else []


# ---- Keys: content and settings ----


def test_nothing_is_measured_twice_and_a_changed_photo_is_measured_again(tmp_path):
    path = cohort(tmp_path / "in", ["one", "two", "three"])
    first = run(path, tmp_path / "out")
    assert (first.rows, first.measured, first.kept, first.reasons) == (3, 3, 0, {})
    before = (tmp_path / "out" / "results.csv").read_bytes()
    again = run(path, tmp_path / "out")
    assert (again.measured, again.kept) == (0, 3)
    assert (tmp_path / "out" / "results.csv").read_bytes() == before
    (path.parent / "b2.jpg").write_text("another")
    assert run(path, tmp_path / "out").measured == 1
    assert len(calls(path.parent)) == 4


def test_a_photo_that_was_only_renamed_is_not_measured_again(tmp_path):
    path = cohort(tmp_path / "in", ["one"])
    run(path, tmp_path / "out")
    (path.parent / "a1.jpg").rename(path.parent / "new.jpg")
    path.write_text(path.read_text().replace("a1.jpg", "new.jpg"))
    assert run(path, tmp_path / "out").measured == 0
    found = rows_of(tmp_path / "out")[0]
    assert found["seated"] == found["seated.file"] == "new.jpg"


@pytest.mark.parametrize(
    "settings",
    ["eye\n1,OS", "eye,axis\n1,OD,90", "eye,axis,axis_frame\n1,OD,90,same", "eye,mirrored\n1,OD,yes",
     "eye,axis,incision\n1,OD,90,45", "eye,turned\n1,OD,180"],
)  # fmt: skip
def test_other_settings_are_another_measurement(tmp_path, settings):
    path = cohort(tmp_path / "in", ["one"])
    plain = read_manifest(path).rows[0]
    heading, line = settings.split("\n")
    path.write_text(f"seated,supine,patient,{heading}\na1.jpg,b1.jpg,{line}\n")
    changed = read_manifest(path).rows[0]
    assert pair_of(plain, "x", "y").key != pair_of(changed, "x", "y").key
    assert pair_of(plain, "x", "y").key == pair_of(plain, "x", "y").key != pair_of(plain, "y", "x").key


def test_the_same_pair_in_two_rows_is_measured_once_and_has_two_rows(tmp_path):
    path = cohort(tmp_path / "in", ["one"])
    path.write_text(path.read_text() + "again,OD,a1.jpg,b1.jpg\n")
    assert run(path, tmp_path / "out").measured == 1
    first, second = rows_of(tmp_path / "out")
    assert first["rotation_deg"] == second["rotation_deg"] != ""


def test_a_result_is_read_from_the_store_for_the_columns_and_for_its_row(tmp_path, monkeypatch):
    read, get = [], Store.get
    monkeypatch.setattr(Store, "get", lambda store, key: read.append(key) or get(store, key))
    found = run(cohort(tmp_path / "in", ["one", "two"]), tmp_path / "out")
    assert found.parquet is not None
    assert sorted(read) == sorted([*set(read)] * 2)
    assert len(read) == 4


# ---- Groups ----


def test_pairs_that_share_photos_go_together_and_no_group_is_large(tmp_path):
    path = cohort(tmp_path / "in", ["one"])
    row = read_manifest(path).rows[0]
    chain = [pair_of(row, f"{k}", f"{k + 1}") for k in range(150)]
    apart = [pair_of(row, "x", "y")]
    groups = grouped([*apart, *chain])
    assert [len(group) for group in groups] == [64, 64, 22, 1]
    assert sorted(pair.key for group in groups for pair in group) == sorted(p.key for p in apart + chain)


def test_each_photo_is_prepared_once_and_kept_no_longer_than_needed(tmp_path, monkeypatch):
    files = demo((3.0, 5.0, -2.0))
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    names = ["seated.jpg", *sorted(name for name in files if name.startswith("supine"))]
    pairs = [(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
    lines = "".join(f"1,OD,{a},{b}\n" for a, b in pairs)
    (tmp_path / "list.csv").write_text(f"patient,eye,seated,supine\n{lines}")
    prepared, held = [], []

    def counted(path, *, eye, options):
        prepared.append(Path(path).name)
        return measured[Path(path).name]

    measured = {name: pairs_module.prepare(str(tmp_path / name), eye="OD") for name in names}
    monkeypatch.setattr(pairs_module, "prepare", counted)
    monkeypatch.setattr(
        pairs_module, "measure_light", lambda a, b, **options: held.append(a.photo.pixels.size) or "found"
    )
    monkeypatch.setattr(
        pairs_module, "measurement_record", lambda found: {"view": None, "rotation_deg": None}
    )
    assert run(tmp_path / "list.csv", tmp_path / "out", measure=measure_group).measured == 6
    assert sorted(prepared) == sorted(names)
    assert set(held) == {1}  # pixels of the whole picture, which nobody needs any more


# ---- What goes wrong with one pair is the reason of its row ----


def test_one_broken_pair_is_one_row_with_its_reason(tmp_path):
    path = cohort(tmp_path / "in", ["one", "raise", "gone", "folder"])
    (path.parent / "a3.jpg").unlink()
    (path.parent / "b4.jpg").unlink()
    (path.parent / "b4.jpg").mkdir()
    found = run(path, tmp_path / "out")
    assert found.reasons == {
        2: "it was asked to fail",
        3: "'a3.jpg' does not exist",
        4: "'b4.jpg' is not a regular file",
    }
    rows = rows_of(tmp_path / "out")
    assert [row["row"] for row in rows] == ["1", "2", "3", "4"]
    assert [bool(row["reason"]) == bool(row["rotation_deg"]) for row in rows] == [False] * 4


def test_a_row_without_a_result_is_tried_again(tmp_path):
    path = cohort(tmp_path / "in", ["one", "gone"])
    (path.parent / "a2.jpg").rename(path.parent / "away")
    assert 2 in run(path, tmp_path / "out").reasons
    (path.parent / "away").rename(path.parent / "a2.jpg")
    found = run(path, tmp_path / "out")
    assert (found.measured, found.kept, found.reasons) == (1, 1, {})


def real_pair(folder, **change):
    for name, content in demo((4.0,)).items():
        (folder / name).write_bytes(change.get(name.split(".")[0].split("_")[0], content))
    (folder / "list.csv").write_text("patient,eye,seated,supine\n1,OD,seated.jpg,supine_+04.0.jpg\n")
    return folder / "list.csv"


def test_a_photo_that_cannot_be_decoded_names_itself_and_no_place_of_this_machine(tmp_path):
    found = run(real_pair(tmp_path, seated=b"\xff\xd8\xff nothing"), tmp_path / "out", measure=measure_group)
    assert found.reasons[1].startswith("'seated.jpg' ")
    assert str(tmp_path) not in (tmp_path / "out" / "results.csv").read_text()


@pytest.mark.parametrize(("change", "reason"), [("write", "was changed while"), ("unlink", "does not exist")])
def test_a_photo_that_changes_or_vanishes_meanwhile_is_told(tmp_path, change, reason):
    path = real_pair(tmp_path)

    def meddling(group):
        supine = tmp_path / "supine_+04.0.jpg"
        supine.unlink() if change == "unlink" else shutil.copy(tmp_path / "seated.jpg", supine)
        return measure_group(group)

    assert reason in run(path, tmp_path / "out", measure=meddling).reasons[1]


def test_whatever_else_a_pair_raises_is_its_reason(tmp_path, monkeypatch):
    def broken(*photos, **options):
        raise ZeroDivisionError("a slip\nof two lines")  # noqa: EM101

    path = real_pair(tmp_path)
    monkeypatch.setattr(pairs_module, "measure_light", broken)
    found = run(path, tmp_path / "out", measure=measure_group)
    assert found.reasons[1] == "the pair could not be measured: ZeroDivisionError: a slip"


# ---- Workers ----


def test_any_number_of_workers_gives_the_same_table(tmp_path):
    path = cohort(tmp_path / "in", [f"text {k}" for k in range(20)] + ["raise"])
    tables = []
    for workers in (0, 1, 3):
        out = tmp_path / f"out{workers}"
        run(path, out, executor=Processes(workers) if workers else Serial())
        tables.append((out / "results.csv").read_bytes())
    assert tables[0] == tables[1] == tables[2]


def test_a_worker_has_one_thread(tmp_path):
    with Processes(1) as executor:
        assert [outcome.result for outcome in executor.run(threads, [0])] == [(1, "1")]


def test_tasks_are_taken_only_as_there_is_room(tmp_path):
    taken = []
    with Processes(2) as executor:
        outcomes = executor.run(sleep, (taken.append(k) or 0.0 for k in range(50)))
        next(outcomes)
        assert len(taken) <= 3
        assert sum(1 for _ in outcomes) == 49


def test_a_task_that_raises_is_a_fault_and_the_worker_goes_on():
    with Processes(1) as executor:
        faults = [outcome.fault for outcome in executor.run(fail, ["bread", "wine"])]
    assert faults == ["ValueError: no bread", "ValueError: no wine"]


def test_a_pair_that_kills_its_worker_is_one_row_with_its_reason(tmp_path):
    path = cohort(tmp_path / "in", ["die", "one", "two"])
    path.write_text(path.read_text() + "p4,OD,a1.jpg,b2.jpg\np5,OD,a2.jpg,b1.jpg\n")  # one group of four
    found = run(path, tmp_path / "out", executor=Processes(2))
    reason = "the pair could not be measured: the process that worked on it died (out of memory?)"
    assert found.reasons == {1: reason, 4: reason}
    assert found.measured == 3


def test_a_pair_whose_worker_died_by_chance_is_measured_in_the_end(tmp_path):
    path = cohort(tmp_path / "in", ["once", "one"])
    assert run(path, tmp_path / "out", executor=Processes(2)).reasons == {}


def test_no_number_of_workers_below_one():
    with pytest.raises(ValueError, match="must be 1 or more, not 0"):
        Processes(0)


# ---- Killed ----

SCRIPT = """
    import sys
    from pathlib import Path
    sys.path.insert(0, {tests!r})
    from test_cohort_run import quick
    from torsion.cohort.executors import Processes
    from torsion.cohort.manifest import read_manifest
    from torsion.cohort.run import run_cohort

    if __name__ == "__main__":
        with Processes(2) as executor:
            run_cohort(read_manifest({path!r}), Path({out!r}), executor=executor, measure=quick)
"""


def started(folder, path, out):
    script = folder / "script.py"
    tests = str(Path(__file__).parent)
    script.write_text(textwrap.dedent(SCRIPT).format(tests=tests, path=str(path), out=str(out)))
    return subprocess.Popen([sys.executable, script], stderr=subprocess.DEVNULL)


def kept(out):
    """Count the results in a store; none where it is not there yet."""
    try:
        with Store(out / STORE_NAME) as store:
            return len(store)
    except (StoreError, OSError):
        return 0


def test_killed_at_any_moment_with_its_workers_it_goes_on_without_redoing_or_losing_a_row(tmp_path):
    path = cohort(tmp_path / "in", [f"slow {k}" for k in range(60)])
    out, rng = tmp_path / "out", random.Random(5)
    for _ in range(3):
        process = started(tmp_path, path, out)
        start, before = time.monotonic(), len(calls(path.parent))
        while len(calls(path.parent)) < before + rng.randrange(3, 12):
            assert time.monotonic() - start < 60.0
            time.sleep(0.02)
        workers = psutil.Process(process.pid).children(recursive=True)
        process.send_signal(signal.SIGKILL)
        process.wait()
        _, alive = psutil.wait_procs(workers, timeout=10.0)
        assert not alive, "a worker outlived its parent"
        assert 0 < kept(out) < 60
    run(path, out, executor=Processes(2))
    whole = tmp_path / "whole"
    redone = len(calls(path.parent)) - 60
    assert redone <= 3 * 2 * 2  # what two workers had in hand, or just given back, at each kill
    run(path, whole)
    assert (out / "results.csv").read_bytes() == (whole / "results.csv").read_bytes()


# ---- Store ----


def test_two_runs_cannot_use_one_folder(tmp_path):
    path = cohort(tmp_path / "in", ["one"])
    (tmp_path / "out").mkdir()
    with Store(tmp_path / "out" / STORE_NAME), pytest.raises(StoreError, match="another run is using"):
        run(path, tmp_path / "out")
    assert run(path, tmp_path / "out").measured == 1


def test_a_full_disk_ends_the_run_in_a_sentence_and_loses_nothing(tmp_path):
    store_path = tmp_path / STORE_NAME
    with Store(store_path) as store:
        store.add([("first", {"x": 1})])
        pages = store._database.execute("PRAGMA page_count").fetchone()[0]
        store._database.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(OSError, match="full"):
            store.add([("second", {"x": 2}), ("large", {"x": "y" * 100_000})])
        assert store.get("first") == {"x": 1}
    with Store(store_path) as store:
        assert (len(store), "second" in store) == (1, False)
        store.add([("large", {"x": "y" * 100_000})])
        assert len(store) == 2


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        (lambda path: path.write_text("this is no database, and long enough " * 50), "is no store"),
        (lambda path: sqlite3.connect(path).execute("CREATE TABLE other (x)").connection.close(), "another"),
        (lambda path: future(path), "version 99"),
    ],
)
def test_a_store_of_another_kind_or_version_is_left_alone(tmp_path, make, complaint):
    path = tmp_path / STORE_NAME
    make(path)
    content = path.read_bytes()
    with pytest.raises(StoreError, match=complaint):
        Store(path)
    assert path.read_bytes() == content


def future(path):
    Store(path).__exit__(None, None, None)
    database = sqlite3.connect(path)
    database.execute("PRAGMA user_version = 99")
    database.close()
