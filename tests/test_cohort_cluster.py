"""The same run on a Dask cluster: the same table, one code path, also with a worker killed on the way."""

import os
import signal
import threading
import time

import pytest
from click.testing import CliRunner
from test_cohort_run import calls, cohort, fail, quick, run, threads

from torsion.cli import main
from torsion.cohort.executors import Cluster
from torsion.cohort.manifest import read_manifest
from torsion.cohort.run import run_cohort
from torsion.errors import TorsionError

distributed = pytest.importorskip("distributed")

# Sockets of a cluster are closed by the system when it ends, which the interpreter remarks upon.
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning"),
]


@pytest.fixture(scope="module")
def local():
    """Two worker processes under a scheduler, as on machines of their own."""
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
        yield cluster


def table(out):
    return (out / "results.csv").read_bytes()


def test_a_cluster_gives_the_same_table_as_this_machine(local, tmp_path):
    path = cohort(tmp_path / "in", [f"text {k}" for k in range(12)] + ["raise"])
    run(path, tmp_path / "here")
    with Cluster(local.scheduler_address) as executor:
        found = run_cohort(read_manifest(path), tmp_path / "there", executor=executor, measure=quick)
    assert found.reasons == {13: "it was asked to fail"}
    assert (tmp_path / "there" / "results.csv").read_bytes() == (
        tmp_path / "here" / "results.csv"
    ).read_bytes()


def test_a_worker_killed_on_the_way_changes_nothing(local, tmp_path):
    path = cohort(tmp_path / "in", [f"slow {k}" for k in range(40)])
    pids = [worker.process.pid for worker in local.workers.values()]

    def kill():
        while len(calls(path.parent)) < 8:
            time.sleep(0.02)
        os.kill(pids[0], signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    with Cluster(local.scheduler_address) as executor:
        found = run_cohort(read_manifest(path), tmp_path / "out", executor=executor, measure=quick)
    killer.join()
    assert (found.measured, found.reasons) == (40, {})
    run(path, tmp_path / "here")
    assert table(tmp_path / "out") == table(tmp_path / "here")


def test_a_pair_that_kills_every_worker_is_one_row_with_its_reason(local, tmp_path):
    path = cohort(tmp_path / "in", ["one", "die", "two"])
    with Cluster(local.scheduler_address) as executor:
        found = run_cohort(read_manifest(path), tmp_path / "out", executor=executor, measure=quick)
    assert list(found.reasons) == [2]
    assert "KilledWorker" in found.reasons[2]
    assert found.measured == 2


def test_a_task_has_one_thread_and_a_fault_is_a_sentence(local):
    with Cluster(local.scheduler_address) as executor:
        assert next(executor.run(threads, [0])).result[0] == 1
        assert next(executor.run(fail, ["bread"])).fault == "ValueError: no bread"


def test_the_command_takes_a_cluster(local, tmp_path):
    path = cohort(tmp_path / "in", ["no photo"])
    arguments = ["cohort", str(path), "--out", str(tmp_path / "out"), "--cluster", local.scheduler_address]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0, result.output
    assert "1 rows: 0 with a result, 1 with a reason" in result.stdout


def test_no_cluster_at_an_address_is_told():
    dask = pytest.importorskip("dask")
    with (
        dask.config.set({"distributed.comm.timeouts.connect": "200ms"}),
        pytest.raises(TorsionError, match="no cluster answers at 'tcp:"),
    ):
        Cluster("tcp://127.0.0.1:9")


@pytest.mark.parametrize("address", ["host", "tcp://host", "post://host:80"])
def test_an_address_that_is_none_is_told_and_leaves_nothing_that_hangs(address):
    with pytest.raises(
        TorsionError, match=f"no cluster answers at '{address}': (missing port|unknown address)"
    ):
        Cluster(address)
