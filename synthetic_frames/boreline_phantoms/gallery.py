"""One picture of many scenes."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from boreline.model import GreyImage
from boreline_phantoms import scenes

PICTURED = (
    ("vessel", 0.5),
    ("healthy", 0.5),
    ("positive-remodelling", 0.5),
    ("calcium", 0.5),
    ("branch", 0.5),
    ("sixty", 0.5),
    ("twenty", 0.5),
    ("stent", 0.5),
    ("stent-small", 0.3),
    ("calcium-wide", 0.5),
    ("attenuated", 0.5),
    ("soft", 0.5),
    ("dissection", 0.68),
    ("oblique", 0.5),
    ("guide", 0.75),
)
"""Scenes of the gallery, and the share of the run at which each is shown."""

MOST_BYTES = 400_000


def draw_gallery(*, columns: int = 5, tile_px: int = 190) -> GreyImage:
    """Tiles of `PICTURED`, row by row, each with its name."""
    tiles = []
    for name, share in PICTURED:
        scene = scenes.get(name)
        number = int(share * (scene.n_frames - 1))
        frame = next(iter(scene.frames(number, number + 1)))
        tile = cv2.resize(frame, (tile_px, tile_px), interpolation=cv2.INTER_AREA)
        cv2.putText(tile, name, (4, 11), cv2.FONT_HERSHEY_SIMPLEX, 0.36, 255, 1, cv2.LINE_AA)
        tiles.append(tile)
    blank = np.zeros((tile_px, tile_px), dtype=np.uint8)
    tiles += [blank] * (-len(tiles) % columns)
    rows = [np.hstack(tiles[start : start + columns]) for start in range(0, len(tiles), columns)]
    picture: GreyImage = np.vstack(rows)
    return picture


def write_gallery(path: Path) -> int:
    """Write the gallery as PNG, with tiles as large as `MOST_BYTES` allows; returns the size in bytes."""
    for tile_px in (200, 180, 160, 140, 120):
        done, data = cv2.imencode(".png", draw_gallery(tile_px=tile_px), [cv2.IMWRITE_PNG_COMPRESSION, 9])
        if done and data.nbytes <= MOST_BYTES:
            break
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data.tobytes())
    return int(data.nbytes)
