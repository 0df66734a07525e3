"""Where sheets of worked figures lie; apart, since looking for them is all most runs need."""

from __future__ import annotations

from pathlib import Path

CLAIMS_FOLDER = "claims"
CLAIMS_NAMES = ("claims.toml", "claims.csv")


def claims_paths(folder: str | Path) -> tuple[Path, ...]:
    """Return the sheets of worked figures of a run folder, in a fixed order.

    ``claims.toml`` or ``claims.csv`` in the folder, and every such file in its
    subfolder ``claims``. Empty when there is none.
    """
    folder = Path(folder)
    found = [folder / name for name in CLAIMS_NAMES if (folder / name).is_file()]
    inside = folder / CLAIMS_FOLDER
    if inside.is_dir():
        found += sorted(
            path
            for path in inside.iterdir()
            if path.suffix.lower() in (".toml", ".csv") and not path.name.startswith((".", "_"))
        )
    return tuple(found)
