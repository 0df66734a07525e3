"""The command line: thin, and last.

Every command reads, calls the analysis, and writes; it holds no science. An error of
specfrac becomes one line on standard error and exit status 1.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from specfrac import __version__
from specfrac.errors import SpecfracError

OUTPUT_FOLDER = "specfrac-results"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit status."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except SpecfracError as error:
        print(f"specfrac: {error}", file=sys.stderr)
        return 1
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

    new = commands.add_parser("new", help="write a commented run sheet for the scans of a folder")
    new.add_argument("folder", type=Path, metavar="FOLDER")
    new.set_defaults(run=_new)

    analyse = commands.add_parser("analyse", help="analyse run folders and write their reports")
    analyse.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="folder with run.toml")
    analyse.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help=f"where to write (default: {OUTPUT_FOLDER} inside each run; with several runs, a "
        "folder for each inside this one)",
    )
    analyse.add_argument(
        "--references", type=Path, metavar="FOLDER", help="your own references, used first"
    )
    analyse.set_defaults(run=_analyse)

    inspect = commands.add_parser("inspect", help="show what a scan file holds")
    inspect.add_argument("scan", type=Path, metavar="SCAN")
    inspect.add_argument("--solvent", metavar="S", help="without it, pigments are only identified")
    inspect.add_argument("--path-length", type=float, default=1.0, metavar="L", help="cm")
    inspect.add_argument("--bandwidth", type=float, metavar="B", help="spectral bandwidth, nm")
    inspect.add_argument(
        "--pigments", metavar="A,B,...", help="candidates instead of the eight leaf pigments"
    )
    inspect.add_argument("--json", action="store_true", help="one JSON object")
    inspect.add_argument(
        "--references", type=Path, metavar="FOLDER", help="your own references, used first"
    )
    inspect.set_defaults(run=_inspect)

    references = commands.add_parser(
        "references", help="show what the reference library holds, with grades and sources"
    )
    references.add_argument("pigment", nargs="?", metavar="PIGMENT")
    references.add_argument("--solvent", metavar="S")
    references.add_argument(
        "--references", type=Path, metavar="FOLDER", help="your own references, used first"
    )
    references.set_defaults(run=_references)
    return parser


def _new(options: argparse.Namespace) -> int:
    from specfrac.sheet import write_new_sheet

    path = write_new_sheet(options.folder)
    print(f"{path}: fill in the fields, then: specfrac analyse {options.folder}")
    return 0


def _analyse(options: argparse.Namespace) -> int:
    from specfrac.records import write_outputs
    from specfrac.references import load_references
    from specfrac.report import report_files, terminal_summary
    from specfrac.run import analyse_run
    from specfrac.sheet import read_run

    library = load_references(options.references)
    failures = 0
    for folder in options.runs:
        try:
            result = analyse_run(read_run(folder), library)
            target = _target(folder, options)
            write_outputs(result, target, more=report_files(result))
        except SpecfracError as error:
            if len(options.runs) == 1:
                raise
            # one broken run must not cost the others their reports
            print(f"specfrac: {error}", file=sys.stderr)
            failures += 1
            continue
        print(terminal_summary(result))
        print(f"Report: {target / 'report.html'}\n")
    return 1 if failures else 0


def _target(folder: Path, options: argparse.Namespace) -> Path:
    if options.out is None:
        return Path(folder) / OUTPUT_FOLDER
    if len(options.runs) == 1:
        return Path(options.out)
    return Path(options.out) / Path(folder).resolve().name


def _inspect(options: argparse.Namespace) -> int:
    from specfrac.inspection import inspect_reading, inspection_json, inspection_text
    from specfrac.loading import describe
    from specfrac.references import load_references

    found = inspect_reading(
        describe(options.scan),
        load_references(options.references),
        solvent=options.solvent,
        pigments=options.pigments.split(",") if options.pigments else None,
        path_length=options.path_length,
        bandwidth=options.bandwidth,
    )
    print(inspection_json(found) if options.json else inspection_text(found))
    return 0


def _references(options: argparse.Namespace) -> int:
    from specfrac.references import cell_text, coverage_text, load_references, pigment_text

    library = load_references(options.references)
    if options.pigment and options.solvent:
        print(cell_text(library, options.pigment, options.solvent))
    elif options.pigment:
        print(pigment_text(library, options.pigment))
    else:
        print(coverage_text(library))
    return 0


if __name__ == "__main__":
    sys.exit(main())
