"""The landing-site map drawn as SVG to stand in a page, from the `landing_map` entry of `plan.json`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

_CELL_WIDTH, _CELL_HEIGHT, _LEFT, _TOP = 52, 30, 74, 38
_UNLIKELY, _LIKELY, _UNKNOWN = (250, 238, 215), (88, 140, 190), (225, 225, 225)


def landing_map_svg(landing_map: Mapping[str, Any], rule: str | None) -> str:
    """One cell per pair of landings: shade = chance that both edges fulfil `rule`, text = length and sizes.

    Parameters
    ----------
    landing_map
        As in `plan.json`; rows are distal landings, columns proximal ones.
    rule
        Key of its `probability`; None (uncertainties not known) leaves every cell grey.
    """
    distal, proximal = landing_map["distal_mm"], landing_map["proximal_mm"]
    chances = None if rule is None else landing_map["probability"][rule]
    width = _LEFT + _CELL_WIDTH * len(proximal) + 10
    height = _TOP + _CELL_HEIGHT * len(distal) + 10
    shade = "" if rule is None else f"shade = probability of {rule}; "
    title = f"Landing sites: {shade}text = length mm, range of diameters mm"
    size = f'viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
    parts = [
        f'<svg {size} font-family="sans-serif" font-size="9" role="img"><title>{_escape(title)}</title>',
        f'<text x="{_LEFT}" y="{_TOP - 22}">proximal landing, mm</text>',
        f'<text x="4" y="{_TOP - 8}">distal, mm</text>',
    ]
    parts += [_text(_LEFT + _CELL_WIDTH * (j + 0.5), _TOP - 8, f"{place:.1f}") for j, place in enumerate(proximal)]
    for i, place in enumerate(distal):
        y = _TOP + _CELL_HEIGHT * i
        parts.append(_text(_LEFT - 26, y + 18, f"{place:.1f}"))
        for j in range(len(proximal)):
            x = _LEFT + _CELL_WIDTH * j
            chance = chances[i][j] if chances else None
            colour, ink = _shade(chance)
            parts.append(
                f'<rect x="{x}" y="{y}" width="{_CELL_WIDTH - 1}" height="{_CELL_HEIGHT - 1}" fill="{colour}">'
                f"<title>{_describe(landing_map, i, j, chance, rule)}</title></rect>"
            )
            parts.append(_text(x + _CELL_WIDTH / 2, y + 12, _number(landing_map["length_mm"][i][j], 1), ink))
            sizes = f"{_number(landing_map['smallest_mm'][i][j], 2)}-{_number(landing_map['largest_mm'][i][j], 2)}"
            parts.append(_text(x + _CELL_WIDTH / 2, y + 24, sizes, ink))
    return "\n".join([*parts, "</svg>"])


def _describe(landing_map: Mapping[str, Any], i: int, j: int, chance: float | None, rule: str | None) -> str:
    probability = f"{chance:.2f}" if chance is not None and _known(chance) else "not known"
    words = [
        f"distal {landing_map['distal_mm'][i]:.1f} mm, proximal {landing_map['proximal_mm'][j]:.1f} mm",
        f"length {_number(landing_map['length_mm'][i][j], 1)} mm",
        f"device {_number(landing_map['device_length_mm'][i][j], 0)} mm",
        f"largest edge burden {_number(landing_map['edge_burden_pct'][i][j], 0)} %",
    ]
    return _escape(", ".join(words if rule is None else [*words, f"probability of {rule} {probability}"]))


def _shade(chance: float | None) -> tuple[str, str]:
    """Fill and ink; the text carries the numbers, so colour alone never does."""
    if chance is None or not _known(chance):
        return "rgb({},{},{})".format(*_UNKNOWN), "#333"
    mixed = [round(a + (b - a) * chance) for a, b in zip(_UNLIKELY, _LIKELY, strict=True)]
    return "rgb({},{},{})".format(*mixed), "#fff" if chance > 0.7 else "#333"


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _number(value: float | None, decimals: int) -> str:
    return f"{value:.{decimals}f}" if value is not None and math.isfinite(value) else "none"


def _text(x: float, y: float, text: str, ink: str = "#333") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="middle" fill="{ink}">{_escape(text)}</text>'


def _escape(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
