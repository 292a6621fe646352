"""volscan: from a micro-CT or OCT stack of a melt-electrowritten scaffold to numbers."""

__version__ = "0.1.0"
