"""The pictures of the documents, taken from the finished demo by headless Chromium: `make pictures`."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
DEMO, TARGET = ROOT / "demo-study", ROOT / "docs" / "pictures"
SESSION, INSTANT = "S03-mess", "2026-07-16T08:04"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def main() -> int:
    """Take each picture anew; return 2 without a browser or a finished demo."""
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    page = DEMO / "results" / "report" / f"{SESSION}.html"
    if browser is None:
        return complain(f"no browser; expected one of {', '.join(BROWSERS)}. Install Chromium.")
    if not page.is_file():
        return complain(f"{page}: no finished demo. Run `make demo` first.")
    TARGET.mkdir(exist_ok=True)
    take(browser, page.as_uri(), "session-page.png", (1100, 800))
    view = [str(Path(sys.executable).parent / "nodeday"), "view", SESSION, "--at", INSTANT, "--no-browser"]
    with subprocess.Popen([*view, "--study", str(DEMO)], stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout
            address = next(word for line in server.stdout for word in line.split() if word.startswith("http"))
            take(browser, address, "day-view.png", (1100, 800))
        finally:
            server.terminate()
    return 0


def take(browser: str, address: str, name: str, size: tuple[int, int]) -> None:
    """Write a picture of a page, ``size`` (width, height) in pixels."""
    flags = ["--headless", "--no-sandbox", "--hide-scrollbars", "--virtual-time-budget=8000"]
    window = f"--window-size={size[0]},{size[1]}"
    target = f"--screenshot={TARGET / name}"
    subprocess.run([browser, *flags, window, target, address], check=True, capture_output=True)
    print(f"docs/pictures/{name}: {(TARGET / name).stat().st_size / 1000:.0f} kB")


def complain(sentence: str) -> int:
    """Print a sentence; return the exit code of usage."""
    print(f"pictures: {sentence}", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
