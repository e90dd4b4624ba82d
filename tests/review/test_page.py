"""The page in headless Chromium, its content policy in force: what an operator does, by keyboard and by pointer."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from conftest import running

from boreline.correction import log_path, read_log

pytestmark = pytest.mark.browser
AXE = Path(__file__).parent / "vendor" / "axe.min.js"


@pytest.fixture
def opened(folder: Callable[[str], Path], browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens folders by name; returns (page, folder paths). The page must not log an error or leave this machine."""
    closing: list[Callable[[], None]] = []
    wrong: list[str] = []

    def open_page(*names: str, size: tuple[int, int] = (1280, 720)) -> Any:
        paths = [folder(name) for name in names]
        server = running(paths)
        address, _ = server.__enter__()
        closing.append(lambda: server.__exit__(None, None, None))
        page = browser.new_page(viewport={"width": size[0], "height": size[1]})
        closing.append(page.close)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda message: wrong.append(message.text) if _is_fault(message) else None)
        page.on("request", lambda r: None if r.url.startswith((address, "blob:")) else wrong.append(r.url))
        page.goto(f"{address}/#secret")
        page.locator("body[data-ready]").wait_for(timeout=15_000)
        page.locator("#sites tbody tr").first.wait_for(timeout=15_000)
        page.locator("canvas[data-frame='1']").first.wait_for()
        return page, paths

    yield open_page
    for close in reversed(closing):
        close()
    assert not wrong


def _is_fault(message: Any) -> bool:
    """True for errors, except that the browser notes every refusal that the page then explains."""
    return message.type == "error" and not re.search(r"status of (401|409|422)", message.text)


def lumen(page: Any) -> float:
    text = (
        page.locator("#numbers dd")
        .nth([*page.locator("#numbers dt").all_text_contents()].index("Lumen"))
        .text_content()
    )
    return float(re.match(r"[\d.]+", text)[0])  # type: ignore[index]


def state(page: Any) -> str:
    terms = page.locator("#numbers dt").all_text_contents()
    return str(page.locator("#numbers dd").nth(terms.index("State")).text_content())


def wait_frame(page: Any, frame: int) -> None:
    page.locator(f".picture:not(.other) canvas[data-frame='{frame}']").wait_for()


def wait_entries(page: Any, path: Path, number: int, reader: str = "anna") -> Any:
    for _ in range(100):
        entries = read_log(log_path(path, reader))
        if len(entries) >= number:
            return entries
        page.wait_for_timeout(50)
    raise AssertionError(f"{len(entries)} entries, {number} wanted")


def test_an_operator_works_by_keyboard_alone(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("mm")
    assert "#secret" not in page.url
    page.keyboard.press("ArrowDown")
    wait_frame(page, 2)
    page.keyboard.press("PageDown")
    wait_frame(page, 7)  # 0.2 mm a frame: five frames make 1 mm
    before = lumen(page)
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift++")
    page.get_by_text("edited", exact=True).wait_for()
    assert lumen(page) > before
    page.keyboard.press("z")
    page.get_by_text("not reviewed", exact=True).wait_for()
    assert lumen(page) == before
    page.keyboard.press("y")
    page.get_by_text("edited", exact=True).wait_for()
    page.keyboard.press("a")
    page.get_by_text("accepted", exact=True).wait_for()
    kinds = [entry.edit.kind for entry in wait_entries(page, path, 4)]
    assert kinds == ["points", "undo", "redo", "accept"]
    page.keyboard.press("+")
    page.get_by_text("frame 7 is accepted").wait_for()
    assert len(read_log(log_path(path, "anna"))) == 4


def test_what_was_done_is_there_after_a_reload(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("mm")
    page.keyboard.press("x")
    page.get_by_text("rejected", exact=True).wait_for()
    wait_entries(page, path, 1)
    page.reload()
    page.locator("body[data-ready]").wait_for()
    page.get_by_text("rejected", exact=True).wait_for()


def test_a_dragged_line_passes_through_the_pointer(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("mm")
    box = page.locator(".picture").bounding_box()
    line = page.locator("path.line.lumen").first.get_attribute("d")
    x, y = map(float, re.match(r"M([\d.]+) ([\d.]+)", line).groups())  # type: ignore[union-attr]
    scale = box["width"] / 128
    at = (box["x"] + (x + 0.5) * scale, box["y"] + (y + 0.5) * scale)
    page.mouse.move(*at)
    page.mouse.down()
    page.mouse.move(at[0] + 30, at[1] + 3, steps=4)
    page.mouse.up()
    page.get_by_text("edited", exact=True).wait_for()
    edit = wait_entries(page, path, 1)[0].edit
    assert edit.kind == "points"
    assert edit.points_px[0][0] == pytest.approx(x + 30 / scale, abs=0.3)
    drawn = page.locator("path.line.lumen").first.get_attribute("d")
    numbers = [float(v) for v in re.findall(r"-?[\d.]+", drawn)]
    apart = [
        abs(a - edit.points_px[0][0]) + abs(b - edit.points_px[0][1])
        for a, b in zip(numbers[::2], numbers[1::2], strict=True)
    ]
    assert min(apart) < 0.02


def test_a_freehand_stroke_becomes_the_eem(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("mm")
    page.keyboard.press("2")
    page.keyboard.press("d")
    box = page.locator(".picture").bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    import math

    reach = box["width"] * 0.42
    places = [(middle[0] + reach * math.cos(a / 10), middle[1] + reach * math.sin(a / 10)) for a in range(63)]
    page.mouse.move(*places[0])
    page.mouse.down()
    for place in places[1:]:
        page.mouse.move(*place)
    page.mouse.up()
    page.get_by_text("edited", exact=True).wait_for()
    edit = wait_entries(page, path, 1)[0].edit
    assert (edit.kind, edit.structure, edit.closed) == ("stroke", "eem", True)
    terms = page.locator("#numbers dt").all_text_contents()
    area = float(page.locator("#numbers dd").nth(terms.index("EEM")).text_content().split()[0])
    assert area == pytest.approx(math.pi * (0.42 * 6.0) ** 2, rel=0.02)


def test_sites_move_by_key_by_pointer_and_by_number(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("mm")
    mark = page.get_by_role("slider", name="MLA")
    was = int(mark.get_attribute("aria-valuenow"))
    mark.focus()
    page.keyboard.press("ArrowDown")
    entry = wait_entries(page, path, 1)[0]
    assert (entry.edit.name, entry.edit.frame) == ("mla", was + 1)
    page.locator(f"[data-site=mla][aria-valuenow='{was + 1}']").wait_for()
    box = page.get_by_role("slider", name="MLA").bounding_box()
    page.mouse.move(box["x"] + 5, box["y"] + 5)
    page.mouse.down()
    page.mouse.move(box["x"] + 5, box["y"] + 65, steps=5)
    page.mouse.up()
    assert wait_entries(page, path, 2)[1].edit.frame > was + 3
    field = page.get_by_label("proximal landing, mm")
    field.fill("8.4")
    field.press("Enter")
    assert wait_entries(page, path, 3)[2].edit.frame == 43
    page.locator("[data-site=proximal_landing][aria-valuenow='43']").wait_for()


def test_close_marks_do_not_collide(opened: Callable[..., Any]) -> None:
    page, _ = opened("mm")
    for index, name in enumerate(
        ("distal reference", "distal landing", "MLA", "proximal landing", "proximal reference")
    ):
        field = page.get_by_label(f"{name}, mm")
        field.fill(str(5 + 0.2 * index))
        field.press("Enter")
        page.locator(f"[data-site={name.lower().replace(' ', '_')}][aria-valuenow='{26 + index}']").wait_for()
    boxes = sorted((m.bounding_box() for m in page.get_by_role("slider").all()), key=lambda b: b["y"])
    assert len(boxes) == 5
    for upper, lower in pairwise(boxes):
        assert upper["y"] + upper["height"] <= lower["y"] + 1
    shapes = {page.locator(f".mark >> nth={i}").locator("path").get_attribute("d") for i in range(5)}
    assert len(shapes) == 5


def test_statements_are_made_in_the_form(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("mm")
    page.get_by_text("State a finding").click()
    page.get_by_label("What").select_option("dissection")
    page.get_by_label("From frame").fill("10")
    page.get_by_label("To frame").fill("12")
    page.get_by_label("depth").select_option("media")
    page.get_by_label("Why").fill("flap seen in three frames")
    page.get_by_role("button", name="State it").click()
    entry = wait_entries(page, path, 1)[0]
    assert (entry.edit.kind, entry.edit.first, entry.edit.last, entry.edit.depth) == ("dissection", 10, 12, "media")
    assert entry.why == "flap seen in three frames"
    page.get_by_text("dissection, frames 10-12").wait_for()
    page.get_by_label("What").select_option("stent")
    page.get_by_label("From frame").fill("5")
    page.get_by_label("To frame").fill("30")
    page.get_by_role("button", name="State it").click()
    page.get_by_text("stent, frames 5-30").wait_for()


def test_a_run_without_millimetres_stays_in_time(opened: Callable[..., Any]) -> None:
    page, _ = opened("time")
    assert "Position" not in page.locator("#numbers dt").all_text_contents()
    assert page.locator("#sites-unit").text_content() == "s"
    assert "manual pullback without a source" in page.locator("#provenance").text_content()
    page.keyboard.press("n")
    page.keyboard.press("Shift++")
    page.get_by_text("edited", exact=True).wait_for()


def test_two_runs_stand_side_by_side(opened: Callable[..., Any]) -> None:
    page, paths = opened("mm", "markup")
    assert page.locator(".picture").count() == 2
    page.keyboard.press("ArrowDown")
    page.locator(".other canvas[data-frame='2']").wait_for()
    page.keyboard.press("o")
    page.get_by_role("heading", name=paths[1].name).wait_for()
    page.keyboard.press("a")
    page.get_by_text("accepted", exact=True).wait_for()
    assert wait_entries(page, paths[1], 1)
    assert not read_log(log_path(paths[0], "anna"))


def test_markup_in_dicom_text_and_names_stays_text(opened: Callable[..., Any]) -> None:
    page, (path,) = opened("markup")
    assert path.name in page.locator("#title").text_content()
    assert page.locator("img, script:not([src])").count() == 0


def test_a_second_tab_is_told_and_takes_nothing_over(opened: Callable[..., Any], browser: Any) -> None:
    page, (path,) = opened("mm")
    address = page.url
    second = browser.new_page()
    second.goto(f"{address}#secret")
    second.locator("body[data-ready]").wait_for()
    page.keyboard.press("a")
    page.get_by_text("accepted", exact=True).wait_for()
    second.keyboard.press("x")
    second.get_by_text("Another page changed this run").wait_for()
    second.get_by_text("accepted", exact=True).wait_for()
    assert [e.edit.kind for e in read_log(log_path(path, "anna"))] == ["accept"]
    second.close()


def test_a_page_without_the_token_says_what_to_do(opened: Callable[..., Any], browser: Any) -> None:
    page, _ = opened("mm")
    bare = browser.new_context().new_page()
    bare.goto(page.url)
    bare.get_by_text("open the address that the terminal shows").wait_for()
    bare.context.close()


def test_the_picture_takes_the_full_height_from_720_lines_to_4k(opened: Callable[..., Any]) -> None:
    page, _ = opened("mm")
    for width, height in ((1280, 720), (1440, 900), (1920, 1080), (3840, 2160)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(250)
        box = page.locator(".picture").bounding_box()
        assert box["height"] >= 0.88 * height
        assert box["width"] == pytest.approx(box["height"], abs=2)
        page_px = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
        assert page_px[0] <= width
        assert page_px[1] <= height


def test_axe_finds_no_violation(opened: Callable[..., Any], browser: Any) -> None:
    """axe-core 4 (MPL-2.0, vendored beside its licence); injected past the page's own policy, as every checker must."""
    page, _ = opened("mm")
    page.get_by_text("State a finding").click()
    page.get_by_text("Keys", exact=True).click()
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
    assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found] == []


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contours_reach_three_to_one_on_any_grey() -> None:
    """A line or its casing differs from every grey by 3:1 at least (WCAG 2.2, 1.4.11), and both from each other."""
    from importlib import resources

    style = resources.files("boreline.review").joinpath("static/style.css").read_text(encoding="utf-8")
    colour = {name: re.search(rf"--{name}: (#\w{{6}})", style)[1] for name in ("lumen", "eem", "stent", "here")}  # type: ignore[index]
    casing = re.search(r"\.casing \{ stroke: (#\w{6})", style)[1]  # type: ignore[index]

    def contrast(a: str, b: str) -> float:
        low, high = sorted((_luminance(a), _luminance(b)))
        return (high + 0.05) / (low + 0.05)

    for name, line in colour.items():
        assert contrast(line, casing) >= 3.0
        for grey in range(256):
            ground = f"#{grey:02x}{grey:02x}{grey:02x}"
            assert max(contrast(line, ground), contrast(casing, ground)) >= 3.0, (name, grey)
