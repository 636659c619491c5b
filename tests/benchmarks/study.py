"""Run methods side by side over a folder of real photos: ``python -m tests.benchmarks.study --help``.

Every method sees the same pairs and the same pictures made on purpose.  Those are made about a guess of the
limbus that belongs to none of the methods, so that none is flattered by its own centre; where the eye is
found elsewhere, no picture is made.
"""

import argparse
import importlib
import json
import math
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tests.benchmarks.guess import Limbus, guess_limbus
from tests.benchmarks.methods import Answer, Method, load_method
from tests.benchmarks.photos import (
    VARIABLE,
    different_eye_pairs,
    list_eyes,
    photo_folder,
    read_rgb,
    same_eye_pairs,
    swapped_surroundings,
    triples,
)
from tests.benchmarks.summary import Outcome, summarise, table
from torsion.intake import photo_from_array
from torsion.locate import locate
from torsion.turned_ring import turned_eye

CHECKS = ("different", "mirrored", "turned", "turned-self", "swapped")
MAX_TURN_DEG = 12.0
_WORKER: dict[str, Any] = {}  # set once in each process of the pool: methods, prepared photos, folder


def run_study(
    folder: Path,
    set_name: str,
    methods: Sequence[Method],
    *,
    limit_eyes: int | None = None,
    checks: Sequence[str] = CHECKS,
    different: int = 300,
    made: int = 40,
    seed: int = 0,
    workers: int = 2,
) -> tuple[list[Outcome], dict[str, dict[str, Any]]]:
    """Measure all same-eye pairs of a set and what the checks ask for.

    Parameters
    ----------
    folder : Path
        Folder of photos, see `tests.benchmarks.photos`.
    set_name : str
        Set to use.
    methods : sequence of Method
        Methods, measured on the same pairs.
    limit_eyes : int, optional
        Use the first eyes only.
    checks : sequence of str
        Some of `CHECKS`; the same-eye pairs and their closure always run.
    different, made : int
        Most pairs of different eyes, most pictures made on purpose for each check.
    seed : int
        Seed of everything drawn at random.
    workers : int
        Processes, at most 2.

    Returns
    -------
    outcomes : list of Outcome
    reports : dict
        Summary of each method.
    """
    eyes = list_eyes(folder, set_name, limit=limit_eyes)
    if len(eyes) < 2:
        msg = f"set {set_name!r} gives {len(eyes)} eyes; at least 2 are needed"
        raise ValueError(msg)
    paths = [path for shots in eyes.values() for path in shots]
    plan = list(_plan(eyes, checks=checks, different=different, made=made, seed=seed))
    home = folder / set_name
    context = multiprocessing.get_context("fork")  # what is prepared is inherited, not sent
    workers = min(workers, 2)
    prepared, outcomes = {}, []
    with context.Pool(workers, _begin, (home, methods, prepared)) as pool:
        for path, ready in _progress("prepare", pool.imap_unordered(_prepare, paths), len(paths)):
            prepared[path] = ready
    with context.Pool(workers, _begin, (home, methods, prepared)) as pool:
        jobs = pool.imap(_measure, plan, chunksize=2)
        outcomes = [made for made in _progress("measure", jobs, len(plan)) if made is not None]
    keys = [tuple(_name(path, home) for path in triple) for triple in triples(eyes)]
    return outcomes, {method.name: summarise(outcomes, keys, method.name) for method in methods}


def _plan(
    eyes: dict[str, list[Path]], *, checks: Sequence[str], different: int, made: int, seed: int
) -> Iterator[tuple[str, tuple[Path, ...], float]]:
    """Yield everything to measure: its kind, the photos and the angle turned on purpose.

    Each check draws from a generator of its own, so that leaving one out does not change the others.
    """
    pairs = same_eye_pairs(eyes)
    paths = [path for shots in eyes.values() for path in shots]
    rngs = dict(zip(CHECKS, np.random.default_rng(seed).spawn(len(CHECKS)), strict=True))
    for pair in pairs:
        yield "same", pair, 0.0
    for check in checks:
        rng = rngs[check]
        if check == "different":
            for pair in different_eye_pairs(eyes, count=different, rng=rng):
                yield check, pair, 0.0
        elif check == "mirrored":
            for k in _sample(len(pairs), different, rng):
                yield check, pairs[k], 0.0
        elif check == "swapped":
            for k in _sample(len(pairs), made, rng):
                others = [path for path in paths if path.parent != pairs[k][0].parent]
                yield check, (*pairs[k], others[rng.integers(len(others))]), 0.0
        else:
            turned = pairs if check == "turned" else [(path, path) for path in paths]
            for k in _sample(len(turned), made, rng):
                yield check, turned[k], float(rng.uniform(-MAX_TURN_DEG, MAX_TURN_DEG))


def _sample(total: int, count: int, rng: np.random.Generator) -> list[int]:
    return sorted(int(k) for k in rng.permutation(total)[:count])


def _begin(home: Path, methods: Sequence[Method], prepared: dict[Path, dict[str, Any]]) -> None:
    cv2.setNumThreads(1)
    _WORKER.update(home=home, methods=methods, prepared=prepared)


def _prepare(path: Path) -> tuple[Path, dict[str, Any]]:
    photo = read_rgb(path)
    return path, {method.name: _try_prepare(method, photo) for method in _WORKER["methods"]}


def _try_prepare(method: Method, photo: np.ndarray) -> Any:
    """Prepare; an error becomes its own text, counted as no answer later."""
    try:
        return method.prepare(photo)
    except Exception as error:  # a prototype that fails on one photo must not end the run
        print(f"\n{method.name} cannot prepare: {error!r}", file=sys.stderr)
        return error


def _measure(task: tuple[str, tuple[Path, ...], float]) -> Outcome | None:
    """Measure a pair by all methods; None where the picture asked for cannot be made."""
    kind, paths, angle = task
    outcome = Outcome(kind, tuple(_name(path, _WORKER["home"]) for path in paths), angle)
    first, second = (_WORKER["prepared"][path] for path in paths[:2])
    picture = _made(kind, paths, angle)
    if isinstance(picture, str):
        return None
    for method in _WORKER["methods"]:
        start = time.perf_counter()
        here = first[method.name]
        there = second[method.name] if picture is None else _try_prepare(method, picture)
        outcome.answers[method.name] = _answer(method, here, there)
        outcome.seconds[method.name] = time.perf_counter() - start
    return outcome


def _made(kind: str, paths: tuple[Path, ...], angle_deg: float) -> np.ndarray | str | None:
    """Picture made on purpose from the second photo, if the kind asks for one; or why none is made."""
    if kind in ("same", "different"):
        return None
    photo = read_rgb(paths[1])
    if kind == "mirrored":
        return np.ascontiguousarray(photo[:, ::-1])
    if kind == "swapped":
        other = read_rgb(paths[2])
        return swapped_surroundings(photo, _outline(photo), other, _outline(other))
    return turned_eye(photo, locate(photo_from_array(photo)).limbus, angle_deg=angle_deg)


def _outline(photo: np.ndarray) -> Limbus:
    """Guess where the eye is; the middle of the picture if nothing stands out."""
    height, width = photo.shape[:2]
    return guess_limbus(photo) or Limbus(width / 2, height / 2, 0.25 * min(height, width))


def _answer(method: Method, first: Any, second: Any) -> Answer:
    for ready in (first, second):
        if isinstance(ready, Exception):
            return Answer(None, -1e9, False, note=repr(ready))
    try:
        return method.measure(first, second)
    except Exception as error:  # a prototype that fails on one pair must not end the run
        print(f"\n{method.name} cannot measure: {error!r}", file=sys.stderr)
        return Answer(None, -1e9, False, note=repr(error))


def _name(path: Path, home: Path) -> str:
    return path.relative_to(home).with_suffix("").as_posix()


def _progress(word: str, items: Iterator[Any], total: int) -> Iterator[Any]:
    start = time.perf_counter()
    for done, item in enumerate(items, start=1):
        if done % max(total // 50, 1) == 0 or done == total:
            print(
                f"\r{word} {done}/{total}, {time.perf_counter() - start:.0f} s",
                end="",
                file=sys.stderr,
                flush=True,
            )
        yield item
    print(file=sys.stderr)


def _hook(methods: Sequence[str], name: str | None) -> Callable[..., Any] | None:
    """Locator for the recipe: the one named, else that of the first method which has one."""
    if name == "guess":
        return None
    if name is not None:
        module, _, function = name.partition(":")
        return getattr(importlib.import_module(module), function)
    others = [load_method(m) for m in methods if ":" in m]
    return next((m.locate for m in others if hasattr(m, "locate")), None)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.study", description=__doc__)
    parser.add_argument("--photos", type=Path, default=photo_folder(), help=f"folder; default ${VARIABLE}")
    parser.add_argument("--set", required=True, dest="set_name", help="first-level folder to use")
    parser.add_argument(
        "--method",
        action="append",
        help="torsion, recipe, recipe-coarse, polar, ecc, simpleitk or module:factory; may be repeated; "
        "default torsion and recipe",
    )
    parser.add_argument("--locate", help="limbus for the recipe: guess, or module:function giving (x, y, r)")
    parser.add_argument("--limit-eyes", type=int, help="use the first eyes only")
    parser.add_argument("--checks", nargs="*", choices=CHECKS, default=CHECKS, help="default: all")
    parser.add_argument(
        "--different", type=int, default=300, help="most pairs of different eyes, of mirrored"
    )
    parser.add_argument("--made", type=int, default=40, help="most pictures made on purpose for each check")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, choices=(1, 2), default=2)
    parser.add_argument("--json", type=Path, help="write every answer and the summary")
    given = parser.parse_args(arguments)
    if given.photos is None:
        parser.error(f"name the folder of photos with --photos or {VARIABLE}")
    names = given.method or ["torsion", "recipe"]
    locate = _hook(names, given.locate)
    methods = [load_method(name, locate=locate) for name in names]
    outcomes, reports = run_study(
        given.photos,
        given.set_name,
        methods,
        limit_eyes=given.limit_eyes,
        checks=given.checks,
        different=given.different,
        made=given.made,
        seed=given.seed,
        workers=given.workers,
    )
    print(
        f"set {given.set_name}: {sum(o.kind == 'same' for o in outcomes)} same-eye pairs, seed {given.seed}"
    )
    print("errors: median / 95th percentile / worst, degrees (n); x: robust SD of error over stated error")
    print(table(reports))
    if given.json:
        rows = [_plain(vars(outcome)) for outcome in outcomes]
        text = json.dumps({"summary": _plain(reports), "outcomes": rows}, indent=1, allow_nan=False)
        given.json.write_text(text + "\n", encoding="utf-8")


def _plain(thing: Any) -> Any:
    """Make JSON of it; what is not finite becomes null."""
    if isinstance(thing, Answer):
        return _plain(asdict(thing))
    if isinstance(thing, dict):
        return {key: _plain(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [_plain(value) for value in thing]
    if isinstance(thing, float | np.floating):
        return float(thing) if math.isfinite(thing) else None
    return thing


if __name__ == "__main__":
    main()
