"""Takes a picture of every page and every paper, on invented data.

    python -m tests.screenshots DIR [--png] [--only WORD]

Each page as a whole, light on a desktop and dark on a phone; each paper on white. The pages stand at ten
minutes before a show; the record is that of tests/dashboard/browser/book.py with more days. Look at all of
them: nothing in here judges.
"""

from __future__ import annotations

import argparse
import base64
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from selenium.common.exceptions import TimeoutException
from selenium.webdriver.common.by import By

from dashboard.pages.frame import PLACES
from store.site import Site
from tests.dashboard.browser import book
from tests.dashboard.browser.addresses import ALSO, pages
from tests.dashboard.browser.window import DESKTOP, PHONE, Window, driving, serving

HOUSE = Path(__file__).parent.parent
DAYS = (
    *(date(2026, 3, day) for day in (3, 10, 11, 18, 19, 24)),
    *(date(2026, 6, day) for day in (16, 17, 18, 23, 24, 25, 26, 29, 30)),
)
QUALITY = 50  # of WebP: words stay sharp, and all pictures together below 6 MB
TALLEST = 2600  # CSS pixels; what lies below is more of the same tables
PAPER = 900
PAPERS = {  # name: how it is made, FILE being where
    "statement": "statement SITE --month 2026-06 --handoff A --paper FILE",
    "acceptance-sheet": "accept SITE --handoff A --paper FILE",
    "renewal-sheet": "renewal SITE --handoff A --paper FILE",
    "day-sheet": "check SITE --plan P1 --paper FILE",
    "show-report": "show report SITE --plan P1-old --date 2026-06-29 --paper FILE",
    "evidence-pack": "pack SITE --handoff old-wan --from 2026-06-16 --to 2026-06-29 --to-dir DIR",
}
AT_HOME = """
const [made, shown] = arguments, texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (texts.nextNode()) texts.currentNode.data = texts.currentNode.data.replaceAll(made, shown);
"""  # names the folder as a service would have it, and not the passing one of this machine
AT = (  # a command whose present is the record's
    "import sys; from store import clock; clock.Clock.__init__.__kwdefaults__['unix_ns'] = lambda: {now_ns}; "
    "import linebook; sys.exit(linebook.main(sys.argv[1:]))"
)


def main() -> int:
    options = _options()
    options.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        site = book.written(Path(made) / "site", days=DAYS)
        with serving(site, book.clock()) as address, driving(Path(made) / "browser") as driver:
            window = Window(address=address, driver=driver)
            for path in pages():
                if options.only in path and path not in ALSO:
                    _page(window, path, options.folder, png=options.png, made=made)
            for name, paper in _papers(site, Path(made)):
                if options.only in name:
                    _paper(window, name, paper.as_uri(), options.folder, png=options.png)
            if options.only in "upload-receipt":
                _paper(window, "upload-receipt", _receipt(window), options.folder, png=options.png)
    sizes = [one.stat().st_size for one in options.folder.iterdir()]
    print(f"{len(sizes)} pictures in {options.folder}, {sum(sizes) / 1e6:.1f} MB")
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("folder", type=Path, metavar="DIR")
    parser.add_argument("--png", action="store_true", help="PNG instead of WebP, some ten times larger")
    parser.add_argument("--only", default="", metavar="WORD", help="pages and papers with this in their name")
    return parser.parse_args()


def _page(window: Window, path: str, folder: Path, *, png: bool, made: str) -> None:
    name = re.sub(r"[^\w]+", "-", path).strip("-") or PLACES[0].text.lower()
    for kind, width, dark in (("desktop", DESKTOP, False), ("phone", PHONE, True)):
        try:
            window.open(path, width=width, dark=dark)
            while "is being judged" in window.run("return document.body.innerText"):
                window.open(path, width=width, dark=dark)
        except TimeoutException:
            print(f"{path}: not all of its charts were drawn", file=sys.stderr)
        window.run(AT_HOME, f"{made}/site", "/var/lib/linebook")
        _take(window, folder / f"{name}-{kind}", width=width, png=png)


def _receipt(window: Window) -> str:
    """Where the page has the receipt of the one upload on record."""
    window.open("/papers", script=False)
    links = (one.get_attribute("href") or "" for one in window.driver.find_elements(By.TAG_NAME, "a"))
    return next(one for one in links if "/paper/receipt/" in one and "form=html" in one)


def _paper(window: Window, name: str, paper: str, folder: Path, *, png: bool) -> None:
    window.look(width=PAPER, media="print")
    window.driver.get(paper)
    _take(window, folder / f"paper-{name}", width=PAPER, png=png)


def _take(window: Window, file: Path, *, width: int, png: bool) -> None:
    tall = min(window.run("return document.documentElement.scrollHeight"), TALLEST)
    clip = {"x": 0, "y": 0, "width": width, "height": tall, "scale": 1}
    how = {"format": "png"} if png else {"format": "webp", "quality": QUALITY}
    picture = window.cdp("Page.captureScreenshot", **how, captureBeyondViewport=True, clip=clip)
    file.with_suffix(f".{how['format']}").write_bytes(base64.b64decode(picture["data"]))


def _papers(site: Site, folder: Path) -> Iterator[tuple[str, Path]]:
    """Every paper, made by its command; the address of its HTML."""
    for name, command in PAPERS.items():
        file, pack = folder / f"{name}.html", folder / name
        stands_for = {"SITE": str(site.file), "FILE": str(file), "DIR": str(pack)}
        words = [stands_for.get(one, one) for one in command.split()]
        ran = subprocess.run(
            [sys.executable, "-c", AT.format(now_ns=book.NOW_NS), *words],
            cwd=HOUSE,
            capture_output=True,
            text=True,
            check=False,
        )
        found = file if file.exists() else pack / "index.html"
        if not found.exists():
            print(f"no {name}: {ran.stderr.strip() or ran.stdout.strip()}", file=sys.stderr)
            continue
        yield name, found


if __name__ == "__main__":
    sys.exit(main())
