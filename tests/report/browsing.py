"""A real browser for the report: Chromium by playwright, skipped with a reason where there is none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


def find_browser() -> str | None:
    """Path of a Chromium on this machine."""
    named = os.environ.get("WINDSTILL_CHROMIUM")
    if named:
        return named
    return next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@contextmanager
def opened_browser() -> Iterator[Any]:
    """A running browser."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = find_browser()
    if path is None:
        pytest.skip("no Chromium on this machine (set WINDSTILL_CHROMIUM to its path)")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=list(ARGUMENTS))
        try:
            yield browser
        finally:
            browser.close()


class Visit:
    """One page opened from a file, with everything it asked for and complained about."""

    def __init__(self, browser: Any, report: Path, **context: Any) -> None:
        context.setdefault("viewport", {"width": 1280, "height": 800})
        self.context = browser.new_context(**context)
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.on("dialog", lambda d: (self.complaints.append("dialog: " + d.message), d.dismiss()))
        self.page.goto(report.as_uri())

    def shown_sets(self) -> list[str]:
        """Ids of the sets on the page in the order they stand."""
        found: list[str] = self.page.eval_on_selector_all(
            "article.set", "all => all.filter(a => a.offsetParent !== null).map(a => a.id)")  # fmt: skip
        return found

    def close(self) -> None:
        self.context.close()
