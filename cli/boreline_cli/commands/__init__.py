"""One module per command; each offers `register(app)` and imports its heavy parts inside the command body."""

from boreline_cli.commands import (
    analyse,
    assess,
    batch,
    benchmark,
    columns,
    coregister,
    demo,
    export,
    import_contours,
    inspect,
    phantom,
    plan,
    profile,
    reanalyse,
    report,
    review,
    rules,
)

MODULES = (
    demo,
    inspect,
    analyse,
    reanalyse,
    coregister,
    profile,
    review,
    plan,
    assess,
    rules,
    report,
    export,
    import_contours,
    batch,
    benchmark,
    phantom,
    columns,
)
"""In the order in which `boreline --help` lists them."""
