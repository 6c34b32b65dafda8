"""Markup in a record stays text: on the bench page, and wherever a notebook shows the record."""

import pytest

import reedlab
from reedlab.demo.sound import crow_sound
from reedlab.measure import crow
from tests.page.hands import opened, part, press, says
from tests.page.lab import CHROMIUM
from tests.page.markup import BOTH, IMAGE, hostile

#: All ways in which a notebook shows a record.
CELL = """
from pathlib import Path
import reedlab
from IPython.display import display

study = reedlab.open_study("study")
for name in study.tables:
    display(study.tables[name])
display(study, study.check(), study.check().table, study.check().cautions)
display(reedlab.measure.crow(Path("<img src=x onerror=window.ran=1>.wav")))
reedlab.bench(study)
"""


def test_tables_and_answers_escape_what_a_record_holds(tmp_path):
    study = hostile(tmp_path)
    path = crow_sound().write(tmp_path / "<img src=x onerror=window.ran=1>.wav")
    answers = [study.check(), crow(path)]
    assert IMAGE in study.tables["reeds"]["reed_id"].tolist()
    assert BOTH in study.check().table["value"].tolist()
    pages = [answer._repr_html_() for answer in answers]
    pages += [table._repr_html_() for table in study.tables.values()]
    for page in pages:
        assert "<img" not in page
        assert "<script" not in page
    assert sum("&lt;img src=x" in page for page in pages) >= 4
    # These are shown as plain text, which no notebook takes for markup.
    assert not hasattr(study, "_repr_html_")
    assert not hasattr(reedlab.bench(study), "_repr_html_")


@pytest.mark.slow
@pytest.mark.skipif(not CHROMIUM.exists(), reason="no /usr/bin/chromium (apt: chromium)")
def test_nothing_of_it_runs_in_a_real_browser(tmp_path):
    from tests.page.lab import browser, lab

    hostile(tmp_path)
    wav = crow_sound().write(tmp_path / "<img src=x onerror=window.ran=1>.wav")
    with lab(tmp_path, CELL) as address, browser(wav, []) as page:
        opened(page, address)
        assert page.locator(".jp-OutputArea-output table").count() >= 5
        code = part(page, "next").inner_text().split()[1].rstrip(",")
        press(page, "k")
        page.keyboard.type(IMAGE)
        press(page, "Enter")
        says(page, "is no blind code")
        page.locator(".rl-code").fill(code)
        press(page, "Enter")
        page.get_by_text(f"In hand: {code}").wait_for()
        page.locator(".rl-page input[type=file]").first.set_input_files(wav)
        part(page, "number").wait_for(timeout=30_000)
        press(page, "a", "4", "n")
        page.keyboard.type(BOTH)
        press(page, "Escape", "v")
        says(page, "is on disk.")
        assert BOTH in page.locator(".rl-page").inner_text()
        page.wait_for_timeout(500)
        assert page.locator("img[src='x']").count() == 0
        assert page.evaluate("window.ran") is None
        # The flag is one that markup would have set.
        page.evaluate("html => document.body.insertAdjacentHTML('beforeend', html)", IMAGE)
        page.wait_for_function("window.ran === 1")
