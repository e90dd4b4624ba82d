"""One module per command; each offers `register(app)` and imports its heavy parts inside the command body."""

from boreline_cli.commands import analyse, columns, coregister, export, inspect, phantom, report, rules

MODULES = (inspect, analyse, coregister, rules, report, export, phantom, columns)
"""In the order in which `boreline --help` lists them."""
