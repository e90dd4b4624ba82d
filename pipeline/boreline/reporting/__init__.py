"""What leaves the program: report page, DICOM objects and exchange files."""
