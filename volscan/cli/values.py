"""Words of the command line turned into values."""

from __future__ import annotations

from typing import TYPE_CHECKING

from volscan.errors import SettingsError

if TYPE_CHECKING:
    from volscan.readers import RawLayout


def voxel_um(text: str | None) -> float | tuple[float, float, float] | None:
    """Read ``V`` or ``Z,Y,X``.

    >>> voxel_um("4"), voxel_um("8,4,4")
    (4.0, (8.0, 4.0, 4.0))
    """
    if text is None:
        return None
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) == 1:
        return values[0]
    if len(values) == 3:
        return values[0], values[1], values[2]
    raise SettingsError(f"--voxel-um needs one number or three as Z,Y,X in µm, got {text!r}")


def threshold(text: str) -> str | float:
    """Read ``half-max``, ``otsu`` or a grey value."""
    if text in ("half-max", "otsu"):
        return text
    try:
        return float(text)
    except ValueError:
        raise SettingsError(
            f"--threshold must be half-max, otsu or a grey value, got {text!r}"
        ) from None


def mirrored(text: str | None) -> bool | None:
    """Read ``yes`` or ``no``."""
    if text is None:
        return None
    if text not in ("yes", "no"):
        raise SettingsError(f"--mirrored must be yes or no, got {text!r}")
    return text == "yes"


def only_walls(text: str | None) -> bool:
    """Read ``walls``."""
    if text not in (None, "walls"):
        raise SettingsError(f"--only must be walls, got {text!r}")
    return text is not None


def raw_layout(
    shape: str | None, dtype: str | None, order: str | None, offset: int | None
) -> RawLayout | None:
    """Build the layout of a headerless file from its four options, or None where none is given."""
    if shape is None and dtype is None:
        if order is not None or offset is not None:
            raise SettingsError("--raw-order and --raw-offset need --raw-shape and --raw-type")
        return None
    if shape is None or dtype is None:
        raise SettingsError("a headerless file needs both --raw-shape Z,Y,X and --raw-type")
    try:
        counts = tuple(int(part) for part in shape.split(","))
    except ValueError:
        raise SettingsError(f"--raw-shape needs three counts Z,Y,X, got {shape!r}") from None
    if order not in (None, "little", "big"):
        raise SettingsError(f"--raw-order must be little or big, got {order!r}")
    from volscan.readers import RawLayout

    return RawLayout(counts, dtype, "big" if order == "big" else "little", offset or 0)
