"""The build frame from a plate that lies in the scan: its face is the base plane."""

from __future__ import annotations

from volscan.geometry import Up
from volscan.prepare.collector import Collector
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice


def collector_below(material: MaterialMap, up: Up | None) -> Collector | None:
    """Return the plate in the scan when it lies on the side that `up` points away from.

    A plate on any other side is a holder: the user's word goes before what it suggests.
    """
    plate = material.collector
    return plate if plate is not None and up in (None, plate.up) else None


def collector_notices(material: MaterialMap, up: Up | None) -> tuple[Notice, ...]:
    """Return a notice when the plate in the scan is not where the user's `up` puts it.

    Examples
    --------
    >>> collector_notices(material, "+z")  # doctest: +SKIP
    ()
    """
    plate = material.collector
    if plate is None or up in (None, plate.up):
        return ()
    return (
        Notice(
            "collector_not_below",
            f"up was told to be {up}, the plate in the scan lies opposite {plate.up}: it was taken "
            "for a holder and left out, and up is as told",
        ),
    )
