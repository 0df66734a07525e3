"""Invented records of runs, in the format of result.json, for tests of the comparison.

Leaf, methods and numbers are invented. A run extracts part of the leaf's pigment, puts
it on a column and gets part of it back; what the record says differs from that by the
run's own errors and by those all runs share.
"""

from __future__ import annotations

import hashlib
import json
import math

import numpy as np

LEAF = {  # µg/g, invented
    "beta-carotene": ("carotene", 50.0),
    "lutein": ("xanthophyll", 60.0),
    "chlorophyll-a": ("chlorophyll", 900.0),
    "chlorophyll-b": ("chlorophyll", 330.0),
    "pheophytin-a": ("pheophytin", 12.0),
}
TARGET = "beta-carotene"
POOLS = {
    "carotenoids": ("beta-carotene", "lutein"),
    "chlorophyll-a-pool": ("chlorophyll-a", "pheophytin-a"),
}
OWN = {"noise and baseline": 0.010, "dilution": 0.008}  # relative
SHARED = {"band shape of the reference": 0.01, "photometer gain": 0.003, "path length": 0.003}
ABSORPTIVITY = 0.03  # relative
TISSUE_ERROR = (("tissue mass", 0.005),)
LOADED_ERROR = (("loaded volume", 0.01),)
SHARE_BUDGET = {
    "noise and baseline": 0.008,
    "band shape of the reference": 0.015,
    "absorptivity of beta-carotene in hexane": 0.002,
}
CONVERSION_BUDGET = {
    "noise and baseline": 0.004,
    "made-up volume": 0.001,
    "absorptivity of pheophytin a in acetone-90": 0.0027,
}
TISSUE, EXTRACT, LOADED = 0.5, 10.0, 5.0


def budget(value, pigment, solvent, *, more=()):
    """Contributions to a value's uncertainty, by source."""
    parts = {**OWN, **SHARED, **dict(more), f"absorptivity of {pigment} in {solvent}": ABSORPTIVITY}
    return {source: abs(value) * size for source, size in parts.items()}


def measured(name, value, parts, unit=""):
    suffix = f"_{unit}" if unit else ""
    return {
        f"{name}{suffix}": value,
        f"{name}_standard_uncertainty{suffix}": math.hypot(*parts.values()),
        f"{name}_budget{suffix}": parts,
    }


def row(pigment, group, content, volume, solvent, *, recovery=None):
    """One pigment, or a sum, in one tube; content in µg per g of tissue."""
    mass = content * TISSUE * LOADED / EXTRACT
    concentration = mass / volume
    own = math.hypot(*OWN.values()) * abs(concentration)
    return {
        "pigment": pigment,
        "group": group,
        "grade": "measured",
        "for_mass": True,
        "concentration_mg_per_L": max(concentration, 0.0),
        "concentration_unconstrained_mg_per_L": concentration,
        "standard_uncertainty_mg_per_L": own,
        "detection_limit_mg_per_L": 0.05,
        "detected": concentration > 0.03,
        "quantified": concentration > 0.15,
        "merged_into": None,
        **measured("mass", max(mass, 0.0), budget(mass, pigment, solvent), "ug"),
        "mass_unconstrained_ug": mass,
        **measured(
            "content", content, budget(content, pigment, solvent, more=TISSUE_ERROR), "ug_per_g"
        ),
        **_recovery(recovery, pigment, solvent),
        "share": None,
    }


def _recovery(recovery, pigment, solvent):
    if recovery is None:
        return {"recovery": None}
    return measured("recovery", recovery, budget(recovery, pigment, solvent))


def rows(contents, volume, solvent, recoveries=None):
    single = [
        row(key, LEAF[key][0], value, volume, solvent, recovery=(recoveries or {}).get(key))
        for key, value in contents.items()
    ]
    groups = []
    for name, members in POOLS.items():
        held = row(name, "", sum(contents[key] for key in members), volume, solvent)
        held.pop("pigment")
        groups.append({**held, "group": name, "members": list(members), "merged": False})
    return single, groups


def invented_record(
    *,
    method="shake",
    block="lot 1",
    number=0,
    rng=None,
    effect=None,
    scatter=0.05,
    block_effect=1.0,
    basis="fresh",
    library="2",
    program="0.1.0",
    date=None,
    target=TARGET,
    flags=(),
    tube_flags=(),
    share=0.97,
    conversion=0.08,
    closure=0.92,
    lower_bound=False,
    check=None,
    padding=False,
    settings=None,
):
    """A run's record.

    `effect` multiplies the yield of single pigments; `scatter` is the relative standard
    deviation of a run. `padding` makes it as large as a real one.
    """
    rng = np.random.default_rng(number) if rng is None else rng
    common = block_effect * (1 + scatter * rng.standard_normal())
    extracted = {
        key: amount
        * common
        * (effect or {}).get(key, 1.0)
        * (1 + 0.3 * scatter * rng.standard_normal())
        for key, (_, amount) in LEAF.items()
    }
    recovered = {key: closure * (1 + 0.4 * scatter * rng.standard_normal()) for key in LEAF}
    cut = {key: extracted[key] * (recovered[key] if key == TARGET else 0.005) for key in LEAF}
    single, groups = rows(extracted, LOADED, "acetone-90")
    cut_single, cut_groups = rows(cut, 3.0, "hexane", {TARGET: cut[TARGET] / extracted[TARGET]})
    total = sum(extracted.values())
    seen_share = min(share + 0.01 * rng.standard_normal(), 1.0)
    name = f"{method}-{number}"
    mass = total * TISSUE * LOADED / EXTRACT
    fractions = [
        {
            "name": "crude",
            "role": "loaded",
            "solvent": "acetone-90",
            "pigments": single,
            "groups": groups,
            "flags": [],
            "purity": None,
            **measured("mass", mass, budget(mass, "x", "acetone-90", more=LOADED_ERROR), "ug"),
        },
        {
            "name": "yellow",
            "role": "cut",
            "solvent": "hexane",
            "pigments": cut_single,
            "groups": cut_groups,
            "flags": flags_of(tube_flags),
            "purity": {
                "target": target,
                **measured("target_share", seen_share, SHARE_BUDGET),
            },
        },
    ]
    if check is not None:
        fractions.append(
            {"name": "stored carotene", "role": "standard", "solvent": "hexane", "groups": [],
             "pigments": [{"concentration_unconstrained_mg_per_L": check}], "flags": []}
        )  # fmt: skip
    record = {
        "format": 1,
        "specfrac_version": program,
        "library_version": library,
        "settings": settings or {"linear_limit": 2.0},
        "inputs": [
            {"path": "run.toml", "sha256": digest(f"{name} {block} sheet {rng.integers(1 << 60)}")},
            {"path": "scans/crude.csv", "sha256": digest(f"{name} crude {rng.integers(1 << 60)}")},
        ],
        "run": {
            "title": name,
            "method": method,
            "block": block,
            "date": date or f"2026-{1 + number // 28 % 12:02d}-{1 + number % 28:02d}",
            "tissue_mass_g": TISSUE,
            "tissue_mass_standard_uncertainty_g": 0.002,
            "tissue_basis": basis,
            "extract_volume_ml": EXTRACT,
            "extract_volume_standard_uncertainty_ml": 0.05,
            "loaded_volume_ml": LOADED,
            "loaded_volume_standard_uncertainty_ml": 0.05,
            "all_loaded": False,
            "target_pigment": target,
            "target_share": 0.95,
            "flags": flags_of(flags),
        },
        "fractions": fractions,
        "balance": balance(recovered, conversion, rng, lower_bound),
    }
    if padding:  # the parts of a record that a comparison does not read
        record["fractions"] += [
            {**fraction, "name": f"tube {at}", "role": "blank"}
            for at in range(8)
            for fraction in fractions
        ]
    return json.loads(json.dumps(record, default=lambda number: number.item()))


def balance(recovered, conversion, rng, lower_bound):
    names = {
        "coloured pigment": np.mean(list(recovered.values())),
        "carotenoids": np.mean([recovered[key] for key in POOLS["carotenoids"]]),
        "porphyrins": np.mean([recovered[key] for key in POOLS["chlorophyll-a-pool"]]),
        "beta-carotene": recovered["beta-carotene"],
        "lutein": recovered["lutein"],
        "chlorophyll-a": recovered["chlorophyll-a"],
    }
    rows_ = [
        {
            "name": name,
            "kind": "pigment" if name in LEAF else "pool",
            "lower_bound": lower_bound,
            **measured("closure", float(value), budget(value, name, "hexane")),
        }
        for name, value in names.items()
    ]
    found = conversion + 0.005 * rng.standard_normal()
    return {
        "loaded": "crude",
        "rows": rows_,
        "porphyrins": [
            {"kind": "a", **measured("conversion", found, CONVERSION_BUDGET)},
        ],
    }


def flags_of(codes):
    return [{"code": code, "severity": "warn", "message": ""} for code in codes]


def digest(words):
    return hashlib.sha256(words.encode()).hexdigest()


def season(counts, *, seed=1, blocks=("lot 1", "lot 2"), **more):
    """Records of several methods; `counts` by method, blocks in turn.

    A further keyword may be a mapping by method.
    """
    rng = np.random.default_rng(seed)
    shift = dict(zip(blocks, 1 + 0.1 * rng.standard_normal(len(blocks)), strict=True))
    records = []
    for position, (method, count) in enumerate(counts.items()):
        for at in range(count):
            block = blocks[at % len(blocks)]
            settings = {
                key: value[method] if isinstance(value, dict) and method in value else value
                for key, value in more.items()
            }
            records.append(
                invented_record(
                    method=method,
                    block=block,
                    number=position + len(counts) * at,
                    rng=rng,
                    block_effect=shift[block],
                    **settings,
                )
            )
    return records
