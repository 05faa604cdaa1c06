"""README's picture: the top of a bike's page, as Chromium shows it.

    make picture

The sample fleet is screened anew into a temporary folder; the page of the bike that is kept in
is photographed from its name down to the first finding's drawing.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from pages.browser import browser, opened

OUT = Path(__file__).with_name("picture.png")
BIKE = "H07"
WIDTH = 940


def main() -> int:
    """Make the picture; its size is printed."""
    with tempfile.TemporaryDirectory() as folder:
        fleet = Path(folder) / "fleet"
        code = "from ridecheck.cli import main; main()"
        subprocess.run(
            [sys.executable, "-c", code, "demo", str(fleet)], check=True, stdout=subprocess.DEVNULL
        )
        page_file = fleet / "reports" / "bikes" / f"{BIKE}.html"
        with browser() as chromium, opened(chromium, page_file, width=WIDTH) as page:
            page.evaluate(
                "document.querySelectorAll('nav, .age, .strip output').forEach(e => e.remove())"
            )
            top = page.locator("header").bounding_box()
            end = page.locator("article.finding").first.bounding_box()
            assert top is not None
            assert end is not None
            tall = end["y"] + end["height"] - top["y"] + 24
            clip = {"x": 0, "y": top["y"] - 16, "width": WIDTH, "height": tall}
            page.screenshot(path=OUT, clip=clip, full_page=True)
    print(f"{OUT.name}: {OUT.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
