"""The package as a whole: public names, one-way imports, light start, data in the wheel."""

from __future__ import annotations

import ast
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import specfrac

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "specfrac"

PUBLIC = {
    "BandFit",
    "Comparison",
    "FitError",
    "Flag",
    "InputError",
    "MixtureFit",
    "MixtureFits",
    "Quantity",
    "ReferenceLibrary",
    "ReferenceNotFoundError",
    "References",
    "Run",
    "RunResult",
    "RunSheetError",
    "Scan",
    "ScanFileError",
    "SpecfracError",
    "__version__",
    "analyse_run",
    "compare_runs",
    "fit_bands",
    "fit_mixture",
    "fit_mixtures",
    "fit_tube",
    "identify",
    "load_references",
    "read_run",
    "read_scans",
    "subtract_blank",
}

# a module may import from those before it, and packages from within themselves
ORDER = [
    "lazy",
    "errors",
    "flags",
    "uncertainty",
    "residuals",
    "calibration",
    "scans",
    "loading",
    "checks",
    "bands",
    "references",
    "fitting",
    "share_bounds",
    "simulate",
    "identification_limits",
    "band_positions",
    "solvent_evidence",
    "identification",
    "indices",
    "names",
    "equations",
    "quantities",
    "settings",
    "bench_settings",
    "sheet",
    "records",
    "standards",
    "purity",
    "plots",
    "tube_flags",
    "tube_indices",
    "recoveries",
    "tubes",
    "balance",
    "pooling",
    "elution",
    "decisions",
    "run",
    "redo",
    "plates",
    "plan",
    "claims",
    "qualify",
    "report",
    "compare",
    "threads",
    "processes",
    "terminal",
    "many_scans",
    "many_runs",
    "inspection",
    "cli",
]


def modules() -> dict[str, list[Path]]:
    """Every module or subpackage of the package with its files."""
    found: dict[str, list[Path]] = {}
    for path in PACKAGE.rglob("*.py"):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        found.setdefault(parts[0], []).append(path)
    return found


def imports(path: Path) -> set[str]:
    """Modules of the package that a file imports, lazily too.

    Not for typing alone, and not to show a result in a notebook: a result that draws itself
    must call the report, which comes later.
    """
    found = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed_over = {
        id(child)
        for node in ast.walk(tree)
        if (isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING")
        or (isinstance(node, ast.FunctionDef) and node.name == "_repr_html_")
        for child in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in passed_over:
            continue
        if isinstance(node, ast.ImportFrom) and node.module and node.module != "specfrac":
            parts = node.module.split(".")
            if parts[0] == "specfrac":
                found.add(parts[1])
        elif isinstance(node, ast.ImportFrom) and node.module == "specfrac":
            found.update(a.name for a in node.names if (PACKAGE / f"{a.name}.py").exists())
        elif isinstance(node, ast.Import):
            found.update(a.name.split(".")[1] for a in node.names if a.name.startswith("specfrac."))
    return found


def test_public_names_are_pinned():
    assert set(specfrac.__all__) == PUBLIC
    for name in PUBLIC:
        assert getattr(specfrac, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = specfrac.nothing


def test_every_module_has_its_place():
    assert set(modules()) - {"__init__"} == set(ORDER)


@pytest.mark.parametrize("name", ORDER)
def test_imports_go_one_way(name):
    before = set(ORDER[: ORDER.index(name)]) | {name, "reference_spectra"}
    for path in modules()[name]:
        late = imports(path) - before
        assert not late, f"{path.name} imports {sorted(late)}, which come after {name}"


def test_import_pulls_in_no_heavy_module():
    code = (
        "import sys, specfrac, specfrac.cli\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'lmfit', 'matplotlib'} & set(sys.modules)\n"
        "print(','.join(sorted(heavy)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_reading_and_fitting_need_no_pandas():
    code = (
        "import sys, specfrac\n"
        "r = specfrac.load_references().select(solvent='hexane')\n"
        "from specfrac.simulate import simulate_scan\n"
        "s = simulate_scan(r, {'beta-carotene': 2e-3}, wavelength=range(330, 700), rng=1)\n"
        "specfrac.fit_mixture(s, r)\n"
        "print(','.join(sorted({'pandas', 'lmfit', 'matplotlib', 'scipy'} & set(sys.modules))))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_wheel_carries_the_references_even_zipped(tmp_path):
    from setuptools import build_meta  # the project's own build backend

    source = tmp_path / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md", "specfrac", "reference_spectra"):
        _copy(ROOT / name, source / name)
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            f"from {build_meta.__name__} import build_wheel; build_wheel({str(tmp_path)!r})",
        ],
        cwd=source,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    (wheel,) = tmp_path.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    assert "specfrac/reference_spectra/bands.csv" in names
    assert "specfrac/py.typed" in names
    # a wheel is a zip file: import the package from inside it
    code = (
        f"import sys; sys.path.insert(0, {str(wheel)!r})\n"
        "import specfrac\n"
        "assert '.whl' in specfrac.__file__, specfrac.__file__\n"
        "r = specfrac.load_references().select(solvent='acetone-90')\n"
        "print(len(r.pigments))"
    )
    done = subprocess.run(
        [sys.executable, "-I", "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip() == "8"


def _copy(source: Path, target: Path) -> None:
    import shutil

    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        shutil.copy(source, target)


def test_command_line_help_names_the_commands():
    done = subprocess.run(
        [sys.executable, "-m", "specfrac.cli", "--help"], capture_output=True, text=True, check=True
    )
    for command in ("new", "analyse", "inspect", "references"):
        assert command in done.stdout
