"""What a maker does at the bench page in a browser, and what the page says."""

import time


def opened(page, address: str) -> None:
    """Open the notebook, run its cell, and put the focus on the bench page."""
    from playwright.sync_api import TimeoutError as NotSeenError

    page.goto(address)
    cell = page.locator(".jp-Notebook .jp-CodeCell .cm-content").first
    cell.click(timeout=60_000)
    page.wait_for_function(
        "document.querySelector('.jp-Notebook-ExecutionIndicator')?.dataset.status === 'idle'"
    )
    page.keyboard.press("Control+Enter")
    try:
        page.locator(".rl-page").wait_for(timeout=60_000)
    except NotSeenError:
        # JupyterLab was seen to lose a first key while it was still settling.
        cell.click()
        page.keyboard.press("Control+Enter")
        page.locator(".rl-page").wait_for(timeout=60_000)
    page.locator(".rl-page").focus()


def part(page, name: str):
    return page.locator(f".rl-page [data-part='{name}']")


def says(page, text: str) -> None:
    part(page, "message").filter(has_text=text).wait_for(timeout=30_000)


def press(page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def take_reed(page) -> str:
    code = part(page, "next").inner_text().split()[1].rstrip(",")
    press(page, "Escape", "k")
    page.keyboard.type(code.lower())
    press(page, "Enter")
    page.get_by_text(f"In hand: {code}").wait_for()
    return code


def recorded(page, key: str, seconds: float) -> tuple[float, float]:
    """Record by one key; return the shown pitch in Hz and the seconds until it stood there."""
    press(page, key)
    says(page, "Recording.")
    page.wait_for_timeout(1000 * seconds)
    began = time.perf_counter()
    press(page, key)
    part(page, "number").wait_for(timeout=30_000)
    waited = time.perf_counter() - began
    text = part(page, "number").inner_text()
    assert text.endswith(" Hz"), text
    return float(text.removesuffix(" Hz")), waited
