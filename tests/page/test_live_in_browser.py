"""A page that renews itself keeps the focus where it was, and tells what is new and for now to who hears it."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

from monitor.core.terms.times import MINUTE_MS
from tests.page.browser import QUIET, at_address
from tests.page.rooms import ShownRoom
from tests.peers import need


@pytest.mark.parametrize("selector", ["#all button:not(.unseen)", 'a[href="/clutches/new"]', "main summary"])
def test_a_round_takes_no_focus_and_says_what_is_new(tmp_path: Path, selector: str) -> None:
    program = need("chromium", "chromium")
    shown = ShownRoom.small(tmp_path, days=3)
    with at_address(shown) as address, sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=program, args=list(QUIET), chromium_sandbox=False)
        page = chromium.new_context(service_workers="block").new_page()
        page.goto(address)
        expect(page.locator("#heard")).to_have_text("")
        page.locator(selector).first.focus()
        # As if the room had been well until now; and to see that this is another main than before.
        page.evaluate("() => { document.querySelectorAll('.need.now').forEach((x) => x.remove()) }")
        page.evaluate("() => { document.querySelector('main').dataset.old = 'yes' }")
        shown.clock_ms += MINUTE_MS
        shown.round()
        expect(page.locator("main[data-old]")).to_have_count(0)
        expect(page.locator(selector).first).to_be_focused()
        expect(page.locator("#heard")).to_contain_text("Too warm: left-upper")
        chromium.close()
