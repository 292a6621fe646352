"""The volume that porosity and pores refer to, and the share of each voxel inside it."""

from volscan.envelope.cover import coverage, coverage_of_slab, extended_planes
from volscan.envelope.make import make_envelope
from volscan.envelope.shell import make_shell

__all__ = ["coverage", "coverage_of_slab", "extended_planes", "make_envelope", "make_shell"]
