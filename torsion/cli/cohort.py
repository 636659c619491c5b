"""``torsion cohort``: many pairs of photos, from a manifest to a table of results."""

import os
from pathlib import Path

import click

from torsion.cli import photo_options as shared
from torsion.cli.progress import cores, progress_reporter
from torsion.cli.usage import INTERRUPTED, NamedPath, give_json, refuse_idle
from torsion.cohort.executors import Cluster, Executor, Processes
from torsion.cohort.manifest import Manifest, doubts, read_manifest
from torsion.cohort.places import is_remote
from torsion.cohort.proposal import propose_manifest
from torsion.cohort.run import STORE_NAME, CohortRun, run_cohort
from torsion.cohort.strip import IDENTIFYING, MANIFEST_NAME, strip_cohort
from torsion.cohort.table import TABLE_NAMES, read_table
from torsion.files import to_json, write_whole
from torsion.toric import CAUTION

__all__ = ["command"]

_FOLDER = NamedPath(file_okay=False, path_type=Path)
_SUMMARY = "summary.json"
_OF_A_RUN = (
    "manifest",
    "--out",
    "--strip",
    "--with-photos",
    "--workers",
    "--cluster",
    "--allow-outside",
    "--json",
)
_SHOWN = 10  # doubtful rows, rows without a result, or unused photos, told one by one


@click.command("cohort")
@click.argument("manifest", metavar="[MANIFEST]", type=NamedPath(), required=False)
@click.option("--out", type=_FOLDER, metavar="DIR", help="Measure, and write the results into this folder.")
@click.option(
    "--init",
    "init",
    type=NamedPath(path_type=Path),
    metavar="FOLDER",
    help=f"Propose FOLDER/{MANIFEST_NAME} from the names of the photos in it.",
)
@click.option(
    "--strip",
    type=_FOLDER,
    metavar="DIR",
    help="Write copies without metadata, cropped to the eye, and their manifest into this folder.",
)
@click.option("--with-photos", is_flag=True, help="Show eyes in the report; they identify their owners.")
@click.option(
    "--workers", type=click.IntRange(min=1), metavar="N", help="Processes.  [default: one for each core]"
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Dask scheduler to send the work to, such as tcp://host:8786."
)
@click.option("--allow-outside", is_flag=True, help="Allow photos outside the manifest's folder, and URLs.")
@shared.json_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    manifest: str | None,
    out: Path | None,
    init: Path | None,
    strip: Path | None,
    workers: int | None,
    cluster: str | None,
    allow_outside: bool,
    with_photos: bool,
    json_to: str | None,
) -> None:
    """Measure every pair of photos in a MANIFEST; broken off at any moment, the same command goes on.

    MANIFEST is a table, CSV or Parquet, with the columns patient (a pseudonym), eye, seated and supine (paths
    from the manifest's folder).  Optional columns: session, repeat, posture (seated-supine, seated-seated,
    supine-supine), axis, axis_frame, incision, mirrored, turned (0, 90, 180, 270: as --turned of torsion
    measure), seated_level, supine_level, camera, operator, minutes, anaesthesia, drops, fixation, and
    method.NAME for the degrees that another method gave.

    DIR gets results.csv, a row for each row of the manifest, the same as results.parquet, summary.json with
    the statistics, and report.html with figures.  --json is the summary, once more.

    Exit status: 0 every row has a result or a reason, 1 the manifest cannot be used, 2 wrong usage.

    Example:

        torsion cohort --init photos

        torsion cohort photos/manifest.csv --out results
    """
    if init is not None:
        refuse_idle(*_OF_A_RUN, when=True, why="does not go with --init, which only proposes a manifest")
        _propose(init)
        return
    if manifest is None or (out is None) == (strip is None):
        msg = "give a MANIFEST with either --out or --strip, or else --init FOLDER"
        raise click.UsageError(msg)
    refuse_idle("--json", "--with-photos", when=out is None, why="needs --out")
    if workers is not None and cluster is not None:
        msg = "--workers and --cluster exclude each other"
        raise click.UsageError(msg)
    pairs = read_manifest(manifest, allow_outside=allow_outside)
    read = [Path(place) for place in (manifest, *_places(pairs)) if not is_remote(place)]
    results = [] if out is None else [out / name for name in (STORE_NAME, *TABLE_NAMES)]
    shared.check_outputs([*read, *results], json_to=json_to, picture=None)
    if out is not None:
        _check_kept(read, results)
    if pairs.carried:
        what = "carried along" if strip is None else "left out of the copies' manifest"
        _say(f"columns without a meaning here, {what}: {', '.join(pairs.carried)}")
    for text in _first(doubts(pairs)):
        _say(text)
    run = None
    try:
        with _executor(workers, cluster) as executor:
            if out is not None:
                run = run_cohort(pairs, out, executor=executor, on_progress=progress_reporter())
            elif strip is not None:
                _strip(manifest, pairs, strip, executor)
    except KeyboardInterrupt:
        _say("\ninterrupted; what was measured is kept, and the same command goes on from there")
        ctx.exit(INTERRUPTED)
    if run is not None and out is not None:
        photos = Path(manifest).parent if with_photos else None
        _tell(run, _described(run, out, photos), json_to)


def _places(manifest: Manifest) -> list[str]:
    return [photo.location for row in manifest.rows for photo in (row.seated, row.supine)]


def _check_kept(read: list[Path], results: list[Path]) -> None:
    """Refuse a list, or a photo, that has the place of a result."""
    places = {os.path.realpath(path) for path in results}
    names = {path.name for path in results}  # a cohort may read a million files: few are looked at closely
    for path in read:
        if path.name in names and os.path.realpath(path) in places:
            msg = f"'{path}' is read and would be replaced by a result; give --out another folder"
            raise click.UsageError(msg)


def _executor(workers: int | None, cluster: str | None) -> Executor:
    return Cluster(cluster) if cluster else Processes(workers or cores())


def _described(run: CohortRun, out: Path, photos: Path | None) -> str | None:
    """Write statistics and report; give the summary's JSON, None where their packages are not installed."""
    try:
        from torsion.cohort.report import write_report
        from torsion.cohort.statistics import summarise

        table = read_table(run.csv)
        summary = summarise(table)
        text = to_json(summary.to_dict())
        write_whole(text, out / _SUMMARY)
        page = write_report(table, summary, out, photos=photos)
    except ImportError as fault:
        _say(f"statistics and report need further packages ({fault}): pip install 'torsion[cohort]'")
        return None
    _say(f"wrote {out / _SUMMARY} and {page}")
    return text


def _tell(run: CohortRun, summary: str | None, json_to: str | None) -> None:
    for text in _first([f"row {number}: {reason}" for number, reason in run.reasons.items()]):
        _say(text)
    _say(f"wrote {run.csv}" + (f" and {run.parquet}" if run.parquet else ""))
    if json_to is not None and summary is None:
        msg = "there is no summary to be given as JSON: pip install 'torsion[cohort]'"
        raise click.ClickException(msg)
    if summary is not None and not give_json(summary, json_to):
        return
    without = len(run.reasons)
    click.echo(
        f"{run.rows} rows: {run.rows - without} with a result, {without} with a reason why there is none "
        f"({run.measured} pairs measured now, {run.kept} kept from before)"
    )
    click.echo(f"\n{CAUTION}")


def _propose(folder: Path) -> None:
    target = folder / MANIFEST_NAME
    if target.exists():
        msg = f"'{target}' is there already; move it away first"
        raise click.ClickException(msg)
    proposal = propose_manifest(folder)
    if not proposal.pairs + proposal.controls:
        msg = f"no pair can be told from the names in '{folder}': they must say seated or supine"
        raise click.ClickException(msg)
    write_whole(proposal.text, target)
    for text in _first([f"not used: {name}" for name in proposal.unused]):
        _say(text)
    click.echo(
        f"wrote {target}: pairs {proposal.pairs}, controls {proposal.controls}, "
        f"photos not used {len(proposal.unused)}\n"
        "Check every row, fill empty cells, and put pseudonyms in the place of names."
    )


def _strip(source: str, manifest: Manifest, folder: Path, executor: Executor) -> None:
    if (folder / MANIFEST_NAME).exists():
        msg = f"'{folder / MANIFEST_NAME}' is there already; choose another folder than that of '{source}'"
        raise click.ClickException(msg)
    if any(os.path.realpath(Path(place).parent) == os.path.realpath(folder) for place in _places(manifest)):
        msg = f"copies might replace photos, which lie in '{folder}'; choose another folder"
        raise click.ClickException(msg)
    done = strip_cohort(manifest, folder, executor=executor, on_progress=progress_reporter())
    for number, reason in done.left_out.items():
        _say(f"row {number} left out: {reason}")
    click.echo(f"wrote {done.manifest}: {done.rows} rows, {done.photos} photos")
    click.echo(f"\n{IDENTIFYING}")


def _first(lines: list[str]) -> list[str]:
    """Keep the first lines and count the rest."""
    rest = len(lines) - _SHOWN
    return lines if rest <= 0 else [*lines[:_SHOWN], f"and {rest} more of these"]


def _say(text: str) -> None:
    click.echo(text, err=True)
