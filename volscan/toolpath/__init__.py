"""The print's numeric-control file: read, matched to the measured walls, and shifted."""




