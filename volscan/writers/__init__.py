"""Writing volumes in the formats that labs open; each says the voxel size in its own standard.

Files are written beside and renamed into place, so that none is ever half there. What is written
reads back to the same samples and spacing, and the same input gives the same bytes.
"""

from volscan.writers.metaimage import write_metaimage
from volscan.writers.nifti import write_nifti
from volscan.writers.npy import write_npy
from volscan.writers.nrrd import write_nrrd
from volscan.writers.tiff import write_tiff

__all__ = ["write_metaimage", "write_nifti", "write_npy", "write_nrrd", "write_tiff"]
