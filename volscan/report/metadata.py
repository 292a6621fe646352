"""What only the user knows of a scan and its specimen, read from a small TOML file."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from volscan.errors import SettingsError, UnreadableError

# Key: (name in a sentence, unit printed after its value).
SCANNER_KEYS: dict[str, tuple[str, str]] = {
    "scanner": ("scanner", ""),
    "voltage_kv": ("tube voltage", "kV"),
    "current_ua": ("tube current", "µA"),
    "power_mw": ("optical power on the specimen", "mW"),
    "target": ("target", ""),
    "filter": ("filter", ""),
    "exposure_ms": ("exposure", "ms"),
    "frames": ("frames averaged", ""),
    "projections": ("projections", ""),
    "rotation_step_deg": ("rotation step", "°"),
    "rotation_range_deg": ("rotation range", "°"),
    "binning": ("detector binning", ""),
    "reconstruction": ("reconstruction", ""),
    "ring_correction": ("ring correction", ""),
    "beam_hardening_correction": ("beam-hardening correction", ""),
    "wavelength_nm": ("centre wavelength", "nm"),
    "bandwidth_nm": ("bandwidth", "nm"),
    "scan_rate_khz": ("line rate", "kHz"),
    "quality_control": ("quality-control scans", ""),
}
SPECIMEN_KEYS: dict[str, tuple[str, str]] = {
    "polymer": ("polymer", ""),
    "medium": ("surrounding medium", ""),
    "temperature_c": ("temperature", "°C"),
    "specimens": ("number of specimens", ""),
    "region": ("place and size of the scanned region", ""),
    "image_choice": ("how the pictures shown were chosen", ""),
    "visual_check": ("visual check of all pictures", ""),
    "data_availability": ("data availability", ""),
}
_TABLES = {"scanner": SCANNER_KEYS, "specimen": SPECIMEN_KEYS}


@dataclass(frozen=True)
class ScanMetadata:
    """The metadata file's contents; a key that was not given is absent."""

    scanner: Mapping[str, Any] = field(default_factory=dict)
    specimen: Mapping[str, Any] = field(default_factory=dict)

    def text(self, key: str) -> str | None:
        """Return a value with its unit as it is printed, or None where it was not given.

        >>> ScanMetadata({"voltage_kv": 40}).text("voltage_kv")
        '40 kV'
        """
        for given, keys in ((self.scanner, SCANNER_KEYS), (self.specimen, SPECIMEN_KEYS)):
            if key in given and key in keys:
                unit = keys[key][1]
                value = given[key]
                shown = f"{value:g}" if isinstance(value, float) else _words(value)
                return shown + (unit if unit == "°" else f" {unit}" if unit else "")
        return None


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def read_metadata(path: str | Path) -> ScanMetadata:
    """Read a metadata file: the tables [scanner] and [specimen], every key optional.

    Raises
    ------
    UnreadableError
        If the file cannot be read or is not TOML.
    SettingsError
        If it holds a table or key that is not known: a misspelt key must not be lost in silence.

    Examples
    --------
    >>> read_metadata("scan.toml").text("voltage_kv")  # doctest: +SKIP
    '40 kV'
    """
    try:
        given = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableError(f"cannot read the metadata file {path}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UnreadableError(f"the metadata file {path} is not TOML: {error}") from error
    _check(given, _TABLES, path, "table")
    for name, keys in _TABLES.items():
        table = given.get(name, {})
        if not isinstance(table, dict):
            raise SettingsError(f"{path}: [{name}] must be a table of keys, got {table!r}")
        _check(table, keys, path, f"key in [{name}]")
        for key, value in table.items():
            if not isinstance(value, str | int | float | bool):
                raise SettingsError(
                    f"{path}: {name}.{key} must be a text or a number, got {value!r}"
                )
            _check_number(f"{path}: {name}.{key}", keys[key][1], value)
    return ScanMetadata(given.get("scanner", {}), given.get("specimen", {}))


def _check_number(name: str, unit: str, value: Any) -> None:
    if unit and (isinstance(value, str | bool) or not -1e9 < value < 1e9):
        raise SettingsError(f"{name} must be a number in {unit}, got {value!r}")


def _check(given: Mapping[str, Any], known: Mapping[str, Any], path: str | Path, what: str) -> None:
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, list(known), n=1)
            hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(known)}"
            raise SettingsError(f"{path}: there is no {what} called {key}{hint}")
