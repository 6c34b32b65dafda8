"""Build the reference pages: a front page by the maker's questions, and a page for each room.

`python .docs/build.py OUT` writes HTML that needs no network. Every text comes from where it is
kept already: the questions from the README, all else from the docstrings. Notebooks are copied.
"""

import re
import shutil
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType

import markdown2
from pdoc import doc, render, render_helpers

import reedlab

HERE = Path(__file__).parent
ROOT = HERE.parent
#: Public besides the rooms that the package names.
ALSO = ("answer", "errors", "demo.sound")
#: Where a name without its room is looked for, in this order.
ASKED_OF = ("analyse", "plan", "measure", "publish", "study")


def build(out: Path) -> list[Path]:
    """Write all pages into a folder that is made for them; give the pages.

    Raises
    ------
    FileExistsError
        If something stands there already.
    """
    out.mkdir(parents=True)
    shutil.copytree(ROOT / "notebooks", out / "notebooks", ignore=lambda *_: [".ipynb_checkpoints"])
    pages = {name: doc.Module(import_module(name)) for name in page_names()}
    _set_up(pages)
    written = []
    for name, module in pages.items():
        page = out / page_of(name)
        page.parent.mkdir(parents=True, exist_ok=True)
        page.write_text(_with_sections(render.html_module(module, pages)), "utf-8")
        written.append(page)
    front = render.env.get_template("front.html.jinja2").render(
        questions=_linked(_questions((ROOT / "README.md").read_text("utf-8"))),
        rooms=[(name, module.docstring, list(_index(name))) for name, module in pages.items()],
        all_modules=pages,
    )
    (out / "index.html").write_text(front, "utf-8")
    return [out / "index.html", *written]


def page_names() -> list[str]:
    """Name the modules that have a page: the rooms, and what is public besides."""
    rooms = [name for name in reedlab.__all__ if isinstance(getattr(reedlab, name), ModuleType)]
    return [f"reedlab.{name}" for name in (*rooms, *ALSO)]


def public_names(module: ModuleType) -> list[str]:
    """Name what a module exports; without a list of exports, what it defines itself."""
    if hasattr(module, "__all__"):
        return list(module.__all__)
    return [
        name
        for name, thing in vars(module).items()
        if not name.startswith("_") and getattr(thing, "__module__", "") == module.__name__
    ]


def page_of(name: str) -> str:
    """Place of a module's page in the folder."""
    return name.replace(".", "/") + ".html"


def _set_up(pages: dict[str, doc.Module]) -> None:
    # Headings inside docstrings are the same everywhere: as anchors they would stand many times.
    for extra in ("header-ids", "toc"):
        render_helpers.markdown_extensions.pop(extra, None)
    render.configure(
        docformat="numpy",
        include_undocumented=False,
        search=False,
        show_source=False,
        footer_text=f"reedlab {reedlab.__version__}",
        template_directory=HERE / "look",
    )
    render.env.globals["pages"] = {name: page_of(name) for name in pages}


def _with_sections(page: str) -> str:
    """Sections of a docstring one level below the heading of their page, for who listens."""
    return re.sub(r"<(/?)h6>", r"<\1h3>", page)


def _questions(readme: str) -> str:
    """Take the table of questions out of the README, as HTML."""
    text = readme.split("\n## The twenty questions\n")[1].split("\n## ")[0]
    table = "\n".join(line for line in text.splitlines() if line.startswith("|"))
    return str(markdown2.markdown(table, extras=["tables", "code-friendly"]))


def _linked(html: str) -> str:
    """Link every call that has a page."""

    def to_page(code: re.Match[str]) -> str:
        found = _place(code[1])
        return f'<a href="{found}">{code[0]}</a>' if found else code[0]

    return re.sub(r"<code>([^<]+)</code>", to_page, html)


def _place(call: str) -> str:
    """Find the page and anchor of a call as the README writes it; empty for a command."""
    name = call.split("(")[0].strip().removeprefix("reedlab.")
    if not name.replace(".", "").isidentifier():
        return ""
    if name.startswith("study."):
        return f"{page_of('reedlab.study')}#Study.{name.removeprefix('study.')}"
    room, _, last = name.rpartition(".")
    for where in [room] if room else ASKED_OF:
        module = import_module(f"reedlab.{where}")
        if last in public_names(module):
            return f"{page_of(module.__name__)}#{last}"
    home = getattr(reedlab, last, None)
    if home is not None and not isinstance(home, ModuleType):
        where = home.__module__.split(".")[1]
        return f"{page_of(f'reedlab.{where}')}#{last}"
    return ""


def _index(name: str) -> Iterator[tuple[str, str]]:
    """Give every public name of a module with the first line of what it says of itself."""
    module = import_module(name)
    for public in sorted(public_names(module), key=lambda one: (one[0].isupper(), one.lower())):
        if not public.isupper():
            line = (getattr(module, public).__doc__ or "").strip().split("\n")[0]
            yield public, re.sub(r"(?::\w+:)?`+([^`]+)`+", r"\1", line)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Say where to: python .docs/build.py OUT")
    if Path(sys.argv[1]).exists():
        sys.exit(f"{sys.argv[1]} is there already: name a folder that is not.")
    build(Path(sys.argv[1]))
