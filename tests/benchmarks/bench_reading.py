"""Speed, memory and hostility of reading, in figures.

Run from the project root: ``python tests/benchmarks/bench_reading.py [n_mutated_files]``.
Nothing is asserted but what `tests/test_loading_hostile.py` asserts of each
mutated file: only scans or our own errors, within two seconds. Times of hostile files are
those of the processor, so that other programs do not count.
"""

from __future__ import annotations

import contextlib
import importlib.util
import statistics
import sys
import tempfile
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd

from specfrac.errors import SpecfracError
from specfrac.loading import read_scans

N_MUTATED = 20_000


def test_module(name: str) -> ModuleType:
    """Return a module of the tests, for its files and its mutations."""
    path = Path(__file__).parents[1] / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def corpus(folder: Path) -> dict[str, bytes]:
    """Return a small file of every layout that the tests write."""
    files = dict(test_module("test_loading_hostile").CORPUS)
    layouts = test_module("test_loading_layouts").LAYOUTS
    files |= {f"layout: {name}": data for name, (data, _) in layouts.items()}
    animl = test_module("test_loading_animl")
    for name, values in (("individual", animl.individual()), ("encoded", animl.encoded())):
        files[f"animl: {name}"] = animl.document(animl.AXIS + animl.series(values)).encode()
    if importlib.util.find_spec("openpyxl"):
        spreadsheet = test_module("test_loading_spreadsheet")
        spreadsheet.workbook(folder / "book.xlsx", {"scans": spreadsheet.rows("yellow", "green")})
        files["workbook"] = (folder / "book.xlsx").read_bytes()
    return files


def table(n_samples: int, n_points: int = 371) -> str:
    """Return a CSV of scans from 350 nm at steps of 1 nm."""
    grid = 350 + np.arange(n_points)
    rng = np.random.default_rng(3)
    values = np.abs(rng.normal(0.5, 0.3, (n_points, n_samples)))
    head = ",".join(["wavelength_nm", *(f"cut {i}" for i in range(n_samples))])
    rows = [
        ",".join([str(w), *(f"{v:.4f}" for v in row)]) for w, row in zip(grid, values, strict=True)
    ]
    return "\n".join([head, *rows]) + "\n"


def seconds(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def compare(path: Path, repeats: int) -> None:
    """Print the time of reading beside that of pandas, taken in turns."""
    ours, theirs = [], []
    for _ in range(repeats):
        ours.append(seconds(lambda: read_scans(path)))
        theirs.append(seconds(lambda: pd.read_csv(path)))
    print(
        f"{path.stem:28s} {min(ours) * 1e3:9.3f} ms  pandas {min(theirs) * 1e3:9.3f} ms  "
        f"ratio of bests {min(ours) / min(theirs):.2f}, "
        f"of medians {statistics.median(ours) / statistics.median(theirs):.2f}"
    )


def same_as_float(path: Path) -> None:
    """Print whether every value is Python's float() of its print."""
    rows = [line.split(",") for line in path.read_text().splitlines()[1:]]
    expected = np.array([[float(cell) for cell in row] for row in rows])
    scans = read_scans(path)
    found = np.stack([scans[0].wavelength, *(scan.absorbance for scan in scans)]).T
    print(f"{path.stem:28s} identical to float(): {found.tobytes() == expected.tobytes()}")


def fuzz(folder: Path, n_files: int) -> None:
    """Read mutated files of every layout."""
    module = test_module("test_loading_hostile")
    rng = np.random.default_rng(20)
    files = corpus(folder)
    names = list(files)
    outcome: Counter[str] = Counter()
    slowest = 0.0
    start = time.perf_counter()
    for i in range(n_files):
        data = module.mutated(files[names[i % len(names)]], rng)
        before = time.process_time()
        outcome["read" if module.check(folder / "mutated", data) else "refused"] += 1
        slowest = max(slowest, time.process_time() - before)
    print(
        f"{n_files} mutated files of {len(names)} layouts: {dict(outcome)}, no other outcome; "
        f"slowest {slowest:.3f} s, all {time.perf_counter() - start:.0f} s"
    )


def memory(folder: Path, size: int = 3_000_000) -> None:
    """Print time and peak memory of files made to take much of both."""
    for name, data in test_module("test_loading_hostile").large(size):
        path = folder / "large"
        path.write_bytes(data)
        outcome = "read"
        start = time.process_time()
        try:
            read_scans(path)
        except SpecfracError as error:
            outcome = str(error)[:60]
        taken = time.process_time() - start
        tracemalloc.start()
        with contextlib.suppress(SpecfracError):
            read_scans(path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(
            f"{name:20s} {len(data) / 1e6:5.1f} MB  {taken:6.2f} s  peak {peak / 1e6:6.1f} MB "
            f"= {(peak - 50e6) / len(data):5.1f} x file + 50 MB  {outcome}"
        )


def main() -> None:
    n_mutated = int(sys.argv[1]) if len(sys.argv) > 1 else N_MUTATED
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for stem, n_samples, repeats in (
            ("two columns, 371 points", 1, 3000),
            ("wide, 10 samples", 10, 500),
            ("wide, 1000 samples", 1000, 25),
        ):
            path = folder / f"{stem}.csv"
            path.write_text(table(n_samples))
            compare(path, repeats)
            same_as_float(path)
        fuzz(folder, n_mutated)
        memory(folder)


if __name__ == "__main__":
    main()
