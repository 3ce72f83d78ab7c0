"""The pages of the coach and of its draft: made, measured, opened in a browser, and photographed for the README.

By hand: `python tests/benchmarks/coach_page.py FOLDER` writes whimbrel.html and whimbrel-draft.html into the folder (or
takes those that are there), prints sizes and times, and writes the screenshots into diagrams/evidence/.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from axe_playwright_python.sync_playwright import Axe  # noqa: E402
from browser import Watched, browser  # noqa: E402
from playwright.sync_api import Browser, Page  # noqa: E402

from safetymodel.evidence import report  # noqa: E402

PICTURES = ROOT / "diagrams" / "evidence"
READY = "document.documentElement.dataset.ready === 'yes'"


def made(name: str, folder: Path) -> Path:
    path = folder / f"{name}.html"
    if not path.exists():
        started = time.process_time()
        found = report(f"specs/{name}.yaml")
        assert isinstance(found, tuple)
        path.write_text(found[0], encoding="utf-8")
        print(f"{name}: made in {time.process_time() - started:.0f} s of processor time")
    print(f"{name}: {path.stat().st_size / 1e6:.2f} MB")
    return path


def opened(running: Browser, path: Path, width: int, height: int) -> Page:
    page = running.new_page(viewport={"width": width, "height": height})
    watched = Watched(page)
    started = time.monotonic()
    watched.open(path)
    page.wait_for_function(READY)
    page.get_by_role("button", name="broken", exact=True).or_(page.locator("#filter button").first).first.click()
    print(f"{path.stem}, {width} wide: open and answering after {time.monotonic() - started:.2f} s of wall clock")
    watched.clean(path)
    page.locator("#filter button").first.click()
    return page


def main(folder: Path) -> int:
    folder.mkdir(parents=True, exist_ok=True)
    PICTURES.mkdir(exist_ok=True)
    pages = [made(name, folder) for name in ("whimbrel", "whimbrel-draft")]
    broken = 0
    with browser() as running:
        for path in pages:
            page = opened(running, path, 1280, 900)
            found = Axe().run(page).response["violations"]
            broken += len(found)
            print(f"{path.stem}: {len(found)} rules of axe-core broken {[v['id'] for v in found]}")
        draft = pages[1]
        page = opened(running, draft, 1180, 1250)
        stepper = page.locator("#breach-L9 .stepper")
        stepper.press("End")
        page.locator("#breach-L9").evaluate("element => element.scrollIntoView()")
        page.screenshot(path=PICTURES / "steps.png")
        page = opened(running, draft, 390, 844)
        page.locator("#breach-B5 .stepper").press("End")
        page.locator("#breach-B5").evaluate("element => element.scrollIntoView()")
        page.screenshot(path=PICTURES / "phone.png")
        page = opened(running, draft, 720, 1018)
        page.emulate_media(media="print")
        page.evaluate("scrollTo(0, 0)")
        page.screenshot(path=PICTURES / "print.png")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "pages")))
