"""PDF through an installed Chromium: the same page, printed with its own print style."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

from broodyear.errors import Refused
from broodyear.workspace import working_folder

#: Names under which Chromium and its kin are installed, tried in this order.
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")

NO_BROWSER = (
    "no Chromium or Chrome was found on this computer to make the PDF with; the page itself is written: "
    "open it and print it from your browser, or install Chromium and run the command again"
)

#: Flags that keep the browser from talking to anyone while it prints.
_QUIET = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--no-pdf-header-footer",
)

#: Printing takes about 2 s; a page of 1 000 tanks on a slow machine gets much longer.
TIMEOUT_SECONDS = 180

# In a PDF a link to a file beside the page would become the full path of a folder on this computer.
_FILE_LINK = re.compile(r' href="(?!#)[^"]*"')

# What differs between two PDFs of the same page: the browser's count of elements, and the moment of printing.
_NODE = re.compile(rb"node[0-9]{8}")
_MOMENT = re.compile(rb"/(CreationDate|ModDate) \(D:[0-9]{14}([^)]*)\)")


def find_browser() -> str:
    """Path of the browser to print with. Raises Refused when there is none."""
    for name in BROWSERS:
        found = shutil.which(name)
        if found:
            return found
    raise Refused(NO_BROWSER)


def print_page(page: Path) -> Path:
    """Print an HTML page to a PDF beside it and return its path. Raises Refused when that cannot be done."""
    browser = find_browser()
    target = page.with_suffix(".pdf").resolve()
    target.unlink(missing_ok=True)
    with working_folder() as profile:
        copy = profile / page.name
        copy.write_text(_FILE_LINK.sub("", page.read_text(encoding="utf-8")), encoding="utf-8")
        answer = _run(browser, copy, target, profile)
        if not target.exists():
            # A browser run by the system's superuser refuses its sandbox; the page is our own and fetches nothing.
            answer = _run(browser, copy, target, profile, "--no-sandbox")
    if not target.exists():
        raise Refused(
            f"{Path(browser).name} made no PDF of {page.name} ({answer}); open the page and print it there"
        )
    target.write_bytes(_repeatable(target.read_bytes()))
    return target


def _repeatable(pdf: bytes) -> bytes:
    """The PDF without what differs between two printings: the moment, and the browser's own count of elements."""
    numbers = {name: rank for rank, name in enumerate(sorted(set(_NODE.findall(pdf))))}
    # Ranks keep the order that the file's index of names relies on, and the width keeps its offsets.
    renamed = _NODE.sub(lambda found: b"node%08d" % numbers[found.group()], pdf)
    return _MOMENT.sub(_fixed_moment, renamed)


def _run(browser: str, page: Path, target: Path, profile: Path, *more: str) -> str:
    words = [
        browser,
        *_QUIET,
        *more,
        f"--user-data-dir={profile}",
        f"--print-to-pdf={target}",
        page.resolve().as_uri(),
    ]
    try:
        done = subprocess.run(words, capture_output=True, timeout=TIMEOUT_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        return f"no answer within {TIMEOUT_SECONDS} s"
    lines = done.stderr.decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else f"exit code {done.returncode}"


def _fixed_moment(found: re.Match[bytes]) -> bytes:
    return b"/" + found.group(1) + b" (D:20000101000000" + found.group(2) + b")"
