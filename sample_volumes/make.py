"""Make the sample scans: ``python sample_volumes/make.py`` in an environment with volscan.

Each folder's spec.toml becomes its scan, design and truth. The shifted patch is the first one
printed again: the first scan is measured, and the change of layer shift advised for each wall is
written into a copy of its spec. Nothing else is changed, so the same causes act again. The OCT
scans are of the same two prints, on their collector, with the table of oct_scanner.toml.
"""

from __future__ import annotations

from pathlib import Path

from volscan import Settings, measure
from volscan.phantom.files import make_phantom

HERE = Path(__file__).resolve().parent
OCT_SEED, OCT_SEED_SHIFTED = "seed = 31", "seed = 33"
FIRST, WELDED, SHIFTED = "eardrum_patch", "eardrum_patch_welded", "eardrum_patch_shifted"


def advised_rows(scan: Path) -> list[list[float]]:
    """Measure a scan; return the advised change in µm per fibre, one row of walls a family.

    Families are sorted by direction and walls by position, which is the order of the spec too as
    long as the patch is turned by less than the smallest angle between its directions.
    """
    settings = Settings(up="+z", mirrored=False, only_walls=True)
    results = measure(scan, settings=settings)
    change = {a.id: a.per_fibre_um.value for a in results.shift.advice if a.level == "wall"}
    rows: list[list[float]] = [[] for _ in results.fibres.families]
    for wall in results.walls:
        rows[wall.family].append(round(change[wall.id], 2))
    return rows


def shifted_spec(text: str, rows: list[list[float]]) -> str:
    """Return a spec with a layer shift added and another name and noise."""
    changes = {
        "every wall leans.": "the same causes, shifted.",
        'name = "eardrum patch"': 'name = "eardrum patch, shifted"',
        "\n\n[scanner]": f"\nshift_per_fibre_um = {rows}\n\n[scanner]",
        "seed = 21": "seed = 23",
    }
    for old, new in changes.items():
        if text.count(old) != 1:
            raise SystemExit(f"the spec of {FIRST} must hold {old!r} once")
        text = text.replace(old, new)
    return text


def oct_spec(text: str, name: str) -> str:
    """Return the spec of an OCT scan of the print that a CT scan's spec describes."""
    print_, scanner, _ = text.partition("[scanner]")
    if not scanner:
        raise SystemExit(f"the spec of {name} must hold a [scanner] table")
    table = (HERE / "oct_scanner.toml").read_text(encoding="utf-8")
    if name == SHIFTED:
        table = table.replace(OCT_SEED, OCT_SEED_SHIFTED)
    return print_ + table


def make_oct(name: str) -> None:
    """Make the OCT scan of a print whose CT scan's spec is there."""
    folder = HERE / f"{name}_oct"
    folder.mkdir(exist_ok=True)
    text = (HERE / name / "spec.toml").read_text(encoding="utf-8")
    (folder / "spec.toml").write_text(oct_spec(text, name), encoding="utf-8")
    make_phantom(folder / "spec.toml", folder, force=True)


def main() -> None:
    """Make all five."""
    for name in (FIRST, WELDED):
        make_phantom(HERE / name / "spec.toml", HERE / name, force=True)
    rows = advised_rows(HERE / FIRST / "scan.tif")
    text = (HERE / FIRST / "spec.toml").read_text(encoding="utf-8")
    folder = HERE / SHIFTED
    folder.mkdir(exist_ok=True)
    (folder / "spec.toml").write_text(shifted_spec(text, rows), encoding="utf-8")
    make_phantom(folder / "spec.toml", folder, force=True)
    for name in (FIRST, SHIFTED):
        make_oct(name)


if __name__ == "__main__":
    main()
