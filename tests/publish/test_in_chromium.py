"""The web page in a real browser: no barrier, on a phone, in the dark, on paper, off the net."""

import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest

from reedlab.publish import handout
from tests.publish.conftest import DAY
from tests.publish.printed import reader

CHROMIUM = Path("/usr/bin/chromium")
#: The rules for barriers come from the npm registry, in this version; MPL-2.0.
AXE = "axe-core@4.14.1"
PHONE = {"width": 360, "height": 740}
DESK = {"width": 1200, "height": 1500}
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="no /usr/bin/chromium (apt: chromium)"),
]
#: Every element that has text of its own: the size of its letters, px.
SIZES = """() => [...document.querySelectorAll("body *")]
  .filter(one => [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim()))
  .filter(one => one.getClientRects().length)
  .map(one => [one.textContent.trim().slice(0, 40), parseFloat(getComputedStyle(one).fontSize)])
"""
#: How far the page is wider than the window, px; and what sticks out without a bar of its own.
OVERFLOW = """() => [
  document.documentElement.scrollWidth - window.innerWidth,
  [...document.querySelectorAll("body *")]
    .filter(one => !one.closest(".wide"))
    .filter(one => one.getBoundingClientRect().right > window.innerWidth + 1)
    .map(one => one.outerHTML.slice(0, 80)),
]"""
BARRIERS = """async () => (await axe.run(document, { resultTypes: ["violations"] })).violations
  .map(one => `${one.id}: ${one.nodes.map(node => node.html.slice(0, 90)).join(" | ")}`)"""


@pytest.fixture(scope="session")
def axe(tmp_path_factory):
    """The script that looks for barriers, fetched by the registry's own client."""
    if shutil.which("npm") is None:
        pytest.skip("no npm (apt: npm), so axe-core cannot be fetched")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        ["npm", "pack", AXE, "--silent"], cwd=folder, capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip(f"npm cannot fetch {AXE}: {done.stderr.strip()[-120:]}")
    with tarfile.open(folder / done.stdout.strip().splitlines()[-1]) as packed:
        script = packed.extractfile("package/axe.min.js")
        assert script is not None
        return script.read().decode("utf-8")


@pytest.fixture(scope="module")
def chromium():
    from playwright.sync_api import sync_playwright

    args = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"]
    args += ["--disable-background-networking"]
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=str(CHROMIUM), args=args)
        yield found
        found.close()


@pytest.fixture(scope="module", params=["students", "colleagues"])
def told(request, season, observed_answers, tmp_path_factory):
    from reedlab.analyse import keep_rate

    folder = tmp_path_factory.mktemp(request.param)
    answers = [*observed_answers, keep_rate(season)]
    handout(season, answers, audience=request.param, made_on=DAY, to=folder)
    return folder / "handout.html"


@pytest.fixture(params=["light", "dark"])
def opened(request, chromium, told):
    """The page at a desk; what it asks of any machine is kept."""
    page = chromium.new_page(viewport=DESK, color_scheme=request.param)
    page.asked = []
    page.on("request", lambda one: page.asked.append(one.url))
    page.goto(told.as_uri())
    page.scheme = request.param
    yield page
    page.close()


def test_there_is_no_barrier(opened, axe):
    for size in (DESK, PHONE):
        opened.set_viewport_size(size)
        opened.evaluate(axe)
        assert opened.evaluate(BARRIERS) == []


def test_nothing_is_asked_of_any_machine(opened, told):
    opened.wait_for_load_state("networkidle")
    beyond = [url for url in opened.asked if not url.startswith("data:")]
    assert beyond == [told.as_uri()]


def test_every_picture_is_shown(opened):
    drawn = "() => [...document.images].map(one => [one.complete, one.naturalWidth > 100])"
    assert opened.evaluate(drawn) == [[True, True]] * 3


def test_it_is_readable_on_a_phone(opened, told):
    opened.set_viewport_size(PHONE)
    opened.screenshot(path=told.with_name(f"phone_{opened.scheme}.png"), full_page=True)
    assert opened.evaluate(OVERFLOW) == [0, []]
    assert [one for one in opened.evaluate(SIZES) if one[1] < 16] == []


def test_it_is_readable_at_a_desk(opened, told):
    opened.screenshot(path=told.with_name(f"desk_{opened.scheme}.png"), full_page=True)
    assert opened.evaluate(OVERFLOW) == [0, []]


def test_print_preview_is_one_to_three_pages(opened, told):
    printed = opened.pdf(prefer_css_page_size=True)
    told.with_name("preview.pdf").write_bytes(printed)
    pages = reader(printed).pages
    assert 1 <= len(pages) <= 3
    assert all(len(page.extract_text()) > 200 for page in pages)
    # The last word of the page is on the paper too.
    assert "Looked at so far" in pages[-1].extract_text()
