"""A headless Chromium, driven over a pair of pipes (Chrome DevTools protocol), for tests of pages."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser")


def find() -> str | None:
    """Return the browser's path, or None where there is none (Debian: ``apt-get install chromium``)."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


class Browser:
    """One page in a headless browser without network."""

    def __init__(self, path: str) -> None:
        to_browser, self._write = os.pipe()
        self._read, from_browser = os.pipe()
        self._profile = tempfile.mkdtemp(prefix="page-test-")
        options = (
            "--headless --no-sandbox --disable-gpu --disable-dev-shm-usage --no-first-run --remote-debugging-pipe "
            f"--hide-scrollbars --user-data-dir={self._profile} --proxy-server=127.0.0.1:9 about:blank"
        )
        line = f"exec {path} {options} 3<&{to_browser} 4>&{from_browser}"
        self._process = subprocess.Popen(
            ["bash", "-c", line], pass_fds=(to_browser, from_browser), stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_browser)
        os.close(from_browser)
        self._buffer, self._number, self._session = b"", 0, None
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.call("Page.enable")
        self.call("Network.enable")
        self.call("Runtime.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a command and return its result; what happens meanwhile is kept in ``events``."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next(60)
            if answer.get("id") == self._number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]
            self.events.append(answer)

    def _next(self, seconds: float) -> dict[str, Any]:
        end = time.monotonic() + seconds
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(end - time.monotonic(), 0))
            assert ready, "the browser does not answer"
            part = os.read(self._read, 1 << 20)
            assert part, "the browser has ended"
            self._buffer += part
        message, _, self._buffer = self._buffer.partition(b"\0")
        return json.loads(message)

    def open(self, path: Path, width: int, height: int = 900, scheme: str = "light", media: str = "") -> None:
        """Show a file in a window of this size, in light or dark, on screen or ("print") on paper."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.call("Emulation.setEmulatedMedia", media=media, features=features)
        self.events.clear()
        self.call("Page.navigate", url=path.resolve().as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next(60))

    def evaluate(self, expression: str) -> Any:
        """Return the value of a JavaScript expression in the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def press(self, key: str, code: int) -> None:
        """Press and release a key."""
        for kind in ("rawKeyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def requests(self) -> list[str]:
        """Return what the page asked for since it was opened, beyond itself and what it holds."""
        asked = [e["params"]["request"]["url"] for e in self.events if e.get("method") == "Network.requestWillBeSent"]
        return [url for url in asked if not url.startswith(("file:", "data:"))]

    def picture(self, path: Path) -> None:
        """Save the whole page as a PNG."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(answer["data"]))

    def pdf(self) -> bytes:
        """Return the page as it prints."""
        return base64.b64decode(self.call("Page.printToPDF", printBackground=False)["data"])

    def close(self) -> None:
        """End the browser."""
        with contextlib.suppress(Exception):
            self._session = None
            self.call("Browser.close")
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(10)
        if self._process.poll() is None:
            self._process.kill()
        for pipe in (self._write, self._read):
            os.close(pipe)
        shutil.rmtree(self._profile, ignore_errors=True)
