"""A notebook server of the test's own, and a browser whose microphone plays a file."""

import json
import os
import socket
import subprocess
import sys
import time
import urllib.request
import wave
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")
ROOT = Path(__file__).parents[2]
TOKEN = "bench-page-under-test"
CELL = 'import reedlab\n\nreedlab.bench(reedlab.open_study("study"))'

IDLE = ".jp-Notebook-ExecutionIndicator[data-status='idle']"
FAILURE = "[data-mime-type='application/vnd.jupyter.error']"


@contextmanager
def lab(home: Path, cell: str = CELL) -> Iterator[str]:
    """Start JupyterLab in a folder on a free port; give the address of its notebook."""
    _write_notebook(home / "bench.ipynb", cell)
    settings = home / ".jupyter" / "settings"
    quiet = settings / "@jupyterlab" / "apputils-extension" / "notification.jupyterlab-settings"
    quiet.parent.mkdir(parents=True, exist_ok=True)
    quiet.write_text('{"fetchNews": "false", "checkForUpdates": false}', "utf-8")
    own = {
        "JUPYTER_CONFIG_DIR": home / ".jupyter",
        "JUPYTER_DATA_DIR": home / ".jupyter" / "data",
        "JUPYTER_RUNTIME_DIR": home / ".jupyter" / "runtime",
        "JUPYTERLAB_SETTINGS_DIR": settings,
        "JUPYTERLAB_WORKSPACES_DIR": home / ".jupyter" / "workspaces",
        "IPYTHONDIR": home / ".ipython",
        "PYTHONPATH": ROOT,
    }
    port = _free_port()
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root"]
    command += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]
    command += [f"--IdentityProvider.token={TOKEN}", f"--ServerApp.root_dir={home}"]
    with (home / "server.log").open("wb") as log:
        server = subprocess.Popen(
            command,
            cwd=home,
            stdout=log,
            stderr=log,
            env=os.environ | {name: str(value) for name, value in own.items()},
        )
        try:
            _wait_for(f"http://127.0.0.1:{port}/api/status?token={TOKEN}", server, home)
            yield f"http://127.0.0.1:{port}/lab/tree/bench.ipynb?token={TOKEN}"
        finally:
            server.terminate()
            server.wait(30)


@contextmanager
def browser(sound: Path | None, told: list[str], before: str = "") -> Iterator[Page]:
    """Open a browser whose microphone plays a file once; what it asks elsewhere is told.

    A script may change the browser `before` any page is loaded.
    """
    args = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"]
    args += ["--disable-background-networking", "--use-fake-ui-for-media-stream"]
    args += ["--use-fake-device-for-media-stream"]
    if sound:
        args += [f"--use-file-for-fake-audio-capture={sound}%noloop"]
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=args)
        page = chromium.new_page(viewport={"width": 1200, "height": 1500})

        def only_here(route) -> None:
            if route.request.url.startswith(("http://127.0.0.1", "blob:", "data:")):
                route.continue_()
            else:
                told.append(route.request.url)
                route.abort()

        page.route("**/*", only_here)
        if before:
            page.add_init_script(before)
        try:
            yield page
        finally:
            chromium.close()


def write_wav(path: Path, samples: np.ndarray, rate_hz: float, lead_s: float = 0.0) -> Path:
    """Write 16 bits, one channel, with faint noise before and after, as a room has it."""
    rng = np.random.default_rng(3)
    quiet = 1e-4 * rng.standard_normal((2, round(lead_s * rate_hz)))
    whole = np.concatenate([quiet[0], samples, quiet[1]])
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(round(rate_hz))
        file.writeframes(np.round(whole * 32767).astype("<i2").tobytes())
    return path


def set_theme(home: Path, name: str) -> None:
    """Choose the colours of a notebook server that was started in a folder."""
    themes = home / ".jupyter/settings/@jupyterlab/apputils-extension/themes.jupyterlab-settings"
    themes.write_text(json.dumps({"theme": name}), "utf-8")


def run_all(page: Page, longest_s: float) -> None:
    """Run all cells of the open notebook, whose outputs are cleared, until done or one fails."""
    # An empty notebook stands there until the chapter, which begins with a text, is loaded.
    page.locator(".jp-Notebook .jp-MarkdownCell").first.wait_for(timeout=60_000)
    page.locator(IDLE).wait_for(timeout=60_000)
    page.get_by_text("Python 3 (ipykernel) | Idle").wait_for(timeout=60_000)
    until = time.monotonic() + longest_s
    # A cell out of sight has no inner text; a failure leaves the cells below it without a number.
    while time.monotonic() < until:
        prompts = page.locator(".jp-CodeCell .jp-InputPrompt").all_text_contents()
        if all(prompt[1:2].isdigit() for prompt in prompts) or page.locator(FAILURE).count():
            page.locator(IDLE).wait_for(timeout=60_000)
            return
        # A kernel that says it is idle while it is still being connected runs nothing.
        if all(prompt[1:2].isspace() for prompt in prompts):
            page.locator(".lm-MenuBar-item", has_text="Run").click()
            page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
        page.wait_for_timeout(1000)
    raise TimeoutError(f"cells are not done after {longest_s:.0f} s: {prompts}")


def restart_kernel(page: Page) -> None:
    """Start the kernel of the open notebook anew, by the menu."""
    page.locator(".lm-MenuBar-item", has_text="Kernel").click()
    page.locator(".lm-Menu-item", has_text="Restart Kernel…").first.click()
    page.locator(".jp-Dialog button.jp-mod-accept").click()


def _write_notebook(path: Path, source: str) -> None:
    cell = {"cell_type": "code", "id": "one", "execution_count": None, "metadata": {}}
    cell |= {"outputs": [], "source": source}
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    metadata = {"kernelspec": kernel}
    notebook = {"cells": [cell], "metadata": metadata, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(notebook), "utf-8")


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def _wait_for(address: str, server: subprocess.Popen, home: Path) -> None:
    for _ in range(300):
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except OSError:
            time.sleep(0.2)
        if server.poll() is not None:
            break
    raise RuntimeError((home / "server.log").read_text("utf-8")[-3000:])
