"""The review server's paths: the bare page, and everything with data under `/api/`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib import resources

import cv2
import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from boreline.correction.edits import AnyEdit, Reason, Redo, Undo
from boreline.errors import InputRefused
from boreline.memory import give_back
from boreline.model import JsonValue
from boreline.review.guard import Guard, TooLarge
from boreline.review.pixels import longitudinal_cut
from boreline.review.session import Outdated, RunSession

BLOCK_FRAMES = 200
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".LICENSE": "text/plain"}


class _Message(BaseModel):
    """What the page sends to change something."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    revision: int = Field(ge=0)
    edit: AnyEdit | None = None
    why: Reason = ""


class _Malformed(Exception):
    """A request that is not understood; the message says why."""


def build_app(sessions: Sequence[RunSession], token: str) -> ASGIApp:
    """The guarded application for one or more runs; runs are numbered in the order given."""
    cuts: dict[int, bytes] = {}

    def session(request: Request) -> RunSession:
        return sessions[_whole(request, "run", 0, len(sessions) - 1, default=0)]

    def run(request: Request) -> Response:
        return JSONResponse({**session(request).summary(), "runs": [one.folder.path.name for one in sessions]})

    def numbers(request: Request) -> Response:
        return JSONResponse(session(request).numbers())

    def contours(request: Request) -> Response:
        chosen = session(request)
        first = _whole(request, "first", 1, chosen.n_frames)
        count = _whole(request, "count", 1, BLOCK_FRAMES)
        automatic = _whole(request, "automatic", 0, 1, default=0)
        return JSONResponse(chosen.contours(first - 1, count, automatic=bool(automatic)))

    def frame(request: Request) -> Response:
        chosen = session(request)
        number = _whole(request, "frame", 1, chosen.n_frames)
        return Response(chosen.pixels.grey(number - 1), media_type="application/octet-stream")

    def cut(request: Request) -> Response:
        number = _whole(request, "run", 0, len(sessions) - 1, default=0)
        if number not in cuts:
            chosen = sessions[number]
            image = longitudinal_cut(chosen.folder, chosen.run)
            done, png = cv2.imencode(".png", np.ascontiguousarray(image.T))
            cuts[number] = png.tobytes() if done else b""
            del image, png
            give_back()
        return Response(cuts[number], media_type="image/png")

    def figures(request: Request) -> Response:
        return JSONResponse(session(request).figures())

    def decision(request: Request) -> Response:
        return JSONResponse(session(request).decision())

    def operator(request: Request) -> Response:
        return JSONResponse(session(request).operator())

    def changing(act: Callable[[RunSession, _Message], dict[str, JsonValue]]) -> Callable[[Request], object]:
        async def endpoint(request: Request) -> Response:
            chosen = session(request)
            body = await request.body()
            try:
                message = _Message.model_validate_json(body)
            except ValidationError as cause:
                raise _Malformed(_first(cause)) from None
            try:
                return JSONResponse(await run_in_threadpool(act, chosen, message))
            except Outdated:
                return JSONResponse(
                    {"error": "another page changed this run meanwhile", "revision": chosen.revision}, status_code=409
                )

        return endpoint

    def add(chosen: RunSession, message: _Message) -> dict[str, JsonValue]:
        if message.edit is None or isinstance(message.edit, Undo | Redo):
            raise _Malformed("edit: is missing, or is an undo or redo, which have their own address")
        return chosen.add(message.edit, revision=message.revision, why=message.why)

    def undo(chosen: RunSession, message: _Message) -> dict[str, JsonValue]:
        return chosen.undo(revision=message.revision)

    def redo(chosen: RunSession, message: _Message) -> dict[str, JsonValue]:
        return chosen.redo(revision=message.revision)

    def page(request: Request) -> Response:
        return _static(request.path_params.get("name") or "index.html")

    app = Starlette(
        routes=[
            Route("/api/run", run),
            Route("/api/numbers", numbers),
            Route("/api/contours", contours),
            Route("/api/frame", frame),
            Route("/api/cut", cut),
            Route("/api/figures", figures),
            Route("/api/operator", operator),
            Route("/api/decision", decision),
            Route("/api/edits", changing(add), methods=["POST"]),
            Route("/api/undo", changing(undo), methods=["POST"]),
            Route("/api/redo", changing(redo), methods=["POST"]),
            Route("/", page),
            Route("/{name}", page),
        ],
        exception_handlers={
            InputRefused: _unprocessable,
            _Malformed: _unprocessable,
            TooLarge: _too_large,
            ClientDisconnect: _gone,
        },
    )
    return Guard(app, token)


def _static(name: str) -> Response:
    """A file of the page; only names that the package holds, never a path."""
    for file in resources.files("boreline.review").joinpath("static").iterdir():
        if file.name == name and file.is_file():
            suffix = name[name.rfind(".") :]
            return Response(file.read_bytes(), media_type=_TYPES.get(suffix, "application/octet-stream"))
    return JSONResponse({"error": "there is no such page"}, status_code=404)


def _whole(request: Request, name: str, low: int, high: int, *, default: int | None = None) -> int:
    text = request.query_params.get(name)
    if text is None and default is not None:
        return default
    if text is None or not (text.isascii() and text.isdigit()) or len(text) > 9 or not low <= int(text) <= high:
        raise _Malformed(f"{name}: a whole number from {low} to {high} is wanted")
    return int(text)


def _first(cause: ValidationError) -> str:
    error = cause.errors(include_input=False, include_url=False)[0]
    return f"{'.'.join(str(part) for part in error['loc'])}: {error['msg']}"


def _unprocessable(_request: Request, cause: Exception) -> Response:
    return JSONResponse({"error": str(cause)}, status_code=422)


def _too_large(_request: Request, _cause: Exception) -> Response:
    return JSONResponse({"error": "the message is too large"}, status_code=413, headers={"connection": "close"})


def _gone(_request: Request, _cause: Exception) -> Response:
    return Response(status_code=400)
