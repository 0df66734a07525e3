"""The thin-layer plates of a run sheet, read strictly.

A plate is a table ``[[plate]]`` with its spots in ``[[plate.spot]]``. All distances are
in mm from one edge or line, the origin included; without ``origin_mm`` they count from
the origin itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from specfrac.bench_settings import bench_settings
from specfrac.errors import InputError, ReferenceNotFoundError, RunSheetError, did_you_mean
from specfrac.references import load_references, normalised, read_table
from specfrac.settings import Settings
from specfrac.sheet.entries import Entries
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.references import ReferenceLibrary
    from specfrac.sheet import Run

_PLATE_KEYS = (
    "name", "developing_solvent", "layer", "mixture", "relative_to", "settings", "spot",
)  # fmt: skip
_PLATE_MEASURED = ("origin_mm", "front_mm", "height_mm")
_SPOT_KEYS = ("name", "lane", "fraction", "colour", "pigment")
_SPOT_MEASURED = ("distance_mm", "width_mm", "applied_ul")

# Names of more than one word, so that a mixture's parts can be told apart.
_JOINED = MappingProxyType(
    {
        "petroleum-ether": "petroleum_ether",
        "pet-ether": "petroleum_ether",
        "light-petroleum": "petroleum_ether",
        "diethyl-ether": "diethyl_ether",
        "ethyl-acetate": "ethyl_acetate",
        "ethyl-ethanoate": "ethyl_acetate",
        "acetic-acid": "acetic_acid",
        "2-propanol": "propanol",
        "n-hexane": "hexane",
        "hexanes": "hexane",
        "n-heptane": "heptane",
        "propanone": "acetone",
    }
)


@dataclass(frozen=True, slots=True)
class PlatePigment:
    """What a silica plate shows of a pigment.

    Attributes
    ----------
    key, name : str
    order : int
        Place in the order on silica, 1 running furthest; equal places are not told apart.
    colours : tuple of str
        Words for its colour, normalised.
    in_library : bool
        False for what no scan tells from another pigment.
    close_to : tuple of str
        Pigments with which the order changes from one developing solvent to the next.
    seen_as : str
        What a scan takes it for, or ``""``.
    made_on_plate : bool
        True when the acidic layer may make it after spotting.
    note : str
    """

    key: str
    name: str
    order: int
    colours: tuple[str, ...]
    in_library: bool
    close_to: tuple[str, ...]
    seen_as: str
    made_on_plate: bool
    note: str


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """One spot of a plate, as the sheet gives it.

    Attributes
    ----------
    name, lane : str
    fraction : str or None
        Name of the tube that was spotted.
    distance : Quantity
        mm, of the spot's centre.
    width : Quantity or None
        mm, its length along the run.
    colour : str
        ``""`` when not given.
    pigment : str or None
        Key of a pigment, where somebody has named the spot.
    applied : float or None
        µL of the tube's solution that were spotted in this lane.
    """

    name: str
    lane: str
    fraction: str | None
    distance: Quantity
    width: Quantity | None
    colour: str
    pigment: str | None
    applied: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """One developed plate, as the sheet gives it.

    Attributes
    ----------
    name : str
    developing_solvent : str
        As written; see `mixture_parts`.
    layer : str
    mixture : str
        What was separated; plates of one mixture are ranked together. ``""`` when not given.
    origin, front : Quantity
        mm.
    height : float or None
        mm, whole plate.
    relative_to : str
        Spot or pigment that relative Rf refers to, or ``""``.
    spots : tuple of Spot
    settings : Settings
    """

    name: str
    developing_solvent: str
    layer: str
    mixture: str
    origin: Quantity
    front: Quantity
    height: float | None
    relative_to: str
    spots: tuple[Spot, ...]
    settings: Settings


@lru_cache(maxsize=1)
def plate_pigments() -> Mapping[str, PlatePigment]:
    """Return what a plate shows of each pigment, by key."""
    return MappingProxyType(
        {
            row["pigment"]: PlatePigment(
                row["pigment"],
                row["name"],
                int(row["order"]),
                tuple(map(normalised, filter(None, row["colours"].split("|")))),
                row["library"] == "yes",
                tuple(filter(None, row["close_to"].split("|"))),
                row["seen_as"],
                row["made_on_plate"] == "yes",
                row["note"],
            )
            for row in read_table("plate_pigments.csv").rows
        }
    )


def mixture_parts(text: str) -> Mapping[str, float]:
    """Return a developing solvent as shares by volume, empty when it cannot be read.

    Examples
    --------
    >>> dict(mixture_parts("hexane:acetone 70:30"))
    {'hexane': 0.7, 'acetone': 0.3}
    >>> dict(mixture_parts("7 : 3 hexane-acetone")) == dict(mixture_parts("hexane-acetone 70:30"))
    True
    >>> dict(mixture_parts("something green"))
    {}
    """
    joined = text.casefold()
    for name, one in _JOINED.items():
        spaced = r"[\W_]+".join(map(re.escape, name.split("-")))
        joined = re.sub(rf"(?<![a-z]){spaced}(?![a-z])", one, joined)
    words = re.findall(r"\d+(?:\.\d+)?|[a-z_]+", joined)
    amounts = [float(word) for word in words if word[0].isdigit()]
    names = [word.replace("_", "-") for word in words if not word[0].isdigit()]
    if len(names) == 1 and not amounts:
        return MappingProxyType({names[0]: 1.0})
    if len(names) != len(amounts) or not sum(amounts) > 0 or len(set(names)) != len(names):
        return MappingProxyType({})
    total = sum(amounts)
    return MappingProxyType({name: part / total for name, part in zip(names, amounts, strict=True)})


def read_plates(
    tables: Sequence[Mapping[str, Any]],
    *,
    fractions: Iterable[str] | None = None,
    library: ReferenceLibrary | None = None,
    place: str = "run.toml",
) -> tuple[Plate, ...]:
    """Read plates from the tables of a run sheet.

    Parameters
    ----------
    tables : sequence of mapping
        The ``[[plate]]`` tables, as `Run.plates` holds them.
    fractions : iterable of str, optional
        Names of the run's tubes; a spot's ``fraction`` must be among them.
    library : ReferenceLibrary, optional
        Where names of pigments are looked up; the built-in one by default.
    place : str
        What messages call the sheet.

    Returns
    -------
    tuple of Plate

    Raises
    ------
    RunSheetError
        If an entry breaks a rule; the message names the place, the rule and the value.
    """
    library = load_references() if library is None else library
    known = None if fractions is None else tuple(fractions)
    plates = tuple(
        _plate(Entries(table, f"{place}, [[plate]] {number}"), number, known, library)
        for number, table in enumerate(tables, start=1)
    )
    names = [plate.name for plate in plates]
    repeated = next((name for name in names if names.count(name) > 1), None)
    if repeated is not None:
        raise RunSheetError(
            f"{place}: the name {repeated!r} is given to two plates. Give each its own name."
        )
    return plates


def plates_of(run: Run, library: ReferenceLibrary | None = None) -> tuple[Plate, ...]:
    """Return the plates of a run; see `read_plates`."""
    return read_plates(run.plates, fractions=[one.name for one in run.fractions], library=library)


def _plate(
    table: Entries, number: int, fractions: tuple[str, ...] | None, library: ReferenceLibrary
) -> Plate:
    table.check_keys(_PLATE_KEYS, _PLATE_MEASURED)
    name = table.text("name") or f"plate {number}"
    settings = _settings(table)
    line = settings["plate_line_uncertainty"]
    origin = _distance(table, "origin_mm", line) or Quantity(0.0, line, "mm")
    front = _distance(table, "front_mm", line)
    if front is None:
        raise table.fail("front_mm", "is missing. Without the solvent front there is no Rf.")
    if front.value <= origin.value:
        raise table.fail(
            "front_mm",
            f"is {front.value:g}, not above origin_mm = {origin.value:g}. Measure both from the "
            "same edge.",
        )
    height = table.positive("height_mm")
    if height is not None and height < front.value:
        raise table.fail(
            "height_mm", f"is {height:g}, below front_mm = {front.value:g}. It is the whole plate."
        )
    spots = _spots(table, _Around(origin.value, front.value, settings, fractions, library))
    return Plate(
        name=name,
        developing_solvent=table.text("developing_solvent"),
        layer=table.text("layer", default="silica"),
        mixture=table.text("mixture"),
        origin=origin,
        front=front,
        height=height,
        relative_to=_relative_to(table, spots, library),
        spots=spots,
        settings=settings,
    )


def _settings(table: Entries) -> Settings:
    given = table.content.get("settings", {})
    if not isinstance(given, Mapping):
        raise table.fail("settings", f"is {given!r}, but must be a table. Begin [plate.settings].")
    own = Entries(given, f"{table.place}, settings")
    changes = {key: own.number(key) for key in given}
    try:
        return bench_settings({key: one for key, one in changes.items() if one is not None})
    except InputError as error:
        raise RunSheetError(f"{own.place}: {error}") from None


def _distance(table: Entries, key: str, default: float) -> Quantity | None:
    """Return a distance from 0 up, with the stated or the default uncertainty."""
    value = table.number(key)
    if value is None:
        return None
    if value < 0:
        raise table.fail(key, f"is {value:g} mm, but must not be negative.")
    stated = table.number(f"u_{key}")
    if stated is not None and stated < 0:
        raise table.fail(f"u_{key}", f"is {stated:g}, but must not be negative.")
    return Quantity(value, default if stated is None else stated, "mm")


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """What a spot is checked against: the lines of its plate, settings, names."""

    origin: float
    front: float
    settings: Settings
    fractions: tuple[str, ...] | None
    library: ReferenceLibrary


def _spots(table: Entries, around: _Around) -> tuple[Spot, ...]:
    given = table.content.get("spot", [])
    if not isinstance(given, list) or not all(isinstance(one, Mapping) for one in given):
        raise table.fail("spot", "must be a list of tables. Begin each with [[plate.spot]].")
    if not given:
        raise table.fail("spot", "is missing. Add a [[plate.spot]] for each spot.")
    spots = [
        _spot(Entries(one, f"{table.place}, [[plate.spot]] {at}"), at, around)
        for at, one in enumerate(given, start=1)
    ]
    seen: set[tuple[str, str]] = set()
    for spot in spots:
        if (spot.lane, spot.name) in seen:
            raise RunSheetError(
                f"{table.place}: two spots of lane {spot.lane!r} are called {spot.name!r}. "
                "Give each its own name."
            )
        seen.add((spot.lane, spot.name))
    return tuple(spots)


def _spot(table: Entries, number: int, around: _Around) -> Spot:
    table.check_keys(_SPOT_KEYS, _SPOT_MEASURED)
    settings = around.settings
    distance = _distance(table, "distance_mm", settings["plate_spot_uncertainty"])
    if distance is None:
        raise table.fail("distance_mm", "is missing. It is the distance to the spot's centre.")
    slack = 2 * settings["plate_spot_uncertainty"] + 2 * settings["plate_line_uncertainty"]
    if not around.origin - slack <= distance.value <= around.front + slack:
        raise table.fail(
            "distance_mm",
            f"is {distance.value:g}, outside origin_mm = {around.origin:g} to front_mm = "
            f"{around.front:g}. Measure spots, origin and front from the same edge.",
        )
    width = _distance(table, "width_mm", settings["plate_width_uncertainty"])
    if width is not None and width.value == 0:
        raise table.fail("width_mm", "is 0, but a spot has a length. Leave the key out instead.")
    fraction = _fraction(table, around.fractions)
    return Spot(
        name=table.text("name") or f"spot {number}",
        lane=table.text("lane") or fraction or "lane",
        fraction=fraction,
        distance=distance,
        width=width,
        colour=table.text("colour"),
        pigment=_pigment(table, around.library),
        applied=table.positive("applied_ul"),
    )


def _fraction(table: Entries, fractions: tuple[str, ...] | None) -> str | None:
    name = table.text("fraction")
    if not name:
        return None
    if fractions is not None and name not in fractions:
        raise table.fail(
            "fraction",
            f"is {name!r}, but the sheet has no such tube. {did_you_mean(name, fractions)}",
        )
    return name


def _pigment(table: Entries, library: ReferenceLibrary) -> str | None:
    name = table.text("pigment")
    return plate_pigment_key(name, table, "pigment", library) if name else None


def plate_pigment_key(name: str, table: Entries, key: str, library: ReferenceLibrary) -> str:
    """Return the key of a pigment a plate can show, or raise with the nearest name."""
    wanted = normalised(name)
    if wanted in plate_pigments():
        return wanted
    try:
        return library.pigment(name).key
    except ReferenceNotFoundError:
        known = {*plate_pigments(), *library.pigments}
        raise table.fail(key, f"is {name!r}. {did_you_mean(wanted, known)}") from None


def _relative_to(table: Entries, spots: Sequence[Spot], library: ReferenceLibrary) -> str:
    name = table.text("relative_to")
    if not name or name in [spot.name for spot in spots]:
        return name
    key = plate_pigment_key(name, table, "relative_to", library)
    if key not in [spot.pigment for spot in spots]:
        raise table.fail(
            "relative_to", f"is {name!r}, but no spot of this plate has that name or pigment."
        )
    return key
