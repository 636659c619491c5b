"""Run of a cohort: from a manifest to a table of results, broken off and taken up again at any moment."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from torsion.cohort.executors import Executor
from torsion.cohort.manifest import Manifest, Row
from torsion.cohort.pairs import Group, Measured, Pair, grouped, measure_group, pair_of
from torsion.cohort.places import PhotoFile, content_digest
from torsion.cohort.progress import OnProgress, reporter, silent
from torsion.cohort.store import Store
from torsion.cohort.table import write_csv, write_parquet
from torsion.errors import PhotoError

__all__ = ["STORE_NAME", "CohortRun", "run_cohort"]

STORE_NAME = "results.sqlite"
_FILES_AT_ONCE = 32  # to be read by a worker in one go


@dataclass(frozen=True, slots=True)
class CohortRun:
    """What a run has done.

    Attributes
    ----------
    rows : int
        Rows of the table.
    measured, kept : int
        Measurements made now, and taken from an earlier run.
    reasons : dict of int to str
        Rows without a result, by their number.
    csv : Path
    parquet : Path or None
        None where pyarrow is not installed.
    """

    rows: int
    measured: int
    kept: int
    reasons: dict[int, str]
    csv: Path
    parquet: Path | None


def run_cohort(
    manifest: Manifest,
    folder: Path,
    *,
    executor: Executor,
    measure: Callable[[Group], list[Measured]] = measure_group,
    on_progress: OnProgress = silent,
) -> CohortRun:
    """Measure the pairs of a manifest that have not been measured yet, and write the table of all.

    Results are kept by the content of both photos, the settings and the version of this package.  A run that
    ends early, however it ends, loses what its workers have in hand and nothing else; the next one goes on.

    Parameters
    ----------
    manifest : Manifest
    folder : Path
        For ``results.sqlite``, ``results.csv`` and ``results.parquet``; made where it does not exist.
    executor : Executor
        Where the work is done; it changes nothing in the results.
    measure : callable
        Measures a group of pairs; stands at the top level of a module.
    on_progress : callable
        Called with a `Progress` now and then.

    Returns
    -------
    CohortRun

    Raises
    ------
    StoreError
        If another run is using the folder, or its store is of another version.
    OSError
        If something cannot be written, as on a full disk.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with Store(folder / STORE_NAME) as store:
        digests = _digests(manifest, executor, on_progress)
        pairs: dict[int, Pair] = {}
        reasons: dict[int, str] = {}
        for row in manifest.rows:
            found = [digests[photo] for photo in (row.seated, row.supine)]
            wrong = list(dict.fromkeys(digest.fault for digest in found if digest.fault))
            if wrong:
                reasons[row.number] = "; ".join(wrong)
            else:
                pairs[row.number] = pair_of(row, *(digest.sha256 for digest in found))
        wanted = {pair.key: pair for pair in pairs.values()}  # the same pair twice is measured once
        pending = [pair for key, pair in wanted.items() if key not in store]
        failed = _measure(pending, store, executor, measure, on_progress)
        reasons |= {number: failed[pair.key] for number, pair in pairs.items() if pair.key in failed}

        def result_of(row: Row) -> tuple[dict[str, object] | None, str]:
            pair = pairs.get(row.number)
            return (store.get(pair.key) if pair else None), reasons.get(row.number, "")

        table = write_csv(folder, manifest, result_of)
        return CohortRun(
            len(manifest.rows),
            len(pending) - len(failed),
            len(wanted) - len(pending),
            dict(sorted(reasons.items())),
            table,
            write_parquet(table),
        )


@dataclass(frozen=True, slots=True)
class _Digest:
    """Content of a file, or in one sentence why it cannot be had."""

    sha256: str
    fault: str = ""


def digest_files(files: Sequence[PhotoFile]) -> list[_Digest]:
    """Read some files; the work of one task."""
    digests = []
    for file in files:
        try:
            digests.append(_Digest(content_digest(file)))
        except PhotoError as fault:
            digests.append(_Digest("", str(fault)))
    return digests


def _digests(manifest: Manifest, executor: Executor, on_progress: OnProgress) -> dict[PhotoFile, _Digest]:
    files = list(dict.fromkeys(photo for row in manifest.rows for photo in (row.seated, row.supine)))
    tasks = [tuple(files[k : k + _FILES_AT_ONCE]) for k in range(0, len(files), _FILES_AT_ONCE)]
    digests: dict[PhotoFile, _Digest] = {}
    report = reporter("reading", len(files), on_progress)
    for outcome in executor.run(digest_files, tasks):
        found = outcome.result or [
            _Digest("", f"'{f.name}' cannot be read: {outcome.fault}") for f in outcome.task
        ]
        digests |= dict(zip(outcome.task, found, strict=True))
        report(len(digests))
    return digests


def _measure(
    pairs: Sequence[Pair],
    store: Store,
    executor: Executor,
    measure: Callable[[Group], list[Measured]],
    on_progress: OnProgress,
) -> dict[str, str]:
    """Measure pairs into the store; give the reasons of those that could not be."""
    failed: dict[str, str] = {}
    report = reporter("measuring", len(pairs), on_progress)
    tasks: Iterable[Group] = grouped(pairs)
    done = 0
    while tasks:
        alone: list[Group] = []  # the pairs of a group that could not be done, each to be tried by itself
        for outcome in executor.run(measure, tasks):
            if outcome.result is not None:
                store.add((one.key, one.record) for one in outcome.result if one.record is not None)
                failed |= {one.key: one.reason or "" for one in outcome.result if one.record is None}
            elif len(outcome.task) > 1:
                alone += [(pair,) for pair in outcome.task]
                continue
            else:
                failed[outcome.task[0].key] = f"the pair could not be measured: {outcome.fault}"
            done += len(outcome.task)
            report(done)
        tasks = alone
    return failed
