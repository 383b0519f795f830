"""Draw the picture of the README again: `python -m tests.pages.overview_picture` writes notebooks/overview.png."""

from __future__ import annotations

import tempfile
from pathlib import Path

from analysis.commands.demo import run_demo
from tests.pages.browser import opened_browser, resized

PICTURE = Path(__file__).parents[2] / "notebooks" / "overview.png"
WIDTH, HEIGHT = 1280, 640


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, opened_browser(WIDTH, HEIGHT) as driver:
        run_demo(Path(folder) / "demo", lambda stage: None, lambda line: None)
        resized(driver, WIDTH, HEIGHT)
        driver.get((Path(folder) / "demo" / "audit" / "index.html").as_uri())
        driver.execute_script("document.documentElement.style.overflow = 'hidden'")
        driver.save_screenshot(str(PICTURE))


if __name__ == "__main__":
    main()
