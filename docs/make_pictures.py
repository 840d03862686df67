"""Make the pictures of the README from the sample shop: ``python docs/make_pictures.py``.

Conventions: ``slip.png`` is the first page of a report, ``page.png`` the top of its page in the browser as
Chromium shows it. Both come from a run of ``sample_data`` into a temporary folder, so nothing in the checkout changes
but the pictures. It needs the programs ``pdftoppm`` (Debian: poppler-utils) and ``chromium``, and takes ten seconds.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "docs" / "pictures"
INSTRUMENT = "cittern-12"
SLIP_DPI = 78
PAGE_WIDTH_PX = 900
# As high as the slip is beside it: A4, 297 by 210 mm.
PAGE_HEIGHT_PX = round(PAGE_WIDTH_PX * 297 / 210)
LARGEST_BYTES = 200_000


def make_results(folder: Path) -> Path:
    """Run the sample shop, with its results in ``folder``; one of its files needs attention on purpose."""
    command = [sys.executable, "-m", "tapbatch", "run", str(ROOT / "sample_data"), "--results", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if not (folder / INSTRUMENT / "report.pdf").exists():
        sys.exit(f"the run made no report:\n{done.stdout}{done.stderr}")
    return folder


def picture_slip(results: Path, target: Path) -> None:
    """Turn the first page of the report into a picture."""
    report = results / INSTRUMENT / "report.pdf"
    whole = ["-f", "1", "-l", "1", "-r", str(SLIP_DPI), "-singlefile", "-png"]
    subprocess.run([program("pdftoppm"), *whole, str(report), str(target.with_suffix(""))], check=True)


def picture_page(results: Path, target: Path, profile: Path) -> None:
    """Let Chromium show the page, and keep what a screen of that size shows."""
    command = [
        program("chromium"),
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--hide-scrollbars",
        f"--user-data-dir={profile}",
        f"--window-size={PAGE_WIDTH_PX},{PAGE_HEIGHT_PX}",
        f"--screenshot={target}",
        (results / INSTRUMENT / "page.html").as_uri(),
    ]
    subprocess.run(command, check=True, capture_output=True, timeout=120)


def program(name: str) -> str:
    """Return the path of a program, or end with a line that says which package has it."""
    found = shutil.which(name)
    if found is None:
        sys.exit(f"{name} is missing; on Debian: apt install {'poppler-utils' if name == 'pdftoppm' else name}")
    return found


def main() -> None:
    """Make both pictures; end with an error where one is too large for the README."""
    PICTURES.mkdir(exist_ok=True)
    slip, page = PICTURES / "slip.png", PICTURES / "page.png"
    with tempfile.TemporaryDirectory() as scratch:
        results = make_results(Path(scratch) / "results")
        picture_slip(results, slip)
        picture_page(results, page, Path(scratch) / "profile")
    for picture in (slip, page):
        size = picture.stat().st_size
        print(f"{picture.relative_to(ROOT)}: {size / 1000:.0f} kB")
        if size > LARGEST_BYTES:
            sys.exit(f"{picture.name} is over {LARGEST_BYTES // 1000} kB")


if __name__ == "__main__":
    main()
