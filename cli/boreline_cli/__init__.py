"""The command line: parse, call, print. Nothing is computed here."""
