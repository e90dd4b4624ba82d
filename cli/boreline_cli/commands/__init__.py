"""One module per command; each offers `register(app)` and imports its heavy parts inside the command body."""

from boreline_cli.commands import analyse, columns, phantom, rules

MODULES = (analyse, rules, phantom, columns)
"""In the order in which `boreline --help` lists them."""
