"""Every chapter runs top to bottom in JupyterLab in a browser, as a maker would run it."""

import json
import shutil
import time
from pathlib import Path

import pytest

from tests.page.lab import ROOT

CHROMIUM = Path("/usr/bin/chromium")
CHAPTERS = sorted((ROOT / "notebooks").glob("*.ipynb"))
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="no /usr/bin/chromium (apt: chromium)"),
]
LONGEST_S = 180
#: Higher a browser draws no window.
HIGHEST_PX = 16_000


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Chapters without their outputs, and the studies they read."""
    folder = tmp_path_factory.mktemp("chapters")
    shutil.copytree(ROOT / "data", folder / "data")
    (folder / "notebooks").mkdir()
    for chapter in CHAPTERS:
        notebook = json.loads(chapter.read_text("utf-8"))
        for cell in notebook["cells"]:
            if cell["cell_type"] == "code":
                cell |= {"outputs": [], "execution_count": None}
        (folder / "notebooks" / chapter.name).write_text(json.dumps(notebook), "utf-8")
    return folder


@pytest.fixture(scope="module")
def address(home):
    from tests.page.lab import lab

    with lab(home) as found:
        yield found


@pytest.mark.parametrize("chapter", CHAPTERS, ids=lambda path: path.stem)
def test_a_chapter_runs_to_its_end(chapter, home, address):
    from tests.page.lab import FAILURE, browser, run_all

    # A place of its own for each, or the chapters before it are opened too.
    place = f"lab/workspaces/{chapter.stem}/tree/notebooks/{chapter.name}"
    elsewhere: list[str] = []
    with browser(None, elsewhere) as page:
        page.goto(address.replace("lab/tree/bench.ipynb", place))
        began = time.monotonic()
        run_all(page, LONGEST_S)
        took = time.monotonic() - began
        pictures = seen_whole(page, home / f"{chapter.stem}.png")
        print(f"\n{chapter.stem}: {took:.0f} s, {len(pictures)} pictures")
        assert page.locator(FAILURE).all_text_contents() == []
        assert page.locator("[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
        assert [alt for drawn, alt in pictures if not drawn] == []
        assert len(pictures) >= shown_in(chapter)
        # Every change of a chapter is kept in a copy, and nothing is asked of any other machine.
        assert elsewhere == []


def seen_whole(page, shot: Path) -> list[tuple[bool, str]]:
    """Take a picture of the whole notebook; tell of each picture in it whether it is drawn."""
    whole = page.locator(".jp-WindowedPanel-outer").first
    # Of cells that were never in sight the height is guessed: only the second one is right.
    for _ in range(2):
        height = whole.evaluate("book => book.scrollHeight")
        page.set_viewport_size({"width": 1200, "height": min(height + 150, HIGHEST_PX)})
        whole.evaluate("book => { book.scrollTop = 0; }")
        page.wait_for_timeout(500)
    page.screenshot(path=shot)
    return whole.locator("img").evaluate_all(
        "all => all.map((one) => [one.complete && one.naturalWidth > 0, one.alt])"
    )


def shown_in(chapter: Path) -> int:
    """Count the pictures among the outputs with which a chapter is kept."""
    cells = json.loads(chapter.read_text("utf-8"))["cells"]
    outputs = [output for cell in cells for output in cell.get("outputs", [])]
    return sum("image/png" in output.get("data", {}) for output in outputs)
