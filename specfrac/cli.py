"""The command line: thin, and last.

Every command reads, calls the analysis, and writes; it holds no science. An error of
specfrac becomes one line on standard error and exit status 1.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from specfrac import __version__
from specfrac.errors import InputError, SpecfracError
from specfrac.threads import prefer_one_thread

if TYPE_CHECKING:
    from specfrac.many_runs import RunJob, RunOutcome
    from specfrac.references import ReferenceLibrary
    from specfrac.scans import Scan
    from specfrac.terminal import Progress

STOPPING = (
    "stopping: the runs under way are finished first. A second interrupt ends them too, "
    "without results."
)
COMPARISON_FOLDER = "specfrac-comparison"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit status."""
    options = _parser().parse_args(arguments)
    prefer_one_thread()
    try:
        return int(options.run(options))
    except SpecfracError as error:
        print(f"specfrac: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("specfrac: interrupted; results that were written are whole.", file=sys.stderr)
        return 128 + signal.SIGINT
    except BrokenPipeError:
        # the reader of a pipe went away; nothing is left to say to it
        sys.stderr.close()
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="specfrac",
        description="From UV-visible scans of the tubes of a leaf-pigment column to what each "
        "tube holds, how pure it is and how much was recovered.",
    )
    parser.add_argument("--version", action="version", version=f"specfrac {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for add in (
        _add_new,
        _add_analyse,
        _add_compare,
        _add_inspect,
        _add_fit,
        _add_references,
        _add_standard,
        _add_plan,
        _add_qualify,
        _add_check,
    ):
        add(commands)
    return parser


def _with_references(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--references",
        type=Path,
        metavar="FOLDER",
        help="your own references, used before the built-in ones",
    )


def _with_readings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--path-length", type=float, default=1.0, metavar="L", help="cm")
    parser.add_argument("--bandwidth", type=float, metavar="B", help="spectral bandwidth, nm")
    parser.add_argument(
        "--quantity",
        metavar="Q",
        help="what the readings are, when the file does not say: absorbance, transmittance, ...",
    )


def _with_candidates(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--pigments", metavar="A,B,...", help="candidates instead of the eight leaf pigments"
    )


def _pigments(options: argparse.Namespace) -> list[str] | None:
    return options.pigments.split(",") if options.pigments else None


def _library(options: argparse.Namespace) -> ReferenceLibrary:
    from specfrac.references import load_references

    return load_references(options.references)


# --- new --------------------------------------------------------------------


def _add_new(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("new", help="write a commented run sheet for a folder of scans")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.set_defaults(run=_new)


def _new(options: argparse.Namespace) -> int:
    from specfrac.sheet import write_new_sheet

    path = write_new_sheet(options.folder)
    print(f"{path}: fill in the fields, then: specfrac analyse {options.folder}")
    return 0


# --- analyse ----------------------------------------------------------------


def _add_analyse(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("analyse", help="analyse run folders and write their reports")
    parser.add_argument(
        "runs",
        type=Path,
        nargs="+",
        metavar="RUN",
        help="folder with a run sheet; with --check, result.json of an earlier analysis",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="where to write (default: specfrac-results inside each run; with several runs, a "
        "folder for each inside this one)",
    )
    parser.add_argument(
        "--check",
        action="store_true",
        help="repeat each analysis from its result.json and say whether inputs, settings or "
        "numbers changed; nothing is written",
    )
    parser.add_argument(
        "--again",
        action="store_true",
        help="with several runs, analyse also those whose results are up to date",
    )
    parser.add_argument(
        "--workers",
        type=int,
        metavar="N",
        help="with several runs, how many are analysed side by side (default: one a core)",
    )
    _with_references(parser)
    parser.set_defaults(run=_analyse)


def _analyse(options: argparse.Namespace) -> int:
    library = _library(options)
    if options.check:
        return _check_each(options, library)
    from specfrac.many_runs import run_jobs, write_run

    jobs = run_jobs(options.runs, out=options.out, references=options.references)
    if len(jobs) > 1:
        return _analyse_many(jobs, options)
    print(write_run(jobs[0], library))
    print(f"Report: {jobs[0].target / 'report.html'}\n")
    return 0


def _analyse_many(jobs: Sequence[RunJob], options: argparse.Namespace) -> int:
    from specfrac.many_runs import analyse_runs
    from specfrac.terminal import Progress, stoppable

    progress = Progress(len(jobs), "runs", sys.stderr)
    waiting: dict[int, RunOutcome] = {}
    problems: list[str] = []
    done = printed = 0
    progress.show(done, 0)
    with stoppable(lambda: _tell(progress, STOPPING)) as stop:
        for position, outcome in analyse_runs(
            jobs, workers=options.workers, again=options.again, stop=stop
        ):
            done += 1
            waiting[position] = outcome
            progress.clear()
            while printed in waiting:  # in the order given, whichever was ready first
                _print_outcome(waiting.pop(printed), problems)
                printed += 1
            progress.show(done, len(problems))
    progress.clear()
    for position in sorted(waiting):
        _print_outcome(waiting[position], problems)
    for problem in problems:
        print(f"specfrac: {problem}", file=sys.stderr)
    if problems:
        print(f"specfrac: {len(problems)} of {len(jobs)} runs failed.", file=sys.stderr)
    if stop():
        print(
            f"specfrac: stopped after {done} of {len(jobs)} runs; results that were written are "
            "whole. The same command goes on with the others.",
            file=sys.stderr,
        )
        return stop.status
    return 1 if problems else 0


def _print_outcome(outcome: RunOutcome, problems: list[str]) -> None:
    report = outcome.job.target / "report.html"
    if outcome.problem:
        problems.append(outcome.problem)
    elif outcome.summary:
        print(f"{outcome.summary}\nReport: {report}\n", flush=True)
    else:
        print(f"Report: {report} (up to date; --again analyses it anew)\n", flush=True)


def _tell(progress: Progress, message: str) -> None:
    progress.clear()
    print(f"specfrac: {message}", file=sys.stderr)


def _check_each(options: argparse.Namespace, library: ReferenceLibrary) -> int:
    failures = 0
    for record in options.runs:
        try:
            failures += _check(record, library)
        except SpecfracError as error:
            if len(options.runs) == 1:
                raise
            # one broken record must not cost the others their check
            print(f"specfrac: {error}", file=sys.stderr)
            failures += 1
    return 1 if failures else 0


def _check(record: Path, library: ReferenceLibrary) -> int:
    from specfrac.redo import check_record

    found = check_record(record, library=library)
    print(found.text())
    return 0 if found.same else 1


# --- compare ----------------------------------------------------------------


def _add_compare(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("compare", help="compare extraction methods across runs")
    parser.add_argument(
        "runs",
        type=Path,
        nargs="+",
        metavar="RUN",
        help="analysed run folders or result.json files",
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(COMPARISON_FOLDER),
        metavar="FOLDER",
        help=f"where to write (default: {COMPARISON_FOLDER})",
    )
    parser.add_argument(
        "--primary",
        metavar="MEASURE",
        help='measure that decides, chosen beforehand, e.g. "extracted:beta-carotene"',
    )
    parser.add_argument(
        "--scale", choices=("auto", "linear", "log"), default="auto", help="scale of masses"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help='a limit of the comparison, e.g. "wanted_difference=0.2"; the report lists them all',
    )
    parser.set_defaults(run=_compare)


def _compare(options: argparse.Namespace) -> int:
    from specfrac.compare import (
        compare_runs,
        read_record,
        terminal_comparison,
        write_comparison,
    )
    from specfrac.compare.limits import read_changes

    comparison = compare_runs(
        (read_record(path) for path in options.runs),
        primary=options.primary,
        scale=options.scale,
        settings=read_changes(options.set),
    )
    written = write_comparison(comparison, options.out)
    print(terminal_comparison(comparison))
    print(f"Report: {written[0]}")
    return 0


# --- inspect ----------------------------------------------------------------


def _add_inspect(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("inspect", help="show what a scan file holds")
    parser.add_argument("scan", type=Path, metavar="SCAN")
    parser.add_argument("--solvent", metavar="S", help="without it, pigments are only identified")
    _with_readings(parser)
    _with_candidates(parser)
    parser.add_argument("--json", action="store_true", help="one JSON object")
    _with_references(parser)
    parser.set_defaults(run=_inspect)


def _inspect(options: argparse.Namespace) -> int:
    from specfrac.inspection import inspect_reading, inspection_json, inspection_text
    from specfrac.loading import describe

    found = inspect_reading(
        describe(options.scan, quantity=options.quantity),
        _library(options),
        solvent=options.solvent,
        pigments=_pigments(options),
        path_length=options.path_length,
        bandwidth=options.bandwidth,
    )
    print(inspection_json(found) if options.json else inspection_text(found))
    return 0


# --- fit --------------------------------------------------------------------


def _add_fit(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("fit", help="fit many scan files and write one table")
    parser.add_argument(
        "scans", type=Path, nargs="+", metavar="SCAN", help="scan file, or folder of scan files"
    )
    parser.add_argument("--solvent", required=True, metavar="S")
    _with_readings(parser)
    _with_candidates(parser)
    parser.add_argument(
        "--figures-only",
        action="store_true",
        help="without sums, flags and what a scan cannot tell apart; several times faster",
    )
    parser.add_argument(
        "--workers", type=int, metavar="N", help="processes side by side (default: one a core)"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="TABLE", help="CSV file")
    _with_references(parser)
    parser.set_defaults(run=_fit)


def _fit(options: argparse.Namespace) -> int:
    from specfrac.many_scans import BLOCK, write_table
    from specfrac.processes import available_cores
    from specfrac.terminal import Progress

    references = _library(options).select(solvent=options.solvent, pigments=_pigments(options))
    files = _scan_files(options.scans)
    workers = options.workers
    if workers is None:  # a process takes as long to start as hundreds of scans
        workers = available_cores() if len(files) > 2 * BLOCK else 1
    progress = Progress(len(files), "files", sys.stderr)
    done = failed = 0

    def tell(more: int, problems: int) -> None:
        nonlocal done, failed
        done, failed = done + more, failed + problems
        progress.show(done, failed)

    progress.show(done, failed)
    written = write_table(
        files,
        references,
        options.out,
        reported=not options.figures_only,
        workers=workers,
        tell=tell,
        quantity=options.quantity,
        path_length=options.path_length,
        bandwidth=options.bandwidth,
    )
    progress.clear()
    print(f"{options.out}: {written.scans} scans, of which {written.not_fitted} were not fitted")
    for problem in written.problems:
        print(f"specfrac: {problem}", file=sys.stderr)
    if failed:
        print(f"specfrac: {failed} of {len(files)} files could not be read.", file=sys.stderr)
    return 1 if failed else 0


def _scan_files(given: Sequence[Path]) -> list[Path]:
    """The files given, and those in the folders given, each folder by name."""
    files: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = sorted(path.iterdir())
            files += [one for one in inside if one.is_file() and not one.name.startswith(".")]
        else:
            files.append(path)
    if not files:
        raise InputError(f"{given[0]}: there is no scan file in it.")
    return files


# --- references -------------------------------------------------------------


def _add_references(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "references", help="show what the reference library holds, with grades and sources"
    )
    parser.add_argument("pigment", nargs="?", metavar="PIGMENT")
    parser.add_argument("--solvent", metavar="S")
    parser.add_argument(
        "--plot", type=Path, metavar="FILE", help="draw one pigment in one solvent (.svg or .png)"
    )
    _with_references(parser)
    parser.set_defaults(run=_references)


def _references(options: argparse.Namespace) -> int:
    from specfrac.references import cell_text, coverage_text, pigment_text

    library = _library(options)
    if options.plot is not None:
        _plot_reference(library, options)
    if options.pigment and options.solvent:
        print(cell_text(library, options.pigment, options.solvent))
    elif options.pigment:
        print(pigment_text(library, options.pigment))
    else:
        print(coverage_text(library))
    return 0


def _plot_reference(library: ReferenceLibrary, options: argparse.Namespace) -> None:
    from specfrac.plots import reference_figure
    from specfrac.records import write_files
    from specfrac.report.files import figure_bytes
    from specfrac.report.pictures import house_style

    if not (options.pigment and options.solvent):
        raise InputError("--plot draws one pigment in one solvent: name both.")
    if options.plot.suffix not in (".svg", ".png"):
        raise InputError(f"--plot {options.plot}: give a name that ends in .svg or .png.")
    with house_style():
        figure = reference_figure(library.cell(options.pigment, options.solvent))
        content = figure_bytes(figure, options.plot.suffix[1:])
    write_files(options.plot.parent, {options.plot.name: content})


# --- standard ---------------------------------------------------------------


def _add_standard(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("standard", help="make a reference of your own standard's scan")
    parser.add_argument("scan", type=Path, metavar="SCAN")
    parser.add_argument("--sample", metavar="NAME", help="which scan, when the file holds several")
    parser.add_argument("--pigment", required=True, metavar="NAME")
    parser.add_argument("--solvent", required=True, metavar="S")
    parser.add_argument("--bandwidth", type=float, required=True, metavar="B", help="nm")
    parser.add_argument("--path-length", type=float, default=1.0, metavar="L", help="cm")
    parser.add_argument(
        "--u-path-length", type=float, default=0.0, metavar="U", help="its standard uncertainty, cm"
    )
    parser.add_argument("--concentration", type=float, metavar="C", help="weighed, mg/L")
    parser.add_argument(
        "--u-concentration", type=float, metavar="U", help="its standard uncertainty, mg/L"
    )
    parser.add_argument(
        "--from-absorptivity",
        action="store_true",
        help="the concentration was computed from a published absorptivity: shape only",
    )
    parser.add_argument("--purity", type=float, default=1.0, metavar="P", help="share of mass")
    parser.add_argument("--u-purity", type=float, metavar="U", help="its standard uncertainty")
    parser.add_argument(
        "--group", metavar="G", help="of a new pigment: carotene, xanthophyll, chlorophyll, ..."
    )
    parser.add_argument("--molar-mass", type=float, metavar="M", help="of a new pigment, g/mol")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="your references")
    parser.add_argument("--overwrite", action="store_true", help="replace an earlier reference")
    parser.set_defaults(run=_standard, references=None)


def _standard(options: argparse.Namespace) -> int:
    from specfrac.standards import (
        Standard,
        new_pigment,
        reference_from_standard,
        standard_text,
        write_reference,
    )

    pigment = options.pigment
    if options.group is not None or options.molar_mass is not None:
        if options.group is None or options.molar_mass is None:
            raise InputError("a new pigment needs both --group and --molar-mass.")
        pigment = new_pigment(options.pigment, group=options.group, molar_mass=options.molar_mass)
    standard = Standard(
        pigment,
        options.solvent,
        options.bandwidth,
        concentration=_per_litre(options.concentration),
        concentration_uncertainty=_per_litre(options.u_concentration),
        concentration_source="absorptivity" if options.from_absorptivity else "weighed",
        purity=options.purity,
        purity_uncertainty=options.u_purity,
        path_length=options.path_length,
        path_length_uncertainty=options.u_path_length,
    )
    own = reference_from_standard(_one_scan(options), _library(options), standard)
    path = write_reference(own, options.out, overwrite=options.overwrite)
    print(standard_text(own))
    print(f"Written: {path}; use it with --references {options.out}")
    return 0


# --- plan -------------------------------------------------------------------


def _add_plan(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "plan", help="plan dilutions and what can be seen, from a first scan or from the leaf"
    )
    parser.add_argument("scan", type=Path, nargs="?", metavar="SCAN")
    parser.add_argument("--sample", metavar="NAME", help="which scan, when the file holds several")
    parser.add_argument("--tissue-mass", type=float, metavar="G", help="g of leaf, without a scan")
    parser.add_argument("--basis", choices=("fresh", "dry"), default="fresh")
    parser.add_argument("--solvent", required=True, metavar="S")
    parser.add_argument("--volume", type=float, metavar="V", help="mL of solution")
    parser.add_argument("--path-length", type=float, default=1.0, metavar="L", help="cm")
    parser.add_argument("--bandwidth", type=float, metavar="B", help="spectral bandwidth, nm")
    parser.add_argument("--dilution-factor", type=float, default=1.0, metavar="D")
    parser.add_argument("--pigments", metavar="A,B,...", help="what the solution holds")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    _with_references(parser)
    parser.set_defaults(run=_plan)


def _plan(options: argparse.Namespace) -> int:
    from specfrac.plan import plan_from_scan, plan_from_tissue, plan_text

    library = _library(options)
    pigments = _pigments(options)
    if (options.scan is None) == (options.tissue_mass is None):
        raise InputError("plan needs either a first SCAN or --tissue-mass.")
    if options.scan is not None:
        plan = plan_from_scan(
            _one_scan(options),
            solvent=options.solvent,
            volume=options.volume,
            path_length=options.path_length,
            dilution_factor=options.dilution_factor,
            bandwidth=options.bandwidth,
            pigments=pigments,
            library=library,
        )
    else:
        if options.volume is None:
            raise InputError("plan --tissue-mass needs --volume, mL the extract is made up to.")
        plan = plan_from_tissue(
            options.tissue_mass,
            solvent=options.solvent,
            volume=options.volume,
            basis=options.basis,
            path_length=options.path_length,
            bandwidth=options.bandwidth,
            pigments=pigments,
            library=library,
        )
    print(_json(plan.record()) if options.json else plan_text(plan))
    return 0


# --- qualify ----------------------------------------------------------------


def _add_qualify(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "qualify", help="check an instrument against filters, standards or a blank"
    )
    parser.add_argument(
        "scan",
        type=Path,
        metavar="SCAN",
        help="scan of one standard; or a folder with qualification.toml for many checks",
    )
    parser.add_argument("--sample", metavar="NAME", help="which scan, when the file holds several")
    parser.add_argument("--standard", metavar="NAME", help='what was scanned, or "blank"')
    parser.add_argument("--bandwidth", type=float, metavar="B", help="spectral bandwidth, nm")
    parser.add_argument("--concentration", type=float, metavar="C", help="of the standard, mg/L")
    parser.add_argument("--path-length", type=float, default=1.0, metavar="L", help="cm")
    parser.add_argument(
        "--new", action="store_true", help="write a commented qualification.toml into the folder"
    )
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="write page and record there")
    parser.set_defaults(run=_qualify)


def _qualify(options: argparse.Namespace) -> int:
    from specfrac.qualify import (
        qualification_template,
        qualification_text,
        qualify_scan,
        read_qualification,
    )
    from specfrac.records import write_files

    if options.new:
        sheet = options.scan / "qualification.toml"
        if sheet.exists():
            raise InputError(f"{sheet}: there is a sheet already; it is not overwritten.")
        write_files(options.scan, {sheet.name: qualification_template().encode("utf-8")})
        print(f"{sheet}: fill in what you measured, then: specfrac qualify {options.scan}")
        return 0
    if options.scan.is_dir():
        result = read_qualification(options.scan)
    elif options.standard is None:
        raise InputError("qualify SCAN needs --standard: what was scanned.")
    else:
        result = qualify_scan(
            _one_scan(options),
            options.standard,
            bandwidth=options.bandwidth,
            concentration=options.concentration,
            path_length=options.path_length,
        )
    print(qualification_text(result))
    if options.out is not None:
        from specfrac.report.bench_files import write_qualification

        written = write_qualification(result, options.out)
        print(f"Report: {written[-1]}")
    return 0 if result.passed else 1


# --- check ------------------------------------------------------------------


def _add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "check", help="check figures worked by hand, step by step, for a person or a class"
    )
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="run folder with claims, or a folder of them"
    )
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="write page and record there")
    _with_references(parser)
    parser.set_defaults(run=_check_figures)


def _check_figures(options: argparse.Namespace) -> int:
    from specfrac.claims import check_folder, class_text

    found = check_folder(options.folder, library=_library(options))
    print(class_text(found))
    if options.out is not None:
        from specfrac.report.bench_files import write_class

        written = write_class(found, options.out)
        print(f"Report: {written[-1]}")
    return 0


# --- shared by commands -----------------------------------------------------


def _json(record: Mapping[str, object]) -> str:
    from specfrac.records import json_bytes

    return json_bytes(record).decode("utf-8").rstrip("\n")


def _one_scan(options: argparse.Namespace) -> Scan:
    """The scan a command means: the file's only one, or the one named."""
    from specfrac.loading import read_scans

    scans = read_scans(options.scan)
    named = [scan for scan in scans if options.sample in (None, scan.name)]
    if len(named) != 1:
        names = ", ".join(scan.name for scan in scans)
        raise InputError(f"{options.scan}: name one of its scans with --sample: {names}.")
    return named[0]


def _per_litre(milligrams: float | None) -> float | None:
    return None if milligrams is None else 1e-3 * milligrams


if __name__ == "__main__":
    sys.exit(main())
