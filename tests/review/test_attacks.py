"""Who is kept out, and that the server stays up whatever it is sent."""

from __future__ import annotations

import contextlib
import http.client
import json
import random
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import running

AUTH = {"Authorization": "Bearer secret"}
DATA_PATHS = ["run", "numbers", "contours?first=1&count=5", "frame?frame=1", "cut", "figures", "operator"]


@pytest.fixture(scope="module")
def server(folder_template: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path = tmp_path_factory.mktemp("attacked") / "mm"
    shutil.copytree(folder_template["mm"], path)
    with running([path]) as (address, sessions), httpx.Client(base_url=address, timeout=20) as client:
        yield client, sessions[0]


def alive(client: httpx.Client) -> bool:
    return client.get("/api/run", headers=AUTH).status_code == 200


def raw(client: httpx.Client, host: str, *, path: str = "/api/run", headers: dict[str, str] | None = None) -> int:
    """The status for a request whose Host and path are sent as they are."""
    url = client.base_url
    connection = http.client.HTTPConnection(url.host, url.port, timeout=10)
    connection.putrequest("GET", path, skip_host=True)
    for name, value in {"Host": host, **(AUTH if headers is None else headers)}.items():
        connection.putheader(name, value)
    connection.endheaders()
    status = connection.getresponse().status
    connection.close()
    return status


@pytest.mark.parametrize("path", DATA_PATHS)
def test_no_data_without_the_token(server: Any, path: str) -> None:
    client, _ = server
    assert client.get(f"/api/{path}").status_code == 401
    for wrong in ("Bearer wrong", "Bearer", "secret", "Basic c2VjcmV0", "Bearer secretsecret", "Bearer secre"):
        assert client.get(f"/api/{path}", headers={"Authorization": wrong}).status_code == 401
    assert client.get(f"/api/{path}", headers=AUTH).status_code == 200


@pytest.mark.parametrize("path", ["edits", "undo", "redo", "nothing", ""])
def test_no_path_under_api_answers_without_the_token(server: Any, path: str) -> None:
    client, session = server
    before = session.revision
    assert client.post(f"/api/{path}", json={"revision": 0}).status_code == 401
    assert session.revision == before


def test_the_run_is_json_with_its_summary(server: Any) -> None:
    client, _ = server
    summary = client.get("/api/run", headers=AUTH).json()
    assert (summary["n_frames"], summary["reader"], summary["in_mm"]) == (60, "anna", True)


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil@127.0.0.1",
        "127.0.0.1.evil.example",
        "localhost.evil.example:80",
        "127.0.0.1:80@evil",
        "127.0.0.1:99999999",
        "[::2]",
        "127.0.0.2",
        "0.0.0.0",
        "",
        "127.0.0.1:",
    ],
)
def test_foreign_hosts_are_refused(server: Any, host: str) -> None:
    client, _ = server
    assert raw(client, host) in (400, 421)
    assert alive(client)


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "localhost:9000", "[::1]:9000", "127.0.0.1:8801"])
def test_any_port_of_this_machine_may_be_forwarded(server: Any, host: str) -> None:
    assert raw(server[0], host) == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1", "http://evil@127.0.0.1", ""]
)
def test_foreign_origins_are_refused(server: Any, origin: str) -> None:
    client, _ = server
    assert client.get("/api/run", headers={**AUTH, "Origin": origin}).status_code == 403
    assert client.get("/", headers={"Origin": origin}).status_code == 403
    own = str(client.base_url).rstrip("/")
    assert client.get("/api/run", headers={**AUTH, "Origin": own}).status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/../app.py",
        "/..%2fapp.py",
        "/%2e%2e/app.py",
        "/static/../../session.py",
        "/..\\session.py",
        "//etc/passwd",
        "/%2fetc%2fpasswd",
        "/index.html%00.js",
        "/.",
        "/api/../session.py",
        "/uPlot.js/../session.py",
    ],
)
def test_no_path_reaches_the_file_system(server: Any, path: str) -> None:
    client, _ = server
    host = f"127.0.0.1:{client.base_url.port}"
    assert raw(client, host, path=path) in (400, 404)


@pytest.mark.parametrize("frame", ["0", "61", "-1", "1.5", "1e3", "", "../1", "１", "9" * 400, "0x1", "NaN"])
def test_a_frame_is_a_whole_number_in_range(server: Any, frame: str) -> None:
    client, _ = server
    assert client.get("/api/frame", params={"frame": frame}, headers=AUTH).status_code == 422


def test_the_page_is_bare_and_carries_its_policy(server: Any) -> None:
    client, _ = server
    for path in ("/", "/main.js", "/style.css", "/uPlot.js"):
        answer = client.get(path)
        assert answer.status_code == 200
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "secret" not in answer.text
    assert "inner" + "HTML" not in "".join(client.get(f"/{name}.js").text for name in own_modules())


def own_modules() -> list[str]:
    return ["main", "api", "along", "decide", "picture", "run", "shapes", "sites", "statements"]


def test_ten_megabytes_are_refused(server: Any) -> None:
    client, session = server
    before = session.revision
    body = b'{"revision": 0, "why": "' + b"x" * 10 * 2**20 + b'"}'
    assert client.post("/api/edits", content=body, headers=AUTH).status_code == 413

    def chunks() -> Iterator[bytes]:
        for start in range(0, len(body), 2**16):
            yield body[start : start + 2**16]

    with contextlib.suppress(httpx.HTTPError):  # the server may hang up on the sender, which is as good
        assert client.post("/api/edits", content=chunks(), headers=AUTH).status_code == 413
    assert alive(client)
    assert session.revision == before


def _malformed(n: int) -> Iterator[bytes]:
    """Messages that are nearly right: broken JSON, wrong types, numbers out of range, unknown fields."""
    rng = random.Random(3)
    good = {"revision": 0, "edit": {"kind": "points", "frame": 3, "structure": "lumen", "points_px": [[60, 60]]}}
    strange: list[Any] = [None, -1, 0, 1e400, "NaN", "<b>", [], {}, True, 10**30, "x" * 1000, [[None]], "../../etc"]
    for _ in range(n):
        text = json.dumps(good)
        match rng.randrange(4):
            case 0:
                at = rng.randrange(len(text) - 1)
                yield text[:at].encode()
            case 1:
                yield bytes(rng.randrange(256) for _ in range(rng.randrange(200)))
            case 2:
                message = json.loads(text)
                message["edit"][rng.choice(list(message["edit"]))] = rng.choice(strange)
                message["edit"]["extra"] = 1
                yield json.dumps(message).encode()
            case _:
                message = json.loads(text)
                message["edit"]["kind"] = rng.choice(["points ", "shell", "__class__", "undo", "redo", "", "stroke"])
                yield json.dumps(message).encode()


def test_a_thousand_malformed_messages_change_nothing(server: Any) -> None:
    client, session = server
    before = session.revision
    for body in _malformed(1000):
        answer = client.post("/api/edits", content=body, headers=AUTH)
        assert answer.status_code == 422, (body, answer.text)
        assert "\n" not in answer.json()["error"]
    assert alive(client)
    assert session.revision == before


def test_garbage_on_the_socket_leaves_the_server_up(server: Any) -> None:
    client, _ = server
    for data in (
        b"\x00" * 4096,
        b"GET " + b"a" * 100_000 + b" HTTP/1.1\r\n\r\n",
        b"POST / HTTP/1.1\r\nContent-Length: -5\r\n\r\n",
    ):
        # The server may hang up first.
        address = (client.base_url.host, client.base_url.port)
        with socket.create_connection(address, timeout=10) as connection, contextlib.suppress(OSError):
            connection.sendall(data)
            connection.recv(1000)
    assert alive(client)


def test_an_edit_on_an_old_revision_is_refused(server: Any) -> None:
    client, session = server
    edit = {"kind": "accept", "first": 2, "last": 2}
    before = session.revision
    first = client.post("/api/edits", json={"revision": before, "edit": edit}, headers=AUTH)
    assert first.status_code == 200
    second = client.post("/api/edits", json={"revision": before, "edit": edit}, headers=AUTH)
    assert second.status_code == 409
    assert second.json()["revision"] == before + 1 == session.revision


def test_the_server_listens_on_loopback_only() -> None:
    from boreline.review.serve import _listen

    listening = _listen(0)
    try:
        assert listening.getsockname()[0] == "127.0.0.1"
    finally:
        listening.close()
