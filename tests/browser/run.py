"""Open pages in a real browser and look: ``python -m tests.browser.run PAGE... [--pictures DIR]``.

On a wide and a narrow screen, light and dark: no console message, no request but for the file
itself, nothing wider than the screen, every picture loaded and told in words, every control within
reach of the keyboard, and the 3-D view drawn and turned by keys. Exit status 1 when one fails.
"""

from __future__ import annotations

import argparse
import base64
import sys
from pathlib import Path
from typing import Any

from tests.browser.chromium import Browser, BrowserError, browser

SCREENS = ((1280, 800, "light"), (390, 844, "dark"))

# What is looked at in the page; gives a list of complaints.
_LOOK = """
(() => {
  const out = [], root = document.documentElement;
  if (root.scrollWidth > window.innerWidth + 1)
    out.push(`the page is ${root.scrollWidth} wide on a screen of ${window.innerWidth}`);
  for (const i of document.images) {
    if (!i.complete || !i.naturalWidth) out.push(`a picture did not load: ${i.alt.slice(0, 60)}`);
    if (!i.alt.trim()) out.push("a picture is told in no words");
  }
  for (const a of document.querySelectorAll('a[href^="#"]'))
    if (!document.getElementById(a.getAttribute("href").slice(1)))
      out.push(`${a.getAttribute("href")} leads nowhere`);
  for (const e of document.querySelectorAll("a, button, select, input, .scroll, canvas.over"))
    if (e.tabIndex < 0) out.push(`${e.tagName} is out of the keyboard's reach`);
  const levels = [...document.querySelectorAll("h1, h2, h3")].map((h) => Number(h.tagName[1]));
  if (levels.filter((n) => n === 1).length !== 1) out.push("there is not one h1");
  const size = parseFloat(getComputedStyle(document.body).fontSize);
  if (size < 14) out.push(`text of ${size} px`);
  return out;
})()
"""
# The view's scene as a number that changes when it is drawn anew.
_SCENE = """
(() => {
  const c = document.querySelector("#view3d canvas.scene"), flat = document.createElement("canvas");
  flat.width = 64; flat.height = 48;
  const pen = flat.getContext("2d", { willReadFrequently: true });
  pen.drawImage(c, 0, 0, 64, 48);
  const drawn = [...pen.getImageData(0, 0, 64, 48).data];
  return drawn.reduce((s, v, k) => (s * 31 + v + k) % 1000003, 7);
})()
"""


# What the driver says when this check reads the drawn scene back.
_OURS = "GPU stall due to ReadPixels"


def main() -> int:
    """Check the pages named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pages", nargs="+", type=Path)
    parser.add_argument("--pictures", type=Path, help="folder for screenshots")
    parser.add_argument("--webgl", action="store_true", help="with WebGL, by software; else none")
    told = parser.parse_args()
    software = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")
    flags = software if told.webgl else ("--disable-3d-apis",)
    failed = 0
    for page in told.pages:
        for width, height, scheme in SCREENS:
            try:
                with browser(*flags) as found:
                    wrong = look(found, page, width, height, scheme, told.pictures)
            except BrowserError as error:
                wrong = [str(error)]
            print(f"{page} at {width} px, {scheme}: {'; '.join(wrong) or 'good'}")
            failed += bool(wrong)
    return 1 if failed else 0


def look(
    found: Browser, page: Path, width: int, height: int, scheme: str, pictures: Path | None
) -> list[str]:
    """Open a page on a screen of this size and return what is wrong with it."""
    target = found.call("Target.createTarget", url="about:blank")["targetId"]
    session = found.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
    for domain in ("Page", "Runtime", "Log", "Network"):
        found.call(f"{domain}.enable", session)
    found.call(
        "Emulation.setDeviceMetricsOverride", session, width=width, height=height,
        deviceScaleFactor=1, mobile=width < 600,
    )  # fmt: skip
    found.call(
        "Emulation.setEmulatedMedia", session,
        features=[{"name": "prefers-color-scheme", "value": scheme}],
    )  # fmt: skip
    address = page.resolve().as_uri()
    found.call("Page.navigate", session, url=address)
    found.wait_for("Page.loadEventFired")
    # Two frames, so that the view is drawn.
    evaluate(
        found, session,
        "new Promise((r) => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))",
    )  # fmt: skip
    wrong = [str(w) for w in evaluate(found, session, _LOOK)]
    wrong += _turned(found, session)
    if pictures is not None:
        pictures.mkdir(parents=True, exist_ok=True)
        shot = found.call(
            "Page.captureScreenshot", session, format="png", captureBeyondViewport=True,
            clip=_whole(found, session, width),
        )  # fmt: skip
        name = f"{page.parent.name}_{page.stem}_{width}_{scheme}.png"
        (pictures / name).write_bytes(base64.b64decode(shot["data"]))
        if scheme == "light":
            paper = found.call("Page.printToPDF", session, preferCSSPageSize=True)
            printed = f"{page.parent.name}_{page.stem}.pdf"
            (pictures / printed).write_bytes(base64.b64decode(paper["data"]))
    return wrong + _said(found.events, address)


def _whole(found: Browser, session: str, width: int) -> dict[str, float]:
    tall = evaluate(found, session, "document.documentElement.scrollHeight")
    return {"x": 0, "y": 0, "width": width, "height": min(float(tall), 16000.0), "scale": 1}


def evaluate(found: Browser, session: str, expression: str) -> Any:
    """Return what an expression gives in the page."""
    answer = found.call(
        "Runtime.evaluate", session, expression=expression, returnByValue=True, awaitPromise=True
    )
    if "exceptionDetails" in answer:
        raise BrowserError(str(answer["exceptionDetails"].get("text")))
    return answer["result"].get("value")


def _turned(found: Browser, session: str) -> list[str]:
    """Turn the 3-D view by a key and see that it changes."""
    if not evaluate(found, session, "!!document.getElementById('view3d')"):
        return []
    if not evaluate(found, session, "document.getElementById('view3d').dataset.drawn || ''"):
        return ["the 3-D view was not drawn"]
    before = evaluate(found, session, _SCENE)
    evaluate(found, session, "document.querySelector('#view3d canvas.over').focus()")
    for kind in ("rawKeyDown", "keyUp"):
        found.call(
            "Input.dispatchKeyEvent", session, type=kind, key="ArrowLeft", code="ArrowLeft",
            windowsVirtualKeyCode=37,
        )  # fmt: skip
    evaluate(
        found, session,
        "new Promise((r) => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))",
    )  # fmt: skip
    if evaluate(found, session, _SCENE) == before:
        return ["the 3-D view does not turn by a key"]
    return []


def _said(events: list[dict[str, Any]], address: str) -> list[str]:
    """Return console messages, errors, and requests for anything but the page and what is in it."""
    out = []
    for event in events:
        given, method = event.get("params", {}), event.get("method")
        if method == "Runtime.consoleAPICalled":
            out.append(f"console: {given.get('type')}")
        elif method == "Runtime.exceptionThrown":
            out.append(f"error: {given['exceptionDetails'].get('text')}")
        elif method == "Log.entryAdded" and _OURS not in given["entry"].get("text", ""):
            out.append(f"log: {given['entry'].get('text')}")
        elif method == "Network.requestWillBeSent":
            url = given["request"]["url"]
            if url != address and not url.startswith(("data:", "blob:")):
                out.append(f"request: {url[:120]}")
    return out


if __name__ == "__main__":
    sys.exit(main())
