"""The report's page in a real browser: at a phone's width and a desk's, nothing runs off sideways."""

import re
import shutil
import struct
import subprocess
from pathlib import Path

import pytest
from tests.rooms.report.small_report import page

BROWSER = next((b for b in ("chromium", "chromium-browser", "google-chrome") if shutil.which(b)), None)
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed"),
]
MEASURE = """<script>
addEventListener("load", () => document.fonts.ready.then(() => {
  const d = document.documentElement, wide = [];
  for (const e of document.querySelectorAll("body *"))
    if (!e.closest(".wide, .sheet") && e.getBoundingClientRect().right > innerWidth + 1) wide.push(e.tagName);
  const size = getComputedStyle(document.querySelector("main p")).fontSize;
  const told = parent === window ? d : parent.document.documentElement;
  told.setAttribute("data-measured", [d.scrollWidth, innerWidth, wide.length, size, document.fonts.size].join(" "));
}));
</script>"""
FRAME = '<!doctype html><body style="margin:0"><iframe src="page.html" style="border:0;width:{w}px;height:2000px">'


def browse(folder: Path, *options: str) -> str:
    """Run the browser without a network, in a folder of its own."""
    assert BROWSER is not None
    fixed = (
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--hide-scrollbars",
        "--virtual-time-budget=4000", f"--user-data-dir={folder / 'profile'}", "--host-resolver-rules=MAP * ~NOTFOUND",
    )  # fmt: skip
    done = subprocess.run([BROWSER, *fixed, *options], capture_output=True, text=True, check=False, timeout=120)
    return done.stdout


def measured(folder: Path, width: int) -> list[str]:
    """Lay the page out in a frame of that width, as a headless window has a least width of its own."""
    text = page().replace("</body>", MEASURE + "</body>")
    (folder / "page.html").write_text(text, encoding="utf-8")
    (folder / "frame.html").write_text(FRAME.format(w=width), encoding="utf-8")
    shown = browse(folder, "--allow-file-access-from-files", "--dump-dom", (folder / "frame.html").as_uri())
    found = re.search(r'data-measured="([^"]+)"', shown)
    assert found, shown[:500]
    return found[1].split()


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_runs_off_sideways(width: int, tmp_path: Path) -> None:
    """The page is as wide as its window; only wide tables and drawings scroll, each by itself; text is 18 px."""
    scroll, inner, wide, size, fonts = measured(tmp_path, width)
    assert int(inner) == width
    assert int(scroll) <= width
    assert wide == "0"
    assert float(size.removesuffix("px")) >= 16
    assert int(fonts) >= 2


def test_the_page_is_drawn(tmp_path: Path) -> None:
    """A picture of the wanted size that is not one colour."""
    (tmp_path / "page.html").write_text(page(), encoding="utf-8")
    picture = tmp_path / "page.png"
    browse(tmp_path, f"--screenshot={picture}", "--window-size=1280,1600", (tmp_path / "page.html").as_uri())
    data = picture.read_bytes()
    assert struct.unpack(">II", data[16:24]) == (1280, 1600)
    assert len(data) > 60_000
