"""How much pages weigh and how long they take to the first view of a part, for 2 and 50 parts, 20
and 300 findings: `python tests/bench_page.py`. The time is the browser's own, from when it began to
open the page (`performance.now`, W3C High Resolution Time), without a graphics card."""

import os
import shutil
import sys
import tempfile
from pathlib import Path

import manifold3d as m3
import numpy as np
from solids import box, tube
from view_samples import report

from wallguard.findings.model import Report
from wallguard.reports.html import html
from wallguard.rules.model import Limit

ARGUMENTS = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader"]
LIMITS = {"bridge": Limit(fail=10), "overhang": Limit(fail=45)}


def comb(walls):
    """A plate with walls of many thicknesses."""
    solid = box([200, 120, 3])
    for at in range(walls):
        size = [12, 0.25 + 0.045 * (at % 37), 4 + at * 7 % 11]
        solid += box(size, (3 + at % 14 * 14, 4 + at // 14 * 5.2, 2))
    return solid


def rounded(at):
    """A hollow body with no plain face: as many triangles as are ever shown."""
    outer = m3.Manifold.sphere(20 + at / 10, 160)
    waves = outer.warp_batch(lambda v: v * (1 + 0.08 * np.sin(v[:, [1, 2, 0]] / 3 + at)))
    return waves - m3.Manifold.sphere(12, 32)


PAGES = {
    "2 parts": lambda: [comb(8), tube(40, 1.4, 30)],
    "1 part, 20 findings": lambda: [comb(26)],
    "1 part, 300 walls": lambda: [comb(300)],
    "50 parts, plain": lambda: [comb(10 + at) for at in range(50)],
    "50 parts, rounded": lambda: [rounded(at) for at in range(50)],
}


def main() -> None:
    from playwright.sync_api import sync_playwright

    folder = Path(tempfile.mkdtemp())
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=os.environ.get("WALLGUARD_BROWSER") or shutil.which("chromium"),
            args=ARGUMENTS,
        )
        print(
            f"{'page':22}{'findings':>9}{'MB':>7}{'in 3D':>7}{'first view, ms':>16}{'high, px':>10}"
        )
        for name, solids in PAGES.items():
            if sys.argv[1:] and not any(word in name for word in sys.argv[1:]):
                continue
            parts = [
                report(solid, "page", path=f"{at:02}.stl", minimum=LIMITS)
                for at, solid in enumerate(solids())
            ]
            text = html(Report(tuple(parts)))
            (folder / "page.html").write_text(text, "utf-8")
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            page.goto((folder / "page.html").as_uri())
            page.wait_for_selector("#stage[data-took]", timeout=60_000)
            took = page.get_attribute("#stage", "data-took")
            high = page.evaluate("document.documentElement.scrollHeight")
            findings = sum(len(part.findings) for part in parts)
            shown = text.count('"packed":') - text.count('"counts":')
            size = len(text.encode()) / 1e6
            print(f"{name:22}{findings:9}{size:7.2f}{shown:7}{took:>16}{high:10}")
            page.close()
        browser.close()
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
