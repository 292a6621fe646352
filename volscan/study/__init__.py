"""Several scans: groups, pairs and repeats of one manifest, measured, compared and reported."""

from volscan.study.manifest import StudyEntry, read_manifest
from volscan.study.run import Study, run_study
from volscan.study.write import write_study

__all__ = ["Study", "StudyEntry", "read_manifest", "run_study", "write_study"]
