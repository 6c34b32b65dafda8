"""The bench page looked at: sizes, contrast, widths, themes, dropped files, a kernel gone."""

import base64
from pathlib import Path

import pytest

from reedlab.demo.sound import crow_sound
from reedlab.schema import cents
from tests.page.build import ready
from tests.page.hands import opened, part, press, says, take_reed
from tests.study.batch import FACTORS, plan_tables, sealed

CHROMIUM = Path("/usr/bin/chromium")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="no /usr/bin/chromium (apt: chromium)"),
]
CROW_HZ = 337.3
#: What a finger finds; the 44 CSS px of WCAG 2.2, criterion 2.5.5, and a little for wet hands.
LEAST_PX = 48
#: WCAG 2.2, criterion 1.4.3.
LEAST_CONTRAST = 4.5
#: Words of the plan's levels, its factors and its cane: of none may the browser hear.
SECRETS = (b"loose", b"tight", b"cutter", b'"hall"', b"wire, second", b"gouge_centre", b"tube_id")
PLAYED = """
window.played = [];
const play = HTMLMediaElement.prototype.play;
HTMLMediaElement.prototype.play = function () {
  return play.call(this).then(() => window.played.push(this.duration));
};
"""
LOOKS = Path(__file__).with_name("looks.js").read_text("utf-8").split("\n", 1)[1].strip()
SET_WIDTH = """width => Object.assign(document.querySelector('.rl-page').style,
  { width: `${width}px`, maxWidth: 'none' })"""
MOVING = "document.querySelector('.rl-page').getAnimations({ subtree: true }).length"


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    ready(folder)
    crow_sound(pitch_hz=CROW_HZ).write(folder / "crow.wav")
    return folder


@pytest.fixture(scope="module")
def address(home):
    from tests.page.lab import lab

    with lab(home) as found:
        yield found


def falls_short(page, what: str, *limit: float) -> list[str]:
    return page.evaluate(f"limit => ({LOOKS}).{what}(limit)", *limit)


def drop(page, file: Path, onto: str) -> None:
    """Let go of a file over a place of the page."""
    transfer = page.evaluate_handle(
        """([text, name]) => {
          const bytes = Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
          const transfer = new DataTransfer();
          transfer.items.add(new File([bytes], name));
          return transfer;
        }""",
        [base64.b64encode(file.read_bytes()).decode(), file.name],
    )
    page.locator(onto).first.dispatch_event("drop", {"dataTransfer": transfer})


def test_a_dropped_file_is_measured_heard_repeated_and_never_says_a_level(home, address):
    from tests.page.lab import browser

    frames: list[bytes] = []

    def keep(told: bytes | str) -> None:
        frames.append(told if isinstance(told, bytes) else told.encode())

    def listen(socket) -> None:
        socket.on("framereceived", keep)
        socket.on("framesent", keep)

    with browser(home / "crow.wav", [], PLAYED) as page:
        page.on("websocket", listen)
        opened(page, address)
        code = take_reed(page)
        says(page, "Now: crow. Press C")
        drop(page, home / "crow.wav", ".rl-page [data-part='rating']")
        says(page, "Drop the file on its step")
        drop(page, home / "crow.wav", ".rl-step")
        part(page, "number").wait_for(timeout=30_000)
        shown = float(part(page, "number").inner_text().removesuffix(" Hz"))
        assert abs(cents(shown, CROW_HZ)) < 3
        says(page, "Accept it, or repeat.")
        press(page, "p")
        page.wait_for_function("window.played.length === 1")
        press(page, "r")
        part(page, "take").wait_for(state="hidden")
        (home / "notes.pdf").write_bytes(b"%PDF-1.7 no sound at all")
        drop(page, home / "notes.pdf", ".rl-step")
        part(page, "fault").wait_for()
        fault = part(page, "fault").inner_text()
        print("\n" + fault)
        assert fault.startswith("The recording ")
        assert fault.count("\n") == 0
    wire = b"".join(frames)
    assert code.encode() in wire
    assert [secret for secret in SECRETS if secret in wire] == []


@pytest.mark.parametrize("theme", ["JupyterLab Light", "JupyterLab Dark"])
def test_large_and_plain_in_both_themes_narrow_and_wide(home, address, theme):
    from tests.page.lab import browser, set_theme

    set_theme(home, theme)
    with browser(home / "crow.wav", []) as page:
        page.emulate_media(reduced_motion="reduce")
        page.set_viewport_size({"width": 1700, "height": 1700})
        opened(page, address)
        page.wait_for_function(
            "light => document.body.dataset.jpThemeLight === light",
            arg=str("Light" in theme).lower(),
        )
        for moment in ("waiting", "heard"):
            if moment == "heard":
                take_reed(page)
                drop(page, home / "crow.wav", ".rl-step")
                part(page, "number").wait_for(timeout=30_000)
                press(page, "4")
                page.locator(".rl-page button[aria-pressed='true']").wait_for()
            for width in (360, 1200):
                page.evaluate(SET_WIDTH, width)
                page.wait_for_timeout(200)
                name = f"{theme.split()[-1].lower()} {width} {moment}.png"
                page.locator(".rl-page").screenshot(path=home / name)
                assert falls_short(page, "small", LEAST_PX) == []
                assert falls_short(page, "faint", LEAST_CONTRAST) == []
                assert falls_short(page, "outside") == []
        assert page.evaluate(MOVING) == 0


def test_a_kernel_that_was_started_anew_is_told_with_what_is_lost(home, address):
    from tests.page.lab import browser, restart_kernel

    with browser(home / "crow.wav", []) as page:
        opened(page, address)
        code = take_reed(page)
        drop(page, home / "crow.wav", ".rl-step")
        part(page, "number").wait_for(timeout=30_000)
        restart_kernel(page)
        page.locator(".jp-Notebook-ExecutionIndicator[data-status='idle']").wait_for()
        page.locator(".rl-page").focus()
        press(page, "4")
        says(page, "The kernel does not answer. What is listed as saved is on disk.")
        text = part(page, "message").inner_text()
        assert text.endswith(f"and the recordings, rating and note of {code} are lost.")
        opened(page, address)
        says(page, f"Take {code}: type or scan its code.")


def test_a_session_is_begun_and_the_first_code_scanned_without_a_touch_between(tmp_path):
    from tests.page.lab import browser, lab

    tables = plan_tables()
    tables["testing"] = tables["testing"].drop(columns="hall")
    sealed(tmp_path / "study", FACTORS[:3], **tables)
    wav = crow_sound().write(tmp_path / "crow.wav")
    with lab(tmp_path) as address, browser(wav, []) as page:
        opened(page, address)
        says(page, "Begin the session.")
        page.locator(".rl-page input[name='player_id']").focus()
        page.keyboard.type("P1")
        page.get_by_role("button", name="Begin", exact=True).focus()
        press(page, "Enter")
        says(page, "Session B2-S1 is begun.")
        code = part(page, "next").inner_text().split()[1].rstrip(",")
        page.keyboard.type(code)  # as a scanner does
        press(page, "Enter")
        page.get_by_text(f"In hand: {code}").wait_for()
        assert page.locator(".jp-Notebook .jp-Cell").count() == 1
