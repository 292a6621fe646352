"""volscan: from a micro-CT or OCT stack of a melt-electrowritten scaffold to numbers.

>>> import volscan
>>> results = volscan.measure("patch.tif", voxel_um=4.0)  # doctest: +SKIP
>>> results.porosity.total  # doctest: +SKIP
0.912 ± 0.003 (n = 36)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from volscan.correcting import correct
    from volscan.design import Design
    from volscan.errors import VolscanError
    from volscan.pipeline import measure
    from volscan.quantity import Notice, Quantity
    from volscan.readers import RawLayout, open_scan
    from volscan.report import write_report, write_reports
    from volscan.results import Results
    from volscan.scaninfo import scan_info
    from volscan.settings import Settings
    from volscan.volume import Volume

# Where each public name lives; imported when first used, so that `import volscan` is quick.
_HOME = {
    "Design": "volscan.design",
    "Notice": "volscan.quantity",
    "Quantity": "volscan.quantity",
    "RawLayout": "volscan.readers",
    "Results": "volscan.results",
    "Settings": "volscan.settings",
    "Volume": "volscan.volume",
    "VolscanError": "volscan.errors",
    "correct": "volscan.correcting",
    "measure": "volscan.pipeline",
    "open_scan": "volscan.readers",
    "scan_info": "volscan.scaninfo",
    "write_report": "volscan.report",
    "write_reports": "volscan.report",
}

__all__ = [
    "Design",
    "Notice",
    "Quantity",
    "RawLayout",
    "Results",
    "Settings",
    "VolscanError",
    "Volume",
    "__version__",
    "correct",
    "measure",
    "open_scan",
    "scan_info",
    "write_report",
    "write_reports",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'volscan' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
