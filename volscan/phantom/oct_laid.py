"""A print that is still growing: the first layers of a scaffold."""

from __future__ import annotations

from dataclasses import replace

from volscan.errors import SettingsError
from volscan.phantom.form import Form
from volscan.phantom.pieces import BuiltWall
from volscan.phantom.scaffold import Scaffold, ScaffoldSpec


def first_layers(scaffold: Scaffold, layers: int) -> Scaffold:
    """Return the lowest layers of a scaffold, each fibre where the finished print has it.

    Parameters
    ----------
    scaffold
        The finished print.
    layers
        Distinct fibre heights that are laid.

    Raises
    ------
    SettingsError
        If there are not so many layers, an interleaved print has not yet a layer of each
        direction, or the print is released from its plate.
    """
    spec = scaffold.spec
    if layers == spec.layers:
        return scaffold
    if not 1 <= layers < spec.layers:
        raise SettingsError(f"layers_laid must be from 1 to {spec.layers}, got {layers}")
    if spec.form.release is not None:
        raise SettingsError("a print that grows is not yet released: leave out layers_laid")
    n = len(spec.directions_deg)
    if spec.morphology == "interleaved" and layers < n:
        raise SettingsError(f"layers_laid must be at least {n}, a layer of each direction")
    kept = tuple(
        (layers if spec.morphology == "fused" else len(range(f, layers, n))) for f in range(n)
    )
    walls = []
    counts = dict.fromkeys(range(n), 0)
    bows: list[list[float]] = [[] for _ in range(n)]
    for wall in scaffold.walls:
        m = kept[wall.family]
        number = counts[wall.family]
        counts[wall.family] += 1
        # The same parabola over less of the height: its middle stands out less, as the square.
        share = _rise(wall, m) / _rise(wall, len(wall.heights_um)) if m > 1 else 0.0
        bows[wall.family].append(spec.form.bow(wall.family, number) * share**2)
        walls.append(
            replace(
                wall,
                heights_um=wall.heights_um[:m],
                positions_um=wall.positions_um[:m],
                ends_um=wall.ends_um[:m],
            )
        )
    top = max(float(w.heights_um[-1]) for w in walls) + scaffold.height_um / 2
    strands = tuple(
        s
        for s in scaffold.strands
        if (s.family >= 0 and s.step < kept[s.family])
        or (s.kind == "bridge" and float(s.points_um[:, 2].max()) < top)
    )
    form = _form(spec, layers, kept, bows, top)
    return replace(
        scaffold, spec=replace(spec, layers=layers, form=form), strands=strands, walls=tuple(walls)
    )


def _rise(wall: BuiltWall, fibres: int) -> float:
    return float(wall.heights_um[fibres - 1] - wall.heights_um[0]) or 1.0


def _form(
    spec: ScaffoldSpec, layers: int, kept: tuple[int, ...], bows: list[list[float]], top_um: float
) -> Form:
    """What departs from straight, of the fibres that are laid."""
    form = spec.form
    factor = 1.0
    if spec.layers > 1:
        factor += (form.layer_factor - 1) * (layers - 1) / (spec.layers - 1)
    membrane = form.membrane
    if membrane is not None and membrane.base_um >= top_um:
        membrane = None
    return replace(
        form,
        layer_factor=factor,
        rise_bow_um=tuple(tuple(b) for b in bows) if form.rise_bow_um else (),
        missing=tuple(s for s in form.missing if s.fibre < kept[s.family]),
        broken=tuple(b for b in form.broken if b.site.fibre < kept[b.site.family]),
        doubled=tuple(d for d in form.doubled if d.site.fibre < kept[d.site.family]),
        bridges=tuple(b for b in form.bridges if max(b.from_um[2], b.to_um[2]) < top_um),
        spikes=None,
        membrane=membrane,
    )
