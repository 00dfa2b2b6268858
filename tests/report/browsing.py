"""A browser to open pages in, and the small site whose pages are opened."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from optimizer.billing.tariff import shipped_folder

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@contextmanager
def started_browser() -> Iterator[Browser]:
    """Start Debian's chromium, and close it afterwards; the test is skipped on a machine without one."""
    browser_path = shutil.which("chromium")
    if browser_path is None:
        assert not os.environ.get("CI"), "CI has to install chromium"
        pytest.skip("no chromium on this machine: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        browser.close()


def ten_weeks_of_spring(folder: Path) -> Path:
    """Write ten weeks of the first demo into a folder, and return it: planned in a second."""
    source = shipped_folder("scenarios") / "1_two_rates"
    shutil.copy(source / "scenario.yaml", folder)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    spring = [line for line in lines[3:] if "2026-04-01" <= line[:10] < "2026-06-10"]
    (folder / "forecast.csv").write_text("\n".join([*lines[:3], *spring]), encoding="utf-8")
    return folder
