"""Thin-layer plates: Rf and what follows, order, plate against scan, choice of solvent.

The names are loaded when first used: most runs need none of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from specfrac.lazy import loader

_HOMES = {
    "ColumnVolumes": "measure",
    "EvidenceRow": "evidence",
    "LiteratureRf": "measure",
    "OrderPair": "order",
    "OrderTest": "order",
    "Plate": "sheet",
    "PlatePigment": "sheet",
    "PlateResult": "measure",
    "PlatesResult": "evidence",
    "SolventChoice": "choice",
    "SolventRank": "choice",
    "Spot": "sheet",
    "SpotPair": "measure",
    "SpotResult": "measure",
    "Suggestion": "measure",
    "TubeEvidence": "evidence",
    "analyse_plates": "evidence",
    "chance_of_order": "order",
    "choose_developing_solvent": "choice",
    "choose_developing_solvents": "choice",
    "column_volumes": "measure",
    "literature_rf": "measure",
    "measure_plate": "measure",
    "mixture_parts": "sheet",
    "pigment_name": "order",
    "plate_pigments": "sheet",
    "plates_of": "sheet",
    "read_plates": "sheet",
    "resolution": "measure",
    "retardation_factor": "measure",
    "spot_label": "measure",
    "spot_pair": "measure",
    "tube_evidence": "evidence",
}

__all__ = [
    "ColumnVolumes",
    "EvidenceRow",
    "LiteratureRf",
    "OrderPair",
    "OrderTest",
    "Plate",
    "PlatePigment",
    "PlateResult",
    "PlatesResult",
    "SolventChoice",
    "SolventRank",
    "Spot",
    "SpotPair",
    "SpotResult",
    "Suggestion",
    "TubeEvidence",
    "analyse_plates",
    "chance_of_order",
    "choose_developing_solvent",
    "choose_developing_solvents",
    "column_volumes",
    "literature_rf",
    "measure_plate",
    "mixture_parts",
    "pigment_name",
    "plate_pigments",
    "plates_of",
    "read_plates",
    "resolution",
    "retardation_factor",
    "spot_label",
    "spot_pair",
    "tube_evidence",
]

if TYPE_CHECKING:
    from specfrac.plates.choice import (
        SolventChoice,
        SolventRank,
        choose_developing_solvent,
        choose_developing_solvents,
    )
    from specfrac.plates.evidence import (
        EvidenceRow,
        PlatesResult,
        TubeEvidence,
        analyse_plates,
        tube_evidence,
    )
    from specfrac.plates.measure import (
        ColumnVolumes,
        LiteratureRf,
        PlateResult,
        SpotPair,
        SpotResult,
        Suggestion,
        column_volumes,
        literature_rf,
        measure_plate,
        resolution,
        retardation_factor,
        spot_label,
        spot_pair,
    )
    from specfrac.plates.order import OrderPair, OrderTest, chance_of_order, pigment_name
    from specfrac.plates.sheet import (
        Plate,
        PlatePigment,
        Spot,
        mixture_parts,
        plate_pigments,
        plates_of,
        read_plates,
    )


__getattr__ = loader(__name__, _HOMES)
