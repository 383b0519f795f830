"""A real browser without a network, that keeps what a page logs, asks for, and is refused."""

from __future__ import annotations

import base64
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
AXE = Path(os.environ.get("REBLEED_AXE") or Path(__file__).parents[2] / ".browser/node_modules/axe-core/axe.min.js")
PATIENCE_S = 90
"""A busy machine draws slowly; a page that draws nothing at all never does."""
KEEP_REFUSALS = """
window.refused = [];
document.addEventListener("securitypolicyviolation", e => window.refused.push(e.violatedDirective + " " + e.blockedURI));
"""
MOST_WORDS = {"index.html": 650, "lead.html": 1200, "trainer.html": 1200, "analyst.html": 1200}
"""Words of a page as it opens; a reader's five minutes are about 1,200 (about 240 words a minute; common practice, no source)."""
VISIBLE_TEXT = """
document.querySelectorAll("svg").forEach(one => one.remove());
document.querySelectorAll("select").forEach(one => [...one.options].slice(1).forEach(option => option.remove()));
return document.body.innerText;
"""
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-dev-shm-usage", "--disable-ipc-flooding-protection",
)  # fmt: skip


CUT = """
const faults = [];
document.querySelectorAll(".chart svg").forEach(svg => {
  const edge = svg.getBoundingClientRect();
  if (edge.width) svg.querySelectorAll("text").forEach(text => {
    const box = text.getBoundingClientRect(), words = text.textContent.trim();
    const out = box.left < edge.left - 1 || box.right > edge.right + 1 || box.top < edge.top - 1 || box.bottom > edge.bottom + 1;
    if (words && box.width && (out || words.endsWith("…"))) faults.push(words);
  });
});
return faults;
"""


@contextmanager
def opened_browser(
    width: int = 1600, height: int = 900, variables: dict[str, str] | None = None, reach: str = "~NOTFOUND"
) -> Iterator[webdriver.Chrome]:
    """The browser, its window that wide, with these environment variables; `reach` is the one host that it finds.

    Skips where no browser is installed.
    """
    if BROWSER is None or DRIVER is None:
        pytest.skip("no Chromium with its driver on this machine")
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (*FLAGS, f"--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE {reach}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER, env={**os.environ, **(variables or {})}))
    try:
        resized(driver, width, height)
        driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": KEEP_REFUSALS})
        yield driver
    finally:
        driver.quit()


def resized(driver: webdriver.Chrome, width: int, height: int = 900) -> None:
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def drawn_charts(driver: webdriver.Chrome, path: Path) -> int:
    """Open a page, bring each of its charts into sight until it is drawn; how many there are."""
    driver.get(path.as_uri())
    driver.execute_script("document.querySelectorAll('details').forEach(one => one.open = true)")
    charts = int(driver.execute_script("return document.querySelectorAll('[data-chart]').length"))
    for at in range(charts):
        look = "var c = document.querySelectorAll('[data-chart]')[arguments[0]]; c.scrollIntoView(); "
        ready = look + "return c.querySelector('svg') && c.classList.contains('vega-embed')"
        WebDriverWait(driver, PATIENCE_S, 0.05).until(lambda d, at=at, ready=ready: d.execute_script(ready, at))
    whole = f"return document.body.dataset.drawn === '{charts}' || Boolean(document.body.dataset.failed)"
    WebDriverWait(driver, PATIENCE_S, 0.05).until(lambda d: d.execute_script(whole))
    return charts


def visible_words(driver: webdriver.Chrome, path: Path) -> int:
    """Words of a page as it opens, with nothing unfolded, without those in charts and with one option of each list."""
    driver.get(path.as_uri())
    return len(str(driver.execute_script(VISIBLE_TEXT)).split())


def cut_labels(driver: webdriver.Chrome) -> list[str]:
    """Words of pictures and live charts that reach beyond the edge of their chart or are cut short."""
    return list(driver.execute_script(CUT))


def complaints(driver: webdriver.Chrome) -> list[str]:
    """What the page logged as a warning or worse, and what its policy refused."""
    logged = [entry["message"] for entry in driver.get_log("browser") if entry["level"] in ("WARNING", "SEVERE")]
    return logged + list(driver.execute_script("return window.refused"))


def asked_for(driver: webdriver.Chrome) -> list[str]:
    """Every address a page asked for since the last call."""
    message = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    request = [event["params"]["request"]["url"] for event in message if event["method"] == "Network.requestWillBeSent"]
    return [url for url in request if not url.startswith("data:")]


def accessibility_faults(driver: webdriver.Chrome) -> list[str]:
    """Serious and critical faults that axe-core finds: rule, how many, the first place."""
    if not AXE.exists():
        pytest.skip(f"no axe-core: npm install --prefix .browser axe-core, or name axe.min.js in REBLEED_AXE ({AXE})")
    driver.execute_script(AXE.read_text("utf-8"))
    driver.set_script_timeout(PATIENCE_S)
    run = "var done = arguments[arguments.length - 1]; axe.run(document).then(done, e => done({violations: [{id: String(e), impact: 'critical', nodes: [{html: ''}]}]}));"
    elements: dict[str, Any] = driver.execute_async_script(run)
    return [
        f"{one['id']} ({len(one['nodes'])}): {one['nodes'][0]['html'][:300]}"
        for one in elements["violations"]
        if one["impact"] in ("serious", "critical")
    ]


def printed(driver: webdriver.Chrome, path: Path) -> Path:
    """The page as it stands, printed on A4."""
    sheet = {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": True, "preferCSSPageSize": True}
    path.write_bytes(base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", sheet)["data"]))
    return path
