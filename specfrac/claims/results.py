"""What a check of worked figures reports: steps, people, a class."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from specfrac.claims.slips import slips
from specfrac.flags import Flag

if TYPE_CHECKING:
    import pandas as pd

RIGHT, OTHER_METHOD = "right", "right by another valid method"
DEPARTS, CARRIED, UNCHECKED = "departs", "carried", "not checked"

LABELS = {
    "solvent": "solvent",
    "equations": "equations used",
    "absorptivity": "absorptivity used, L/(g cm)",
    "molar_mass": "molar mass, g/mol",
    "path_length": "path length, cm",
    "dilution_factor": "dilution factor",
    "volume": "volume of the tube, mL",
    "loaded_volume": "loaded volume, mL",
    "extract_volume": "extract volume, mL",
    "tissue_mass": "mass of tissue, g",
    "molar_concentration": "concentration in the cuvette, µmol/L",
    "concentration": "concentration in the cuvette, mg/L",
    "tube_concentration": "concentration in the tube, mg/L",
    "mass": "mass, µg",
    "amount": "amount, nmol",
    "loaded_mass": "mass loaded, µg",
    "recovery": "recovery, fraction of one",
    "content": "content, µg per g of tissue",
    "share": "share of the coloured pigment, fraction of one",
    "distance_mm": "distance of the spot, mm",
    "origin_mm": "distance of the origin, mm",
    "front_mm": "distance of the front, mm",
    "rf": "Rf",
}


@dataclass(frozen=True, slots=True)
class StepCheck:
    """One figure of a working, checked.

    Attributes
    ----------
    quantity, label : str
    written : str
        As the person wrote it.
    claimed : float
        In our unit; NaN for a word.
    expected : float
        From the person's own figures before it; NaN when nothing can be computed.
    right : float
        From scan, run sheet and published data.
    verdict : str
        ``"right"``, ``"right by another valid method"``, ``"departs"``, ``"carried"`` (follows
        from an earlier departure) or ``"not checked"``.
    factor : float
        Claimed over expected, of a step that departs.
    slip : str or None
        Code of the likeliest slip of a step that departs, ``"unnamed"`` when none fits.
    others : tuple of str
        Codes of slips that would explain it as well.
    note : str
    method_gap : float
        By what fraction a right figure differs from the fit of the whole scan, where that is
        worth saying; NaN otherwise.
    """

    quantity: str
    label: str
    written: str
    claimed: float
    expected: float
    right: float
    verdict: str
    factor: float = math.nan
    slip: str | None = None
    others: tuple[str, ...] = ()
    note: str = ""
    method_gap: float = math.nan

    @property
    def sentence(self) -> str:
        """What happened at this step, in words."""
        if self.verdict == DEPARTS:
            return _departure(self)
        words = {
            RIGHT: "right",
            OTHER_METHOD: "right by another valid method",
            CARRIED: "follows from an earlier figure; no new error",
            UNCHECKED: "not checked",
        }[self.verdict]
        return f"{words}: {self.note}" if self.note else words


def _departure(step: StepCheck) -> str:
    factor = ""
    if math.isfinite(step.factor):
        factor = f" (claimed over expected: {plain_factor(step.factor)})"
    if step.slip in (None, "unnamed"):
        return f"departs{factor}; no usual slip explains it. {step.note}".strip()
    slip = slips()[str(step.slip)]
    detail = f", {step.note}" if step.note else ""
    rivals = [slips()[code].label for code in step.others if code in slips()]
    other = f" Or: {'; '.join(rivals)}." if rivals else ""
    return f"departs{factor}: {slip.label}{detail}. {slip.advice.capitalize()}.{other}"


def plain_factor(value: float) -> str:
    """Return a factor with three digits, not in powers of ten.

    Examples
    --------
    >>> plain_factor(1000.4), plain_factor(0.25)
    ('1000', '0.25')
    """
    return f"{float(f'{value:.3g}'):g}"


@dataclass(frozen=True, slots=True, eq=False)
class ClaimResult:
    """The working for one pigment in one tube (or one Rf), checked.

    Attributes
    ----------
    title : str
    fraction, pigment : str
    steps : tuple of StepCheck
        In the order of the working.
    """

    title: str
    fraction: str
    pigment: str
    steps: tuple[StepCheck, ...]

    @property
    def departures(self) -> tuple[StepCheck, ...]:
        """New errors, first one first."""
        return tuple(step for step in self.steps if step.verdict == DEPARTS)

    @property
    def passed(self) -> bool:
        """True when no step departs."""
        return not self.departures


@dataclass(frozen=True, slots=True, eq=False)
class ClaimsResult:
    """All one person's figures, checked.

    Attributes
    ----------
    person : str
        A code.
    claims : tuple of ClaimResult
    flags : tuple of Flag
    """

    person: str
    claims: tuple[ClaimResult, ...]
    flags: tuple[Flag, ...]

    def _repr_html_(self) -> str:
        """Show the checked figures in a notebook."""
        from specfrac.report import class_fragment

        return class_fragment((self,))

    @property
    def departures(self) -> tuple[tuple[ClaimResult, StepCheck], ...]:
        """New errors with the working they stand in."""
        return tuple((claim, step) for claim in self.claims for step in claim.departures)

    @property
    def first(self) -> tuple[ClaimResult, StepCheck] | None:
        """The first step that departs, or None."""
        return self.departures[0] if self.departures else None

    @property
    def passed(self) -> bool:
        """True when no step departs."""
        return not self.departures

    @property
    def slips(self) -> tuple[str, ...]:
        """Codes of the slips, each once, in order."""
        return tuple(dict.fromkeys(str(step.slip) for _, step in self.departures))

    def steps_frame(self) -> pd.DataFrame:
        """Return a row a step."""
        import pandas as pd

        rows = [
            _step_row(self.person, claim, step) for claim in self.claims for step in claim.steps
        ]
        return pd.DataFrame(rows)

    def record(self) -> dict[str, Any]:
        """Return the check as plain data for JSON."""
        return {
            "person": self.person,
            "passed": self.passed,
            "slips": list(self.slips),
            "steps": [
                _step_row(self.person, claim, step) for claim in self.claims for step in claim.steps
            ],
            "flags": [flag.as_dict() for flag in self.flags],
        }


def _step_row(person: str, claim: ClaimResult, step: StepCheck) -> dict[str, Any]:
    return {
        "person": person,
        "fraction": claim.fraction,
        "pigment": claim.pigment,
        "step": step.quantity,
        "written": step.written,
        "claimed": step.claimed,
        "expected": step.expected,
        "right": step.right,
        "verdict": step.verdict,
        "factor": step.factor,
        "slip": step.slip,
        "other_slips": list(step.others),
        "sentence": step.sentence,
    }


@dataclass(frozen=True, slots=True, eq=False)
class ClassResult:
    """A class: a row a person, and what slips are commonest.

    Attributes
    ----------
    people : tuple of ClaimsResult
        In the order given.
    refused : tuple of (str, str)
        File and reason of sheets that could not be checked.
    """

    people: tuple[ClaimsResult, ...]
    refused: tuple[tuple[str, str], ...] = ()

    def _repr_html_(self) -> str:
        """Show the checked figures in a notebook."""
        from specfrac.report import class_fragment

        return class_fragment(self)

    def commonest(self) -> list[tuple[str, int]]:
        """Return slips with the number of people who made them, commonest first."""
        counts = Counter(code for person in self.people for code in person.slips)
        return sorted(counts.items(), key=lambda item: (-item[1], item[0]))

    def people_frame(self) -> pd.DataFrame:
        """Return a row a person: steps, departures, first departing step, factor, slip."""
        import pandas as pd

        return pd.DataFrame([person_row(one) for one in self.people])

    def slips_frame(self) -> pd.DataFrame:
        """Return a row a slip: how many made it, what it is, what to do."""
        import pandas as pd

        rows = [
            {"slip": code, "people": count, "label": slip_label(code), "advice": slip_advice(code)}
            for code, count in self.commonest()
        ]
        return pd.DataFrame(rows, columns=["slip", "people", "label", "advice"])

    def steps_frame(self) -> pd.DataFrame:
        """Return a row a step of everybody."""
        import pandas as pd

        if not self.people:
            return pd.DataFrame()
        return pd.concat([one.steps_frame() for one in self.people], ignore_index=True)

    def record(self) -> dict[str, Any]:
        """Return the class as plain data for JSON."""
        return {
            "people": [one.record() for one in self.people],
            "slips": [
                {"slip": code, "people": count, "label": slip_label(code)}
                for code, count in self.commonest()
            ],
            "refused": [{"file": file, "reason": reason} for file, reason in self.refused],
        }


def person_row(one: ClaimsResult) -> dict[str, Any]:
    """Return one person's line of the class table."""
    steps = [step for claim in one.claims for step in claim.steps]
    first = one.first
    return {
        "person": one.person,
        "figures": len(steps),
        "right": sum(step.verdict in (RIGHT, OTHER_METHOD) for step in steps),
        "departures": len(one.departures),
        "carried": sum(step.verdict == CARRIED for step in steps),
        "first_departure": f"{first[0].title}: {first[1].label}" if first else None,
        "factor": first[1].factor if first else None,
        "slip": first[1].slip if first else None,
        "slips": list(one.slips),
    }


def slip_label(code: str) -> str:
    """Return what a slip is called."""
    return slips()[code].label if code in slips() else "no usual slip explains it"


def slip_advice(code: str) -> str:
    """Return what to do about a slip."""
    return slips()[code].advice if code in slips() else "go through the step by hand"
