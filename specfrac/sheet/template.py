"""The text of a new, commented run sheet."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable

from specfrac.settings import default_settings


def sheet_text(
    found: Iterable[tuple[str, list[str]]],
    refused: Iterable[tuple[str, str]],
    solvents: Iterable[str],
    quantities: Iterable[str],
) -> str:
    """Return a run sheet with one fraction a scan and every optional entry as a comment.

    Parameters
    ----------
    found : iterable of (str, list of str)
        Path of a scan file, relative to the run folder, and the samples in it.
    refused : iterable of (str, str)
        Path of a file that could not be read, and why.
    solvents : iterable of str
        Keys of the library.
    quantities : iterable of str
        Words for what a scan file holds.

    Returns
    -------
    str
    """
    names: set[str] = set()
    blocks = [
        _fraction(path, sample, several=len(samples) > 1, names=names)
        for path, samples in found
        for sample in samples
    ]
    listed = "\n#   ".join(textwrap.wrap(", ".join(solvents), 84))
    return "\n".join(
        [
            _HEAD.format(solvents=listed, quantities=", ".join(quantities)),
            *(f"# {_comment(path)} was left out: {_comment(why)}" for path, why in refused),
            *(blocks or [_NO_SCAN]),
            _TAIL.format(settings=_setting_lines()),
        ]
    )


def _fraction(path: str, sample: str, *, several: bool, names: set[str]) -> str:
    stem = sample if several else path.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    name, number = stem.strip() or "tube", 2
    while name.casefold() in names:
        name, number = f"{stem.strip() or 'tube'} ({number})", number + 1
    names.add(name.casefold())
    lines = [
        "",
        "[[fraction]]",
        f"name = {_quoted(name)}",
        f'role = "{_guessed_role(stem)}"',
        f"scan = {_quoted(path)}",
    ]
    if several:
        lines.append(f"sample = {_quoted(sample.strip())}")
    return "\n".join([*lines, _FRACTION_COMMENTS])


def _guessed_role(name: str) -> str:
    """Only a first proposal, for the user to correct; nothing is concluded from it."""
    folded = name.casefold()
    words = {"blank": "blank", "load": "loaded", "crude": "loaded", "wash": "wash"}
    return next((role for word, role in words.items() if word in folded), "cut")


def _quoted(text: str) -> str:
    """Return text as a TOML string; JSON's escapes are valid in it but for U+007F."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _setting_lines() -> str:
    return "\n".join(
        f"# {limit.key} = {limit.value:g}  # {limit.unit}; {_comment(limit.note)} {limit.source}"
        for limit in default_settings().limits.values()
    )


_HEAD = """\
# Run sheet: one column run, its tubes and their scans.
# Lines that begin with # are comments: take the # away and fill in what you know.
# Every measured field may have its standard uncertainty beside it, as u_<field>.

[run]
title = ""
method = ""                     # what `compare` groups by
# block = ""                    # day, section or leaf lot
# date = 2026-05-04
# tissue_mass_g = 0.50          # g
# u_tissue_mass_g = 0.01        # g, standard uncertainty; so for every measured field
# tissue_basis = "fresh"        # or "dry"
# extract_volume_ml = 10.0      # mL, the whole extract
# loaded_volume_ml = 5.0        # mL, the part put on the column; default: all of it
# void_volume_ml = 0.9          # mL, dead volume of the column
# target_pigment = "beta-carotene"
# target_share = 0.95           # wanted share of the coloured pigment by mass, fraction of one
# allow_outside_paths = false   # true lets scan files lie outside this folder

[defaults]
# Solvent of the made-up solutions. Without one, pigments are named but no mass is given.
# Known: {solvents}
# solvent = "hexane"
# path_length_cm = 1.0          # cm, default 1
# bandwidth_nm = 2.0            # nm, spectral bandwidth of the instrument
# blank = "scans/blank.csv"     # subtracted from every scan; or {{ file = "...", sample = "..." }}
# quantity = "absorbance"       # what the files hold, where they do not say:
#                               # {quantities}

# Roles: loaded (an aliquot of what went on the column), cut, wash, standard, blank.
"""

_FRACTION_COMMENTS = """\
# solvent = "hexane"            # where it differs from [defaults]
# made_up_volume_ml = 5.00      # mL, volume of the solution in the tube
# dilution_factor = 1           # volume after dilution over volume taken, for the scan
# blank = "scans/blank.csv"
# quantity = "absorbance"       # where this scan differs from [defaults]
# after_acid = "scans/acid.csv" # the same solution after acid; or { file = "...", sample = "...",
#                               # dilution_factor = ... } when the acid thinned it
# eluted_volume_ml = 2.1        # mL, cumulative, when this tube was full
# candidates = ["beta-carotene", "lutein"]   # default: the eight pigments of a green leaf
# prepared = 2026-05-04T10:20:00
# scanned = 2026-05-04T10:55:00\
"""

_NO_SCAN = (
    """
# No scan file was found in this folder.
[[fraction]]
name = "tube 1"
role = "cut"
# scan = "scans/tube1.csv"      # or several scans of this tube:
# scans = [{ file = "a.csv", dilution_factor = 1 }, { file = "b.csv", dilution_factor = 10 }]
"""
    + _FRACTION_COMMENTS
)

_TAIL = """
# Limits and settings, with their defaults.
[settings]
{settings}
"""
