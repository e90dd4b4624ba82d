"""DICOM in, `Run` out: header checks, calibration, timing and lazily decoded frames."""
