"""Where TIFF files keep their voxel spacing.

OME-TIFF: the attributes PhysicalSizeX, Y, Z of `Pixels` and their units, which the OME schema
(ome.xsd, 2016-06) defaults to µm. ImageJ: `unit` and `spacing` in the image description, and in
the plane the resolution tags as pixels for each unit. The baseline resolution tags alone say
nothing about the distance of slices and are mostly a screen's default: they are not used.
"""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

from volscan.readers.contract import ToldSpacing
from volscan.readers.units import micrometres_in, tidy


def told_by_tiff(tif: Any) -> ToldSpacing:
    """Return what an open tifffile.TiffFile tells about its spacing."""
    if tif.is_ome and tif.ome_metadata:
        return told_by_ome(tif.ome_metadata)
    description = tif.pages[0].description or ""
    if description.startswith("ImageJ="):
        return _told_by_imagej(description, tif.pages[0].tags)
    return ToldSpacing(
        missing="its TIFF tags hold no distance of slices (resolution tags tell no voxel size)"
    )


def told_by_ome(xml: str) -> ToldSpacing:
    """Return what an OME-XML text tells; the first image counts."""
    try:
        # Entities are refused by tifffile's writers and never needed; expat expands none of ours.
        root = ElementTree.fromstring(xml)
    except (ElementTree.ParseError, ValueError):
        return ToldSpacing(missing="its OME-XML cannot be parsed")
    pixels = next((e for e in root.iter() if e.tag.rpartition("}")[2] == "Pixels"), None)
    if pixels is None:
        return ToldSpacing(missing="its OME-XML describes no pixels")
    sizes: list[float | None] = []
    why = []
    for axis in "ZYX":
        value = pixels.get(f"PhysicalSize{axis}")
        unit = pixels.get(f"PhysicalSize{axis}Unit", "µm")
        factor = micrometres_in(unit)
        number = _number(value)
        if number is None:
            why.append(f"no PhysicalSize{axis}")
        elif factor is None:
            why.append(f"PhysicalSize{axis} in {unit!r}, which is no length")
        sizes.append(None if number is None or factor is None else _rounded(number * factor))
    z, y, x = sizes
    return ToldSpacing((z, y, x), "OME-XML", f"its OME-XML has {', '.join(why)}")


def _told_by_imagej(description: str, tags: Any) -> ToldSpacing:
    fields: dict[str, str] = dict(re.findall(r"^([A-Za-z]+)=(.*?)\r?$", description, re.MULTILINE))
    unit = fields.get("unit", "")
    factor = micrometres_in(unit)
    origin = "ImageJ metadata"
    if factor is None:
        what = f"the unit {unit!r}, which is no length" if unit else "no unit"
        return ToldSpacing(missing=f"its ImageJ metadata has {what}")
    y_factor = micrometres_in(fields.get("yunit", unit)) or float("nan")
    z_factor = micrometres_in(fields.get("zunit", unit)) or float("nan")
    x = _size(tags.get("XResolution"), factor)
    y = _size(tags.get("YResolution"), y_factor)
    step = _number(fields.get("spacing"))
    # ImageJ writes no spacing when the slices' distance was never set: it is then not told.
    z = None if step is None else _rounded(step * z_factor)
    lacks = [
        name for name, s in (("spacing", z), ("resolution", x), ("resolution", y)) if s is None
    ]
    return ToldSpacing((z, y, x), origin, f"its ImageJ metadata has no {' and no '.join(lacks)}")


def _size(tag: Any, factor: float) -> float | None:
    """Return the size of a pixel from pixels for each unit, stored as a fraction."""
    if tag is None:
        return None
    value = tag.value
    pixels, units = value if isinstance(value, tuple) else (float(value), 1.0)
    return _rounded(units / pixels * factor) if pixels else 0.0


def _rounded(value: float) -> float:
    # Fractions of 32-bit numbers, and ImageJ's six decimals, carry no more.
    return float(f"{tidy(value):.7g}")


def _number(text: str | None) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError:
        return None
