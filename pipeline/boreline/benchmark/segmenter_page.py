"""The benchmark's page: tables, reliability curves; one file without scripts or network."""

from __future__ import annotations

import math
from html import escape

import pandas as pd

from boreline.benchmark.segmenters import FOUND, reliability

_STYLE = """body{font:14px/1.45 system-ui,sans-serif;margin:2rem;max-width:90rem;color:#1b1b1b}
table{border-collapse:collapse;margin:.6rem 0 1.6rem}
td,th{padding:.2rem .55rem;text-align:right;border-bottom:1px solid #ddd}
td:nth-child(-n+3),th:nth-child(-n+3){text-align:left}th{vertical-align:bottom;font-weight:600}
svg{margin-right:1.2rem}figcaption{font-size:12px}figure{display:inline-block;margin:0 1rem 1rem 0}"""
_SIDE = 220
_NOTE = (
    "Jaccard index, Hausdorff distance and area error of frames with a contour in both. "
    "Frames of one run resemble each other: the number of runs, not of frames, is the size of the sample."
)
_CURVES = (
    "To the right the chance stated, upwards the share of frames that reached a Jaccard index of 0.9, both 0 to 1; "
    "larger dots stand for more frames. On the diagonal both agree; below it the segmenter is too sure."
)


def page(frames: pd.DataFrame, summaries: dict[str, pd.DataFrame], heading: str) -> str:
    """The whole page as text; `summaries` by title."""
    parts = [
        f"<!doctype html><html lang='en'><meta charset='utf-8'><title>{escape(heading)}</title>",
        f"<style>{_STYLE}</style><h1>{escape(heading)}</h1>",
        f"<p>{_NOTE}</p>",
    ]
    for title, table in summaries.items():
        parts.append(f"<h2>{escape(title)}</h2>{_table(table)}")
    parts.append(f"<h2>Stated chance of a good contour against how often it was one</h2><p>{_CURVES}</p>")
    for (segmenter, structure), group in frames[frames["status"] == FOUND].groupby(["segmenter", "structure"]):
        curve = reliability(group)
        if len(curve):
            parts.append(
                f"<figure>{_curve(curve)}<figcaption>{escape(f'{segmenter}, {structure}')}</figcaption></figure>"
            )
    return "".join(parts) + "</html>\n"


def _table(table: pd.DataFrame) -> str:
    head = "".join(f"<th>{escape(str(name).replace('_', ' '))}</th>" for name in table.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td>{_cell(v)}</td>" for v in row) + "</tr>" for row in table.itertuples(index=False)
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
    return escape(str(value))


def _curve(curve: pd.DataFrame) -> str:
    most = float(curve["frames"].max())
    points = [(s * _SIDE, (1 - f) * _SIDE, 2 + 7 * (n / most) ** 0.5) for s, f, n in curve.itertuples(index=False)]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y, _ in points)
    dots = "".join(
        f"<circle cx='{x:.1f}' cy='{y:.1f}' r='{r:.1f}' fill='#2563a8' fill-opacity='.7'/>" for x, y, r in points
    )
    return (
        f"<svg width='{_SIDE + 20}' height='{_SIDE + 20}' viewBox='-10 -10 {_SIDE + 20} {_SIDE + 20}' role='img' "
        f"aria-label='reliability curve'><rect width='{_SIDE}' height='{_SIDE}' fill='none' stroke='#999'/>"
        f"<line x1='0' y1='{_SIDE}' x2='{_SIDE}' y2='0' stroke='#bbb'/>"
        f"<polyline points='{line}' fill='none' stroke='#2563a8'/>{dots}</svg>"
    )
