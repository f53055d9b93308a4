"""How long a drag takes to its picture, in the designer's viewer and a real browser, with all parts.

Usage: python scripts/bench/drag.py [--model NAME] [--moves N] [--every MS] [--slider]

The pointer drags an anchor (or the line length) in headless Chromium. Each move counts from when the browser
noticed it to when the graphics card had finished the first picture that shows it or a later one.
Times of processes are what they spent at work, all threads together, for each picture.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from taut import MODELS, machine

SOFTWARE = ("--disable-gpu", "--use-angle=swiftshader", "--enable-unsafe-swiftshader")
SETTLED = (
    "() => roof3d.designer.state && !roof3d.designer.checking && !roof3d.previewing"
    " && document.documentElement.dataset.checked == roof3d.designer.state.version"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--model", default="forty-planes")
    parser.add_argument("--moves", type=int, default=150)
    parser.add_argument("--every", type=float, default=16.0, help="milliseconds from move to move")
    parser.add_argument("--slider", action="store_true", help="set the length of all lines instead")
    parser.add_argument("--card", action="store_true", help="draw with the graphics card, if there is one")
    options = parser.parse_args()
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        for ending in ("toml", "glb"):
            shutil.copy(MODELS / f"{options.model}.{ending}", folder)
        server = subprocess.Popen(
            [sys.executable, "-m", "roof3d.cli", "view", str(Path(folder) / f"{options.model}.toml")],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "BROWSER": "true"},
        )
        try:
            assert server.stdout is not None
            found = re.search(r"http://\S+", server.stdout.readline())
            if found is None:
                sys.exit("the viewer did not start")
            _drag(found.group(), server.pid, options)
        finally:
            server.terminate()
            server.wait(20)


def _drag(address: str, server: int, options: argparse.Namespace) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium") or shutil.which("google-chrome"),
            args=["--no-sandbox", "--headless", *(() if options.card else SOFTWARE)],
        )
        page = browser.new_page(viewport={"width": 1400, "height": 900})
        page.goto(address)
        page.wait_for_selector("html[data-ready]", state="attached", timeout=60_000)
        page.wait_for_function(SETTLED, timeout=300_000)
        page.wait_for_timeout(500)
        session = browser.new_browser_cdp_session()
        processes = session.send("SystemInfo.getProcessInfo")["processInfo"]
        watched: dict[str, list[int]] = {}
        for process in processes:
            watched.setdefault(f"browser: {process['type']}", []).append(process["id"])
        watched = {name: pids for name, pids in watched.items() if "." not in name}
        watched["server"] = [server]
        if options.slider:
            box = page.locator("[data-slider=all]").bounding_box()
            assert box is not None
            start = (box["x"] + 0.2 * box["width"], box["y"] + box["height"] / 2)
            step = (0.5 * box["width"] / options.moves, 0.0)
        else:
            start = page.evaluate("roof3d.screen(roof3d.data.anchors[0].points[0])")
            end = page.evaluate("roof3d.screen(roof3d.data.anchors[1].points[0])")
            step = tuple((e - s) / options.moves for s, e in zip(start, end, strict=True))
        page.mouse.move(*start)
        page.mouse.down()
        for k in range(4):  # everything has been drawn once
            page.mouse.move(start[0] + k * step[0], start[1] + k * step[1])
            page.wait_for_timeout(300)
        page.evaluate("() => { roof3d.designer.trips.length = 0; }")
        before = {name: sum(map(_spent, pids)) for name, pids in watched.items()}
        began = time.perf_counter()
        for k in range(4, options.moves):
            page.mouse.move(start[0] + k * step[0], start[1] + k * step[1])
            wait = began + (k - 3) * options.every / 1000 - time.perf_counter()
            if wait > 0:
                time.sleep(wait)
        page.wait_for_timeout(300)
        spent = {name: sum(map(_spent, pids)) - before[name] for name, pids in watched.items()}
        trips = page.evaluate("roof3d.designer.trips")
        drawing = page.evaluate(
            "() => { const gl = document.createElement('canvas').getContext('webgl2');"
            " const known = gl && gl.getExtension('WEBGL_debug_renderer_info');"
            " return known ? gl.getParameter(known.UNMASKED_RENDERER_WEBGL) : 'unknown'; }"
        )
        page.mouse.up()
        browser.close()
    _tell(options, trips, spent, drawing)


def _tell(
    options: argparse.Namespace, trips: list[dict[str, Any]], spent: dict[str, float], drawing: str
) -> None:
    moves = [trip["drawn"] - moved for trip in trips for moved in trip["moves"]]
    parts: dict[str, Iterable[float]] = {
        "from a move to the picture that shows it or a later one": moves,
        "  from the newest move of a picture": [t["drawn"] - t["moves"][-1] for t in trips],
        "  until it is asked (one at a time)": [t["sent"] - t["moves"][-1] for t in trips],
        "  in the server": [t["took"] for t in trips],
        "    of that at work": [t["cpu"] for t in trips],
        "  on the way there and back": [t["heard"] - t["sent"] - t["took"] for t in trips],
        "  page: picture, edges, table": [t["made"] - t["heard"] for t in trips],
        "  until the card is done": [t["drawn"] - t["made"] for t in trips],
    }
    what = "line length of all anchors" if options.slider else "one anchor"
    print(f"{options.model}, {what}: {len(moves)} moves, {len(trips)} pictures; drawn by {drawing}")
    print(f"{'milliseconds':58} median    90 %")
    for name, values in parts.items():
        ranked = sorted(values)
        print(f"{name:58} {statistics.median(ranked):6.0f}  {ranked[int(0.9 * len(ranked))]:6.0f}")
    for name, seconds in spent.items():
        print(f"{'at work for each picture, ' + name:58} {1000 * seconds / len(trips):6.0f}")


def _spent(pid: int) -> float:
    """Seconds that a process has been at work."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    main()
