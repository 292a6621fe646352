"""Every exception and warning volscan raises.

::

    VolscanError(Exception)
    ├── InputError(ValueError)        the input cannot be used; one clear line, exit status 2
    │   ├── UnreadableError(OSError)  a file is missing, truncated, or not what its name says
    │   ├── SpacingError              no file and no user told the voxel size
    │   └── NothingToMeasureError     the scan holds nothing that can be measured
    ├── SettingsError(ValueError)     an option or design value that cannot be
    └── OutputError(OSError)          the results cannot be written

A message names what was expected, what came, and the next step, on one line.
"""


class VolscanError(Exception):
    """Root of all errors that volscan raises on purpose."""


class InputError(VolscanError, ValueError):
    """The input cannot be used."""


class UnreadableError(InputError, OSError):
    """A file is missing, truncated, or not what its name says."""


class SpacingError(InputError):
    """Neither the file nor the user told the voxel size."""


class NothingToMeasureError(InputError):
    """The scan holds nothing that can be measured."""


class SettingsError(VolscanError, ValueError):
    """An option or a design value that cannot be."""


class OutputError(VolscanError, OSError):
    """The results cannot be written."""
