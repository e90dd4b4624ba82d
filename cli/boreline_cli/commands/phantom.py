"""`boreline phantom`: synthetic runs with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.output import Json, print_json, print_line, print_table, progress_bar

LIST, GALLERY = "list", "gallery"


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def phantom(
        name: Annotated[
            str, typer.Argument(metavar="NAME", help="A scene of 'boreline phantom list', random:SEED, or gallery.")
        ],
        out: Annotated[
            Path | None, typer.Option("--out", help="Folder to write run.dcm and truth/ into; a PNG file for gallery.")
        ] = None,
        seed: Annotated[int | None, typer.Option(help="Random seed.")] = None,
        frames: Annotated[int | None, typer.Option(help="Number of frames.")] = None,
        size: Annotated[int | None, typer.Option(help="Columns of the cross-section, in pixels.")] = None,
        mhz: Annotated[float | None, typer.Option(help="Centre frequency of the transducer.")] = None,
        encoding: Annotated[str, typer.Option(help="How pixels are stored: jpeg, explicit, rle, jpeg-ls ...")] = "jpeg",
        text: Annotated[bool, typer.Option("--text", help="Burn a line of text in above the picture.")] = False,
        strip: Annotated[bool, typer.Option("--strip", help="Draw a longitudinal cut below the picture.")] = False,
        as_json: Json = False,
    ) -> None:
        """Write a synthetic run with its truth, list the scenes, or picture them (gallery).

        Example: boreline phantom circle-3 --out phantom --frames 60
        """
        if name == LIST:
            _list(as_json)
            return
        from boreline.errors import InputRefused
        from boreline_phantoms import scenes, write_scene

        if out is None:
            raise InputRefused("no folder to write into", tag="--out", remedy="give one with --out DIR")
        if name == GALLERY:
            from boreline_phantoms.gallery import write_gallery

            print_line(f"{out}: {write_gallery(out)} bytes")
            return
        scene = scenes.get(name).with_(frames=frames, seed=seed, size=size, mhz=mhz)
        with progress_bar("drawing") as tick:
            run = write_scene(scene, out, encoding=encoding, text=text, strip=strip, progress=tick)
        if as_json:
            print_json({"run": str(run), "truth": str(out / "truth"), "frames": scene.n_frames, "seed": scene.seed})
        else:
            print_line(f"{run}: {scene.n_frames} frames of {scene.name}; truth in {out / 'truth'}")


def _list(as_json: bool) -> None:
    from boreline_phantoms import scenes

    entries = list(scenes.catalogue().values())
    if as_json:
        print_json(
            [{"name": s.name, "tags": sorted(s.tags), "mhz": s.mhz, "description": s.description} for s in entries]
        )
        return
    rows = [[s.name, ", ".join(sorted(s.tags)), s.description] for s in entries]
    print_table("scenes", ["name", "tags", "description"], rows)
