"""A real browser, driven over its debugging pipe with nothing but the standard library.

Chromium reads commands from file descriptor 3 and answers on 4, JSON texts ended by a zero byte
(`--remote-debugging-pipe`); the commands are those of the Chrome DevTools Protocol.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any

#: Without these a browser asks the network for things of its own.
_QUIET = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync", "--disable-quic", "--hide-scrollbars"),
    *("--disable-dev-shm-usage", "--force-color-profile=srgb", "--remote-debugging-pipe"),
)
#: Puts the pipe's ends where the browser looks for them, by way of numbers that are surely free.
_TRAMPOLINE = (
    "import fcntl, os, sys\n"
    "ends = [fcntl.fcntl(int(end), fcntl.F_DUPFD, 50) for end in sys.argv[1:3]]\n"
    "for end, place in zip(ends, (3, 4)):\n"
    "    os.dup2(end, place)\n"
    "    os.close(end)\n"
    "os.execv(sys.argv[3], sys.argv[3:])\n"
)


def found() -> str | None:
    """Return the browser's program, or None where there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


class Browser:
    """One page in a browser of its own; a context manager."""

    def __init__(self, width: int = 1200, height: int = 900) -> None:
        program = found()
        assert program is not None
        self._profile = tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True)
        there, self._out = os.pipe()
        self._in, back = os.pipe()
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-c", _TRAMPOLINE, str(there), str(back)),
                *(program, *_QUIET, f"--user-data-dir={self._profile.name}"),
            ],
            pass_fds=(there, back),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(there)
        os.close(back)
        self._buffer = b""
        self._last = 0
        self._session: str | None = None
        #: Every event the page has sent, in order.
        self.events: list[dict[str, Any]] = []
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")
        self.resize(width, height)

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._in)
        os.close(self._out)
        self._profile.cleanup()

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a command and return its answer."""
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        deadline = time.monotonic() + 60
        while True:
            answer = self._next(deadline)
            if answer.get("id") == self._last:
                assert "error" not in answer, answer
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _next(self, deadline: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            left = deadline - time.monotonic()
            assert left > 0, "the browser doesn't answer"
            if select.select([self._in], [], [], left)[0]:
                data = os.read(self._in, 1 << 20)
                assert data, "the browser has ended"
                self._buffer += data
        text, _, self._buffer = self._buffer.partition(b"\0")
        message: dict[str, Any] = json.loads(text)
        return message

    def resize(self, width: int, height: int, *, phone: bool = False) -> None:
        """Set the size of the page, as on a phone with touch or without."""
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=2 if phone else 1,
            mobile=phone,
        )
        self.send("Emulation.setTouchEmulationEnabled", enabled=phone)

    def open(self, path: Path, fragment: str = "") -> None:
        """Open a file and wait until it is loaded and its script has run."""
        # From elsewhere first: a mere change of the fragment would not load the file again.
        for url in ("about:blank", path.as_uri() + fragment):
            self.send("Page.navigate", url=url)
            self.wait("document.readyState === 'complete'")

    def run(self, script: str) -> Any:
        """Run a script in the page and return its value."""
        answer = self.send("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def wait(self, condition: str) -> None:
        """Wait until a condition holds in the page."""
        deadline = time.monotonic() + 30
        while not self.run(condition):
            assert time.monotonic() < deadline, f"never: {condition}"
            time.sleep(0.05)

    def settle(self) -> None:
        """Wait until the page is drawn again."""
        self.run("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def box(self, selector: str) -> tuple[float, float, float, float]:
        """Return where an element lies: left, top, width, height in CSS pixels of the window."""
        self.run(f"document.querySelector({json.dumps(selector)}).scrollIntoView({{block: 'center'}})")
        self.settle()
        box = self.run(
            f"(() => {{ const b = document.querySelector({json.dumps(selector)}).getBoundingClientRect();"
            "return [b.left, b.top, b.width, b.height]; })()"
        )
        return box[0], box[1], box[2], box[3]

    def click(self, selector: str) -> None:
        """Click in the middle of an element with the mouse."""
        left, top, width, height = self.box(selector)
        self.drag((left + width / 2, top + height / 2))

    def drag(self, *points: tuple[float, float]) -> None:
        """Press the mouse at the first point, move it along the others and let it go at the last."""
        for kind, point in (
            ("mousePressed", points[0]),
            *(("mouseMoved", point) for point in points[1:]),
            ("mouseReleased", points[-1]),
        ):
            buttons = 0 if kind == "mouseReleased" else 1
            self.send(
                "Input.dispatchMouseEvent",
                type=kind,
                x=point[0],
                y=point[1],
                button="left",
                buttons=buttons,
                clickCount=0 if kind == "mouseMoved" else 1,
            )
        self.settle()

    def touch(self, *points: tuple[float, float]) -> None:
        """Put a finger down at the first point, move it along the others and lift it."""
        for kind, where in (
            ("touchStart", [points[0]]),
            *(("touchMove", [point]) for point in points[1:]),
            ("touchEnd", []),
        ):
            self.send("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y} for x, y in where])
        self.settle()

    def press(self, *keys: str) -> None:
        """Press keys one after the other, such as "Tab", "Enter", "ArrowLeft", "Escape"."""
        codes = {"Tab": 9, "Enter": 13, "Escape": 27, "ArrowLeft": 37, "ArrowRight": 39, "Home": 36, "End": 35}
        for key in keys:
            common = {"key": key, "code": key, "windowsVirtualKeyCode": codes[key]}
            text = {"text": "\r"} if key == "Enter" else {}
            self.send("Input.dispatchKeyEvent", type="keyDown" if text else "rawKeyDown", **common, **text)
            self.send("Input.dispatchKeyEvent", type="keyUp", **common)
        self.settle()

    def type(self, text: str) -> None:
        """Type a text into what has the focus."""
        self.send("Input.insertText", text=text)
        self.settle()

    def picture(self, path: Path) -> None:
        """Save what is seen as PNG."""
        path.write_bytes(base64.b64decode(self.send("Page.captureScreenshot", format="png")["data"]))

    def pdf(self) -> bytes:
        """Return the page as it would be printed."""
        return base64.b64decode(self.send("Page.printToPDF", printBackground=True)["data"])

    def spoken(self) -> list[tuple[str, str]]:
        """Return role and name of everything a screen reader can come to."""
        nodes = self.send("Accessibility.getFullAXTree")["nodes"]
        return [
            (node["role"]["value"], node.get("name", {}).get("value", "")) for node in nodes if not node.get("ignored")
        ]

    def asked_for(self) -> list[str]:
        """Return every address that was asked for since the browser was started, but for pictures in the page."""
        self.send("Runtime.evaluate", expression="1")
        asked = (e["params"]["request"]["url"] for e in self.events if e.get("method") == "Network.requestWillBeSent")
        return [url for url in asked if not url.startswith("data:") and url != "about:blank"]

    def complaints(self) -> list[str]:
        """Return errors of scripts and of the content security policy."""
        self.send("Runtime.evaluate", expression="1")
        said = []
        for event in self.events:
            if event.get("method") == "Runtime.exceptionThrown":
                said.append(str(event["params"]["exceptionDetails"]))
            if event.get("method") == "Log.entryAdded" and event["params"]["entry"]["level"] == "error":
                said.append(event["params"]["entry"]["text"])
        return said
