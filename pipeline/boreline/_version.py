"""The version of the program and of its algorithms, written into every `run.json`."""

__version__ = "0.1.0"
