"""Agreement as a folder: tables as CSV and one page with difference plots."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from jinja2 import Environment, FileSystemLoader, select_autoescape

from boreline.benchmark.readings import agreement_table, pair_readings
from boreline.model import FloatArray
from boreline.results import new_folder

_WIDTH, _HEIGHT = 420.0, 220.0
_MOST_POINTS = 1500
"""Points drawn per plot; more are thinned evenly, all of them count in the figures."""


def write_agreement(first: Path, second: Path, out: Path, *, reviewed_only: bool = False) -> pd.DataFrame:
    """Compare two readings and write `pairs.csv`, `agreement.csv` and `index.html` into a new folder.

    Returns
    -------
    DataFrame
        The agreement table (`boreline.benchmark.readings.agreement_table`).

    Raises
    ------
    InputRefused
        The readings share no measured frame, or `out` exists.
    """
    pairs = pair_readings(first, second, reviewed_only=reviewed_only)
    table = agreement_table(pairs)
    environment = Environment(loader=FileSystemLoader(Path(__file__).parent), autoescape=select_autoescape())
    plots = [
        _difference_plot(str(structure), part["first_mm2"].to_numpy(), part["second_mm2"].to_numpy())
        for structure, part in pairs.groupby("structure", sort=False)
    ]
    page = environment.get_template("agreement.html.jinja").render(
        rows=[
            {
                "structure": row["structure"],
                "level": row["level"],
                "quantity": row["quantity"],
                "value": f"{row['value']:.4g}",
                "interval": "" if not np.isfinite(row["low"]) else f"{row['low']:.4g} to {row['high']:.4g}",
                "n": row["n"],
            }
            for row in table.to_dict("records")
        ],
        plots=[plot for plot in plots if plot],
        n_runs=pairs["run"].nunique(),
        width=_WIDTH,
        height=_HEIGHT,
    )
    with new_folder(out, replace=False) as target:
        pairs.to_csv(target / "pairs.csv", index=False, lineterminator="\n")
        table.to_csv(target / "agreement.csv", index=False, lineterminator="\n")
        (target / "index.html").write_text(page, encoding="utf-8")
    return table


def _difference_plot(structure: str, first: FloatArray, second: FloatArray) -> dict[str, object] | None:
    """A difference plot: mean of both readings across, first minus second up."""
    known = np.isfinite(first) & np.isfinite(second)
    if known.sum() < 3:
        return None
    mean, difference = 0.5 * (first + second)[known], (first - second)[known]
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    lines = {"bias": bias, "lower limit": bias - 1.96 * sd, "upper limit": bias + 1.96 * sd}
    span = max(abs(value) for value in lines.values()) * 1.5 + 1e-9
    low, high = float(mean.min()), float(mean.max()) + 1e-9

    def across(value: float) -> float:
        return round(_WIDTH * (value - low) / (high - low), 2)

    def up(value: float) -> float:
        return round(_HEIGHT * (0.5 - 0.5 * float(np.clip(value / span, -1, 1))), 2)

    shown = np.unique(np.linspace(0, len(mean) - 1, min(len(mean), _MOST_POINTS)).astype(int))
    return {
        "structure": structure,
        "points": [(across(float(mean[i])), up(float(difference[i]))) for i in shown.tolist()],
        "lines": [{"name": name, "y": up(value), "value": f"{value:+.3f}"} for name, value in lines.items()],
        "low": f"{low:.1f}",
        "high": f"{high:.1f}",
        "n": len(mean),
    }
