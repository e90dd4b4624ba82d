"""One module per command; each offers `register(app)` and imports its heavy parts inside the command body."""

from boreline_cli.commands import analyse, columns, inspect, phantom, rules

MODULES = (inspect, analyse, rules, phantom, columns)
"""In the order in which `boreline --help` lists them."""
