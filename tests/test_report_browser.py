"""The page of evidence in a real browser, opened from a file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import Watched, browser
from playwright.sync_api import Browser, Page
from test_report import HOSTILE, page_of
from verified import run_of
from worded_specs import HATCH_FILE

from safetymodel import evidence
from safetymodel.evidence import Wanted
from safetymodel.explore.engine import Limits


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def hatch_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "hatch.html"
    path.write_text(page_of(HATCH_FILE), encoding="utf-8")
    return path


@pytest.fixture
def watched(chromium: Browser) -> Iterator[Watched]:
    page = chromium.new_page()
    yield Watched(page)
    page.close()


SPECS = Path(__file__).resolve().parent.parent / "specs"
MOST_BYTES = 3_000_000


def test_the_page_of_the_coachs_draft(watched: Watched, tmp_path: Path) -> None:
    """Without fault sets and review, which take minutes (`tests/benchmarks/coach_page.py` makes the whole of it)."""
    page_text = evidence.page_of(
        run_of(SPECS / "whimbrel-draft.yaml"), Wanted(without=("faults", "review", "sheets")), Limits()
    )
    path = tmp_path / "draft.html"
    path.write_text(page_text, encoding="utf-8")
    assert path.stat().st_size < MOST_BYTES / 2
    page = ready(watched.open(path))
    told = {
        "D1": ("driver", "drive_permit: granted -> denied needs brake_held, but it reads false"),
        "B5": ("radiographer", "its conditions do not depend on leaf.left"),
        "L5": ("attendant", "lift_door_shut_b (catch switch of the lift door) reads lift_door is not open"),
        "L6": ("anyone inside", "lift: halted -> raising"),
        "L9": ("attendant", "outer_up_b (second switch of the outer roll stop) reads inner_roll_stop is up"),
    }
    for name, (who, missing) in told.items():
        section = page.locator(f"#breach-{name}")
        section.locator(".stepper").press("End")
        assert section.locator(".drawn figure").count() >= 1
        rows = [row.inner_text() for row in section.locator(".steps tbody tr").all()]
        acting = [row for row in rows if row.split("\t")[0].strip()]
        assert who in acting[-1], (name, acting[-1])
        assert missing in section.inner_text(), name
        assert "H" in section.locator("dl").inner_text()
    assert page.locator(".player .acts button").count() >= 2
    watched.clean(path)


def ready(page: Page) -> Page:
    page.wait_for_function("document.documentElement.dataset.ready === 'yes'", timeout=10_000)
    return page


def test_it_opens_from_a_file_and_asks_for_nothing_else(watched: Watched, hatch_file: Path) -> None:
    page = ready(watched.open(hatch_file))
    assert page.title() == "Evidence: Two-door specimen hatch"
    assert page.locator("h1").inner_text() == "Evidence: Two-door specimen hatch"
    watched.clean(hatch_file)


def test_a_run_is_stepped_with_buttons_and_keys(watched: Watched, hatch_file: Path) -> None:
    page = ready(watched.open(hatch_file))
    section = page.locator("#breach-R1")
    said, place = section.locator(".said"), section.locator(".bar span").first

    def current() -> str:
        return section.locator(".steps tr[aria-current=step]").inner_text()

    assert place.inner_text() == "step 0 of 7"
    assert "the start" in current()
    assert section.get_by_role("button", name="back").is_disabled()
    section.get_by_role("button", name="forward").click()
    assert said.inner_text().startswith("1. nurse: asks for the inner door")
    assert "panel: idle → inner" in current()
    drawn = section.locator(".drawn figure")
    assert [text.split("\n")[0] for text in drawn.all_inner_texts()] == ["panel is inner"]
    assert drawn.locator(".here text").all_text_contents()[0] == "inner"
    section.get_by_role("button", name="last").click()
    assert "component fault" in current()
    assert section.get_by_role("button", name="forward").is_disabled()
    assert section.locator(".panel").inner_text().count("faults present: outer_latch_breaks") == 1
    section.locator(".stepper").focus()
    page.keyboard.press("Home")
    assert place.inner_text() == "step 0 of 7"
    seen = []
    for _ in range(9):
        page.keyboard.press("ArrowRight")
        seen.append(place.inner_text())
    assert seen[6:] == ["step 7 of 7"] * 3
    page.keyboard.press("ArrowLeft")
    assert place.inner_text() == "step 6 of 7"
    page.keyboard.press("End")
    assert place.inner_text() == "step 7 of 7"
    watched.clean(hatch_file)


def test_the_cursor_of_the_chart_is_where_the_step_is(watched: Watched, hatch_file: Path) -> None:
    page = ready(watched.open(hatch_file))
    section = page.locator("#breach-R1")
    places = []
    for _ in range(8):
        places.append(float(section.locator(".cursor").get_attribute("x") or 0))
        section.locator(".stepper").press("ArrowRight")
    assert places == sorted(set(places))
    column = section.locator(".chart svg").bounding_box()
    cursor = section.locator(".cursor").bounding_box()
    assert column is not None
    assert cursor is not None
    assert column["x"] < cursor["x"] < column["x"] + column["width"]
    assert cursor["height"] > 50


def test_the_model_is_tried_and_says_what_is_blocked(watched: Watched, hatch_file: Path) -> None:
    page = ready(watched.open(hatch_file))
    player = page.locator(".player")
    blocked = player.locator(".blocked li")
    refused = "porter pulls the outer door open (outer_door.pull)"
    assert any(text.startswith(refused) for text in blocked.all_inner_texts())
    player.get_by_role("button", name="nurse asks for the inner door").click()
    assert "inner_bolt: out (new)" in " ".join(f"{t} (new)" for t in player.locator(".stand .new").all_inner_texts())
    player.get_by_role("button", name="nurse pulls the inner door open").click()
    outer = next(text for text in blocked.all_inner_texts() if text.startswith(refused))
    assert "needs inner_shut, but it reads false (inner_door is open)" in outer
    assert player.locator(".history li").all_inner_texts() == [
        "nurse asks for the inner door (panel.ask_inner)", "nurse pulls the inner door open (inner_door.pull)",
    ]  # fmt: skip
    player.get_by_role("button", name="fault: outer latch breaks", exact=False).first.click()
    assert "faults present: outer_latch_breaks" in player.inner_text()
    player.get_by_role("button", name="take the last back").click()
    assert "faults present" not in player.inner_text()
    player.get_by_role("button", name="begin again").click()
    assert player.locator(".history li").count() == 0
    watched.clean(hatch_file)


def test_requirements_are_filtered(watched: Watched, hatch_file: Path) -> None:
    page = ready(watched.open(hatch_file))
    rows = page.locator("#verdicts tbody tr")

    def shown() -> list[str]:
        return [row.locator("td").first.inner_text() for row in rows.all() if row.is_visible()]

    assert shown() == ["R1", "R2", "R3"]
    page.get_by_role("button", name="broken", exact=True).click()
    assert shown() == ["R1"]
    assert page.locator("#filter [role=status]").inner_text() == "1 of 3 shown"
    page.get_by_role("button", name="all", exact=True).click()
    page.locator("#filter input").fill("lamps WARN")
    assert shown() == ["R3"]
    page.locator("#filter input").fill("")
    page.locator("#filter select").select_option("H1")
    assert shown() == ["R1"]


def test_it_prints_to_a4_whole(watched: Watched, hatch_file: Path) -> None:
    page = ready(watched.open(hatch_file))
    page.locator("#filter input").fill("nothing has this")  # what is filtered out on screen is printed all the same
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") + pdf.count(b"/Type /Page/") >= 3
    page.emulate_media(media="print")
    assert not page.locator(".stepper").first.is_visible()
    assert not page.locator(".player").first.is_visible()
    assert page.locator(".foldable").first.is_visible()
    assert page.locator("#verdicts tbody tr").first.is_visible()
    assert page.locator(".sign").is_visible()
    watched.clean(hatch_file)


def test_without_scripts_it_is_a_plain_document(chromium: Browser, hatch_file: Path) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(hatch_file.as_uri())
    assert page.locator("#breach-R1 .steps tbody tr").count() == 8
    for hidden in ("#filter", ".stepper", ".player"):
        assert not page.locator(hidden).first.is_visible()
    for visible in (".foldable", ".diagram", ".chart", ".plain", ".sign"):
        assert page.locator(visible).first.is_visible()
    context.close()


@pytest.mark.parametrize("width", [360, 800, 1280])
def test_it_fits_every_width(watched: Watched, hatch_file: Path, width: int) -> None:
    watched.page.set_viewport_size({"width": width, "height": 800})
    page = ready(watched.open(hatch_file))
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("media", ["screen", "print"])
def test_no_serious_fault_of_accessibility(watched: Watched, hatch_file: Path, media: str) -> None:
    """Rules of axe-core, which follow WCAG 2."""
    page = ready(watched.open(hatch_file))
    page.emulate_media(media=media)  # type: ignore[arg-type]
    page.locator("#breach-R1 .stepper").press("End")
    found = Axe().run(page)
    assert len(found.response["passes"]) > 15
    assert [(v["id"], v["impact"], v["nodes"][0]["html"]) for v in found.response["violations"]] == []


def test_text_of_a_hostile_spec_shows_as_text(watched: Watched, tmp_path: Path) -> None:
    spec, path = tmp_path / "hostile.yaml", tmp_path / "hostile.html"
    spec.write_text(HOSTILE)
    path.write_text(page_of(spec), encoding="utf-8")
    page = ready(watched.open(path))
    assert "<script>alert(1)</script>" in page.locator("h1").inner_text()
    for _ in range(3):
        page.locator(".stepper").first.press("ArrowRight")
    page.locator(".player .acts button").first.click()
    assert "<img src=x onerror=alert(2)>" in page.locator(".player .history").inner_text()
    assert page.locator("img").count() == 0
    page.wait_for_timeout(100)
    watched.clean(path)
