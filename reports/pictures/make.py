"""Makes the README's pictures from the sample data: one command, `python reports/pictures/make.py`.

Wants `chromium` on the path and the packages of the extra `test`.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
PAGES = {
    "monthly": ("monthly-2025-12.html", 1100, 1500),
    "fleet": ("fleet-Curlew.html", 390, 844),
    "shop": ("shop-Brackmere.html", 1100, 1500),
    "terminal": ("terminal-Osierhythe.html", 1100, 1250),
    "index": ("index.html", 1100, 900),
    "validation": ("validation.html", 1100, 700),
}
CHROMIUM = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


def main() -> None:
    """Run the demo in a scratch folder and take one picture of the top of each kind of page."""
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        repermit = Path(sys.executable).parent / "repermit"
        subprocess.run([repermit, "demo", "--out", scratch], check=True, stdout=subprocess.DEVNULL)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=CHROMIUM)
        for name, (file, width, height) in PAGES.items():
            page = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
            page.goto((Path(scratch) / "pages" / file).as_uri())
            page.wait_for_timeout(1500)
            page.screenshot(path=HERE / f"{name}.png")
            print(HERE / f"{name}.png")
        browser.close()


if __name__ == "__main__":
    main()
