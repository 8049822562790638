"""Take the README's pictures from the demo: `python tests/studies/screenshots.py`.

The demo runs on a free port of this machine until the pictures are taken. They lie beside the cards that they show, in
`integration/moteledger/cards/pictures/`: pictures of the product belong to the room that draws it, and the top level of
the project holds nothing but its rooms. Prints each picture's size, the page's weight and its first paint.
"""

import base64
import re
import subprocess
import sys
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

PICTURES = Path(__file__).parents[2] / "integration" / "moteledger" / "cards" / "pictures"
SHOTS = {"page-1280-light": (1280, 1700), "page-360-light": (360, 1500)}
HEAVIEST = 150_000


def tell(line: str) -> None:
    """Print a line."""
    sys.stdout.write(line + "\n")


def main() -> int:
    """Take all pictures; 1 if one is too heavy."""
    command = [sys.executable, "-c", "from moteledger.cli import main; main()", "demo", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:
        try:
            assert demo.stdout is not None
            address = re.search(r"http://\S+/", demo.stdout.readline())
            if address is None:
                tell("the demo has no address; run `moteledger demo` to see why")
                return 1
            return take(address[0])
        finally:
            demo.terminate()


def take(address: str) -> int:
    """Take the pictures of the page at an address."""
    options = webdriver.ChromeOptions()
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(flag)
    browser = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    too_heavy = 0
    try:
        browser.get(address)
        for name, (width, height) in SHOTS.items():
            size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": True}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            browser.get(address)
            shot = browser.execute_cdp_cmd("Page.captureScreenshot", {"format": "webp", "quality": 70})["data"]
            file = PICTURES / f"{name}.webp"
            file.write_bytes(base64.b64decode(shot))
            too_heavy += file.stat().st_size > HEAVIEST
            tell(f"{file.name}: {file.stat().st_size / 1000:.0f} kB (at most {HEAVIEST / 1000:.0f})")
        weight, paint = browser.execute_script(
            """const parts = ["navigation", "resource"].flatMap(kind => performance.getEntriesByType(kind));
            return [parts.reduce((sum, part) => sum + part.decodedBodySize, 0),
                    performance.getEntriesByName("first-contentful-paint")[0].startTime]"""
        )
        tell(f"page with its files: {weight / 1000:.0f} kB; first paint: {paint:.0f} ms")
    finally:
        browser.quit()
    return int(too_heavy > 0)


if __name__ == "__main__":
    sys.exit(main())
