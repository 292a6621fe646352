"""Length units as files write them."""

from __future__ import annotations

# Micrometres in one unit. Symbols as the OME schema (UnitsLength) and UCUM spell them; the sign
# for micro exists twice in Unicode (U+00B5 and U+03BC) and both are written "u" here.
_SYMBOLS = {
    "pm": 1e-6,
    "\u00c5": 1e-4,  # Å, which Unicode holds twice as well
    "\u212b": 1e-4,
    "nm": 1e-3,
    "um": 1.0,
    "mm": 1e3,
    "cm": 1e4,
    "dm": 1e5,
    "m": 1e6,
    "in": 25_400.0,
    '"': 25_400.0,
}
_WORDS = {
    "angstrom": 1e-4,
    "nanometer": 1e-3,
    "micron": 1.0,
    "micrometer": 1.0,
    "millimeter": 1e3,
    "centimeter": 1e4,
    "meter": 1e6,
    "inch": 25_400.0,
    "inche": 25_400.0,
}


def micrometres_in(unit: str) -> float | None:
    """Return how many µm one unit is, or None for a word that names no length.

    >>> micrometres_in("mm"), micrometres_in("\\\\u00B5m"), micrometres_in("pixel")
    (1000.0, 1.0, None)
    """
    text = unit.strip().strip("\0").strip()
    # The escape is what ASCII-only headers hold; the two-letter forms are UTF-8 read as Latin-1.
    for micro in ("\\u00b5", "\\u00B5", "\\u03bc", "\\u03BC", "Âµ", "Î¼", "µ", "μ"):
        text = text.replace(micro, "u")
    if text in _SYMBOLS:
        return _SYMBOLS[text]
    word = text.lower().replace("metre", "meter").removesuffix("s")
    return _WORDS.get(word)


def tidy(value: float) -> float:
    """Drop digits below a part in 10¹², which unit conversion leaves behind.

    >>> tidy(0.0023 * 1000)
    2.3
    """
    return float(f"{value:.12g}")
