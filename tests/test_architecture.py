"""The shape of the code: who may import whom, and where heavy or special things may stand."""

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "torsion"

# The pipeline, first stage first.  A module imports only from lines above its own; a new module is added at
# its place.  `torsion.cli` comes last as a whole.
ORDER = [
    stage
    for line in """
        _version errors frozen flags measures angles delimited
        raster exif
        dicom
        readers
        photo correlate astigmatism
        intake
        quantiles
        compression white_sides crops ring_contrast outline likeness pupil rings limbus_fit laterality
        toric vergence keratometry centroid plan recheck lens_rotation uncertainty budget
        trial locate
        limbal_rows own_white rim
        limbal_ring limbal_outline limbal_edges limbal_sides limbal_lean limbal_end limbal_bar ink_rules ink
        lattice lids zones texture eye_picture masks
        unwrap quality duplicate preparation order
        search deformation votes
        orientation register
        jackknife confidence match
        axis
        axis_cost adjustment network
        landmarks
        landmark_search similarity pair_suspects landmark_pairs level both_eyes centre
        comparison measurement iris_map consensus several
        marks point_marks upright ink_outline mark_frame mark_changes marking
        lens_marks landmark_survey axis_ways aids
        files pictures record
        marks_record aids_record theatre_record demo_layers demo_page demo
        wording measurement_words photo_words network_words aid_words
        inset sheets landmark_sheet
        cohort
        limbus_guess turned_ring eye_groups validate_checks validate_work validate_summary validate_advice
        validate_verdict
        validate validate_record
        validate_plots validate_page
        dial_plots aid_plots band_plots ink_strip_plots ink_plots
        lens_plots toric_plots landmark_plots level_plots
        inspection_plots plots
        report
        cli
    """.splitlines()
    for stage in line.split()
]

ONLY_IN_FUNCTIONS = {"matplotlib", "pandas", "scipy", "statsmodels", "jinja2"}
NEVER = {"scipy.stats", "scipy.signal"}  # half a second of import; cohorts may load them in functions
PLOTS = {name for name in ORDER if name.endswith("plots")}  # may load matplotlib at their top, and are
# themselves loaded in functions, or by each other


def modules(folder: Path = PACKAGE) -> list[Path]:
    return sorted(path for path in folder.rglob("*.py") if "__pycache__" not in path.parts)


def stage(path: Path) -> str:
    """Name of a module in `ORDER`: what follows ``torsion.``, a subpackage counting as one."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(node: ast.AST, *, at_top: bool = True) -> Iterator[tuple[str, bool]]:
    """Yield each imported name with its module, and whether it is loaded with the module itself.

    What stands in a function or under ``if TYPE_CHECKING`` is not loaded with the module.
    """
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import):
            yield from ((alias.name, at_top) for alias in child.names)
        elif isinstance(child, ast.ImportFrom):
            assert child.level == 0, "imports are written in full"
            yield from ((f"{child.module}.{alias.name}", at_top) for alias in child.names)
        else:
            for_types = isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test)
            aside = for_types or isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
            yield from imports(child, at_top=at_top and not aside)


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def is_of(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


def test_every_module_has_its_place_in_the_order():
    present = {stage(path) for path in modules()} - {"__init__"}
    assert present <= set(ORDER), "a new module is added to ORDER at its place"


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_back_along_the_pipeline(path):
    own = stage(path)
    for name, at_top in imports(parsed(path)):
        if not is_of(name, "torsion") or name == "torsion":
            continue
        other = name.split(".")[1]
        if own == "__init__":
            assert other == "_version" or not at_top, "the front door loads nothing else"
        else:
            assert own == other in ("cli", "cohort") or ORDER.index(other) < ORDER.index(own), (
                f"{own} imports {name}"
            )


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_heavy_packages_load_only_where_they_are_used(path):
    own = stage(path)
    for name, at_top in imports(parsed(path)):
        if own != "cohort" or at_top:
            assert not any(is_of(name, package) for package in NEVER), f"{name} is slow to import"
        assert not is_of(name, "click") or own == "cli", "only torsion.cli knows of click"
        if at_top and own not in PLOTS:
            for package in ONLY_IN_FUNCTIONS | {f"torsion.{plots}" for plots in PLOTS}:
                assert not is_of(name, package), f"{name} belongs inside the function that uses it"


def test_the_renderer_and_the_package_know_nothing_of_each_other():
    assert not any(is_of(name, "synthetic") for path in modules() for name, _ in imports(parsed(path)))
    assert not any(
        is_of(name, "torsion") for path in modules(ROOT / "synthetic") for name, _ in imports(parsed(path))
    )


@pytest.mark.parametrize("name", ["angles", "astigmatism", "correlate"])
def test_the_arithmetic_sees_arrays_and_floats_only(name):
    allowed = {"torsion.angles"}
    for imported, _ in imports(parsed(PACKAGE / f"{name}.py")):
        assert not is_of(imported, "torsion") or any(is_of(imported, other) for other in allowed)


def test_angles_are_wrapped_in_one_place():
    wraps = re.compile(r"(%|\bmod\(|remainder\().{0,12}\b(90|180|360)(\.0?)?\b")
    for path in modules():
        if stage(path) == "angles":
            continue
        code = ast.unparse(_without_text(parsed(path)))
        assert not wraps.search(code), f"{path.name} wraps an angle; use torsion.angles"


def _without_text(tree: ast.Module) -> ast.Module:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            node.value = ""
        if isinstance(node, ast.JoinedStr):
            node.values = []
    return tree


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_functions_keep_to_40_lines(path):
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
            assert lines <= 40, f"{node.name} has {lines} lines below its documentation"


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_keep_to_300_lines(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 300


def test_importing_the_package_is_cheap():
    heavy = "('matplotlib', 'cv2', 'numpy', 'scipy', 'pandas', 'click')"
    code = f"import sys, torsion; print([name for name in {heavy} if name in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_the_top_level_stays_small():
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "torsion",
        "tests",
        "synthetic",
        "notebooks",
    }
    made = {"build", "dist", "torsion-demo"}  # left behind by the commands of the README
    present = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert {name for name in present if not name.endswith(".egg-info")} <= allowed | made
