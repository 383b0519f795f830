"""The lead's and the trainer's notebooks run in JupyterLab in a real browser without a network, light and dark."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver.support.ui import WebDriverWait
from typer.testing import CliRunner

from analysis.cli import app
from tests.pages.browser import opened_browser

pytestmark = pytest.mark.slow
NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
START_S, RUN_S = 120, 600
READY = "return Boolean(window.jupyterapp && document.querySelector('.jp-NotebookPanel .jp-Cell'))"
IDLE = """
const panel = window.jupyterapp.shell.currentWidget, kernel = panel.sessionContext.session && panel.sessionContext.session.kernel;
return Boolean(kernel) && kernel.status === "idle";
"""
RUN = "window.jupyterapp.commands.execute('notebook:run-all-cells').then(() => { window.ranAll = true; })"
THEME = "window.jupyterapp.commands.execute('apputils:change-theme', {theme: arguments[0]})"
BOARD = """
const svg = [...document.querySelectorAll('.jp-OutputArea-output svg.marks')].sort((a, b) => b.clientWidth - a.clientWidth)[0];
if (!svg) return null;
svg.scrollIntoView();
const text = svg.querySelector('.role-axis-label text');
return {width: svg.clientWidth, marks: svg.querySelectorAll('[aria-roledescription]').length,
        ink: getComputedStyle(text).fill, paper: getComputedStyle(document.querySelector('.jp-Notebook')).backgroundColor,
        scripted: Boolean(svg.closest('.vega-embed'))};
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lab")
    assert CliRunner().invoke(app, ["demo", "--out", str(folder / "rebleed-demo")]).exit_code == 0
    shutil.copytree(NOTEBOOKS, folder / "notebooks")
    return folder


@pytest.fixture(scope="module")
def address(place: Path) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    options = ["--no-browser", "--expose-app-in-browser", "--ip=127.0.0.1", f"--port={port}", "--allow-root"]
    options += ["--IdentityProvider.token=", "--ServerApp.disable_check_xsrf=True", f"--ServerApp.root_dir={place}"]
    lab = [sys.executable, "-m", "jupyterlab", *options]
    with (place / "lab.log").open("w") as log, subprocess.Popen(lab, stdout=log, stderr=log, cwd=place) as process:
        try:
            yield f"http://127.0.0.1:{port}/lab/tree/notebooks/"
        finally:
            process.terminate()
            process.wait(30)


def brightness(colour: str) -> float:
    """Mean of red, green and blue of `rgb(...)`, 0 to 255."""
    parts = [float(part) for part in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    return sum(parts) / 3


@pytest.mark.parametrize("name", ["lead", "trainer"])
def test_the_board_is_live_and_legible_in_jupyterlab(place, address, name) -> None:
    with opened_browser(1500, 900) as driver:
        deadline = time.monotonic() + START_S
        while True:
            try:
                driver.get(f"{address}{name}.ipynb")
                break
            except Exception:
                assert time.monotonic() < deadline, (place / "lab.log").read_text()
                time.sleep(1)
        wait = WebDriverWait(driver, RUN_S, 0.5)
        wait.until(lambda d: d.execute_script(READY))
        wait.until(lambda d: d.execute_script(IDLE))
        driver.execute_script(RUN)
        wait.until(lambda d: d.execute_script("return window.ranAll === true"))
        errors = driver.execute_script(
            "return [...document.querySelectorAll('[data-mime-type*=stderr], .jp-RenderedText[data-mime-type*=error]')]"
            ".map(e => e.textContent)"
        )
        assert errors == []
        for theme, dark in (("JupyterLab Light", False), ("JupyterLab Dark", True)):
            driver.execute_script(THEME, theme)
            time.sleep(2)
            board = driver.execute_script(BOARD)
            assert board is not None, theme
            driver.save_screenshot(str(place / f"{name}_{'dark' if dark else 'light'}.png"))
            assert board["scripted"]
            assert board["width"] > 900
            assert board["marks"] > 50
            assert (brightness(board["paper"]) < 100) == dark
            assert abs(brightness(board["ink"]) - brightness(board["paper"])) > 100, board
