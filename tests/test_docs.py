"""The reference pages are whole: every public name is there, every link leads somewhere."""

import json
import os
import re
import subprocess
import sys
from collections import Counter
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from types import ModuleType
from urllib.parse import unquote, urlsplit

import html5lib
import markdown2
import pytest

import reedlab

ROOT = Path(__file__).parents[1]
#: Of pandas' own types only the checker's can be asked what they hold.
HARMLESS = "ignore:Error parsing type annotation pd.Series:UserWarning"
ALSO = ("answer", "errors", "demo.sound")


class Page(HTMLParser):
    """What a page links to, what may be linked to in it, and its text outside of examples."""

    def __init__(self, path: Path, text: str) -> None:
        super().__init__()
        self.path, self.links, self.anchors = path, [], []
        self.text, self.needs, self.pictures = "", [], []
        self._inside_pre = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._inside_pre += tag == "pre"
        self.anchors += [given["id"]] if given.get("id") else []
        if tag == "a" and given.get("href"):
            self.links.append(given["href"])
        if tag == "img":
            self.pictures.append(given)
            self.links.append(given["src"])
        if tag in ("script", "link", "iframe"):
            self.needs.append(self.get_starttag_text())

    def handle_endtag(self, tag: str) -> None:
        self._inside_pre -= tag == "pre"

    def handle_data(self, data: str) -> None:
        if not self._inside_pre:
            self.text += data


def broken(page: Page, pages: dict[Path, Page]) -> list[str]:
    """Links of a page within this machine that lead nowhere."""
    lost = []
    for link in page.links:
        parts = urlsplit(link)
        if parts.scheme:
            continue
        target = page.path
        if parts.path:
            target = (page.path.parent / unquote(parts.path)).resolve()
        anchor = unquote(parts.fragment)
        if not target.exists() or (anchor and anchor not in pages[target].anchors):
            lost.append(link)
    return lost


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    out = tmp_path_factory.mktemp("docs").resolve() / "pages"
    command = [sys.executable, "-W", "error", "-W", HARMLESS, ".docs/build.py", str(out)]
    subprocess.run(command, cwd=ROOT, check=True)
    return {path: Page(path, path.read_text("utf-8")) for path in sorted(out.rglob("*.html"))}


def test_every_link_and_anchor_is_there_and_nothing_is_needed_from_elsewhere(pages):
    assert {path.name: broken(page, pages) for path, page in pages.items()} == {
        path.name: [] for path in pages
    }
    counts = [len(page.links) for page in pages.values()]
    print(f"\n{len(pages)} pages, {sum(counts)} links")
    for path, page in pages.items():
        assert page.needs == [], path
        assert [one for one, count in Counter(page.anchors).items() if count > 1] == [], path
        html5lib.HTMLParser(strict=True).parse(path.read_text("utf-8"))


def test_every_public_name_has_its_place(pages):
    out = next(path.parent for path in pages if path.name == "index.html")
    rooms = [name for name in reedlab.__all__ if isinstance(getattr(reedlab, name), ModuleType)]
    for room in (*rooms, *ALSO):
        module = import_module(f"reedlab.{room}")
        page = pages[out / "reedlab" / f"{room.replace('.', '/')}.html"]
        assert [name for name in getattr(module, "__all__", []) if name not in page.anchors] == []
        assert page.path.relative_to(out).as_posix() in pages[out / "index.html"].links
    homes = {name: getattr(reedlab, name).__module__ for name in set(reedlab.__all__) - set(rooms)}
    for name, module in homes.items():
        page = pages[out / "reedlab" / f"{module.split('.')[1]}.html"]
        assert name in page.anchors


def test_no_section_of_a_docstring_is_shown_raw(pages):
    for path, page in pages.items():
        raw = re.findall(r"-{4,}|:(?:func|class|meth|mod):|>>> ?|^\.\. ", page.text, re.MULTILINE)
        assert raw == [], path
        assert page.text.count("``") == 0, path


def test_the_front_page_answers_all_questions_by_call_and_chapter(pages):
    front = next(path for path in pages if path.name == "index.html")
    text = front.read_text("utf-8")
    rows = re.findall(r"<tr>\s*<td>(\d+)</td>(.*?)</tr>", text, re.DOTALL)
    assert [int(number) for number, _ in rows] == list(range(1, 21))
    for number, row in rows:
        assert 'href="reedlab/' in row, number
        assert 'href="notebooks/' in row, number
    for notebook in (ROOT / "notebooks").glob("*.ipynb"):
        assert f"notebooks/{notebook.name}" in pages[front].links or not_by_question(notebook)


def not_by_question(notebook: Path) -> bool:
    """Chapters on how to begin, which the README links where it tells of beginning."""
    return f"(notebooks/{notebook.name})" in (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_of_the_texts_lead_somewhere(name):
    paths = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    pages = {path.resolve(): text_page(path, path.read_text("utf-8")) for path in paths}
    page = pages[(ROOT / name).resolve()]
    assert broken(page, pages) == []
    assert [picture for picture in page.pictures if not picture.get("alt")] == []


def test_the_picture_of_the_readme_is_small_and_says_what_is_found(tmp_path):
    code = f"import picture; print(picture.draw(picture.Path({str(tmp_path / 'answer.png')!r})))"
    told = subprocess.run(
        [sys.executable, "-X", "utf8", "-c", code],
        cwd=ROOT / ".docs",
        env=os.environ | {"MPLBACKEND": "Agg"},
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    readme = " ".join((ROOT / "README.md").read_text("utf-8").split())
    assert "](.docs/answer.png)" in readme
    assert re.search('"(gouge, centre [^"]+)"', readme)[1] in told.stdout
    assert (ROOT / ".docs/answer.png").stat().st_size < 60_000


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda p: p.stem)
def test_links_of_the_chapters_lead_somewhere(path):
    cells = json.loads(path.read_text("utf-8"))["cells"]
    text = "\n\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "markdown")
    page = text_page(path, text)
    page.links = [link for link in page.links if not link.startswith("attachment:")]
    assert broken(page, {page.path: page}) == []
    assert [picture for picture in page.pictures if not picture.get("alt")] == []


def text_page(path: Path, text: str) -> Page:
    extras = ["tables", "fenced-code-blocks", "header-ids", "code-friendly"]
    return Page(path.resolve(), str(markdown2.markdown(text, extras=extras)))


def test_a_broken_link_and_a_missing_anchor_are_found(tmp_path):
    page = Page(tmp_path / "a.html", '<a id="x" href="#x">.</a><a href="#y">.</a><a href="b">.</a>')
    page.path.touch()
    assert broken(page, {page.path: page}) == ["#y", "b"]


def test_a_folder_that_is_there_is_left_alone(tmp_path):
    command = [sys.executable, ".docs/build.py", str(tmp_path)]
    told = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert told.returncode == 1
    assert told.stderr == f"{tmp_path} is there already: name a folder that is not.\n"
