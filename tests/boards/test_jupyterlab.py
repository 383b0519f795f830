"""The lead's and the trainer's notebooks open in JupyterLab in a real browser without a network, their boards drawn."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from selenium.webdriver.support.ui import Select, WebDriverWait

from tests.pages.browser import PATIENCE_S, opened_browser, resized
from tests.shops import exports

pytest.importorskip("jupyterlab")
pytestmark = pytest.mark.slow
SOURCES = Path(__file__).parents[2] / "notebooks"
WHOLE = {"windowingMode": "none"}
"""JupyterLab otherwise draws only the cells in sight."""
BOARDS = {
    "lead": ("How many bleeds came back within 90 days", "[class*=technician_dots] path"),
    "trainer": ("Who misses a step more or less often", "[class*=matrix] path"),
}
BOARD = """
const all = [...document.querySelectorAll(".jp-RenderedVegaCommon5 svg, .jp-RenderedVegaCommon6 svg")];
return all.find(one => one.textContent.includes(arguments[0])) || null;
"""
SENTENCE = """
const says = words => words.includes(arguments[1]) && /: .*%/.test(words);
return [...arguments[0].querySelectorAll("text")].some(one => says(one.textContent));
"""
"""Whether the board's sentence is about the chosen name."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both notebooks after a run on a small shop's exports, up to the cell that shows the board."""
    created: Path = tmp_path_factory.mktemp("notebooks")
    for name in BOARDS:
        book = nbformat.read(SOURCES / f"{name}.ipynb", as_version=4)
        at = next(i for i, cell in enumerate(book.cells) if "parameters" in cell.metadata.get("tags", []))
        own = f"exports = [{str(exports())!r}]\nmap_path, as_of = None, None"
        book.cells.insert(at + 1, nbformat.v4.new_code_cell(own, id="injected"))
        last = next(i for i, cell in enumerate(book.cells) if f"{name}_board(report)" in cell.source)
        book.cells = book.cells[: last + 1]
        NotebookClient(book, timeout=300, resources={"metadata": {"path": str(SOURCES)}}).execute()
        nbformat.write(book, created / f"{name}.ipynb")
    return created


@pytest.fixture(scope="module")
def server(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a JupyterLab over that folder, with a configuration of its own."""
    own = tmp_path_factory.mktemp("jupyter")
    settings = own / "settings" / "@jupyterlab" / "notebook-extension"
    settings.mkdir(parents=True)
    (settings / "tracker.jupyterlab-settings").write_text(json.dumps(WHOLE))
    variables = {
        "HOME": str(own), "JUPYTER_CONFIG_DIR": str(own / "config"), "JUPYTER_RUNTIME_DIR": str(own / "run"),
        "JUPYTERLAB_SETTINGS_DIR": str(own / "settings"), "JUPYTERLAB_WORKSPACES_DIR": str(own / "workspaces"),
    }  # fmt: skip
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={port}",
        "--IdentityProvider.token=", f"--ServerApp.root_dir={folder}",
    ]  # fmt: skip
    quiet = subprocess.DEVNULL
    with subprocess.Popen(command, env={**os.environ, **variables}, stdout=quiet, stderr=quiet) as process:
        try:
            yield answering(f"http://127.0.0.1:{port}")
        finally:
            process.terminate()


def answering(address: str) -> str:
    """The address, once a server answers at it."""
    end = time.monotonic() + PATIENCE_S
    while True:
        try:
            urllib.request.urlopen(f"{address}/api/status", timeout=5).close()
            return address
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


@pytest.fixture(scope="module")
def driver() -> Iterator:
    with opened_browser(1280, 800, reach="127.0.0.1") as one:
        yield one


@pytest.mark.parametrize("name", sorted(BOARDS))
def test_the_notebook_opens_with_its_board_drawn(driver, server: str, name: str) -> None:
    title, marks = BOARDS[name]
    resized(driver, 1280, 800)
    driver.get(f"{server}/lab/tree/{name}.ipynb")
    board = WebDriverWait(driver, 2 * PATIENCE_S).until(lambda d: d.execute_script(BOARD, title))
    assert driver.execute_script("return arguments[0].getBoundingClientRect().width", board) > 800
    assert len(board.find_elements("css selector", marks)) > 3
    lists = driver.execute_script("return [...arguments[0].parentNode.querySelectorAll('select')]", board)
    assert len(lists) >= 2
    chosen = Select(lists[0])
    name = chosen.options[1].text
    chosen.select_by_index(1)
    WebDriverWait(driver, PATIENCE_S).until(lambda d: d.execute_script(SENTENCE, board, name))
