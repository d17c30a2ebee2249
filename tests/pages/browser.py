"""Drives a real Chromium over its debugging pipe: no driver to install, nothing but the browser itself.

The pages need no script; what is evaluated here only measures what the browser made of them.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any


def chromium() -> str | None:
    """The browser's program, if there is one on this machine."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    return None


class Browser:
    """One browser with one page."""

    def __init__(self, program: str, profile: Path) -> None:
        their_in, self._write = os.pipe()
        self._read, their_out = os.pipe()
        # High numbers, so that neither is 3 or 4 already.
        low, high = fcntl.fcntl(their_in, fcntl.F_DUPFD, 20), fcntl.fcntl(their_out, fcntl.F_DUPFD, 20)

        def hand_over() -> None:
            # The browser reads commands from descriptor 3 and answers on 4, each message ended by a zero byte.
            os.dup2(low, 3)
            os.dup2(high, 4)

        flags = (
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--hide-scrollbars",
            f"--user-data-dir={profile}",
            "--remote-debugging-pipe",
            "about:blank",
        )
        self._process = subprocess.Popen(
            [program, *flags],
            pass_fds=(3, 4),
            preexec_fn=hand_over,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for descriptor in (their_in, their_out, low, high):
            os.close(descriptor)
        self._number = 0
        self._rest = b""
        self._events: list[dict[str, Any]] = []
        targets = self._call("Target.getTargets")["targetInfos"]
        page = next(target for target in targets if target["type"] == "page")
        attached = self._call("Target.attachToTarget", targetId=page["targetId"], flatten=True)
        self._session: str | None = attached["sessionId"]
        self.call("Page.enable")
        self.call("Log.enable")
        self.call("Network.enable")

    _session: str | None = None

    def close(self) -> None:
        """Ends the browser."""
        self._process.terminate()
        self._process.wait(20)
        os.close(self._write)
        os.close(self._read)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the debugging protocol for the page."""
        return self._call(method, **params)

    def _call(self, method: str, **params: Any) -> dict[str, Any]:
        self._number += 1
        number = self._number
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            got = self._message()
            if got.get("id") == number:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']}")
                result: dict[str, Any] = got["result"]
                return result
            self._events.append(got)

    def _message(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            got = os.read(self._read, 1 << 20)
            if not got:
                raise RuntimeError("the browser ended")
            self._rest += got
        one, self._rest = self._rest.split(b"\0", 1)
        found: dict[str, Any] = json.loads(one)
        return found

    def _until(self, method: str) -> None:
        while not any(event.get("method") == method for event in self._events):
            self._events.append(self._message())

    def screen(self, width: int, height: int = 800, *, dark: bool = False, media: str = "screen") -> None:
        """How wide the window is, and what its owner likes."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )
        likes = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.call("Emulation.setEmulatedMedia", media=media, features=likes)

    def cookie(self, name: str, value: str, url: str) -> None:
        """Gives the browser a cookie."""
        self.call("Network.setCookie", name=name, value=value, url=url, httpOnly=True)

    def open(self, url: str) -> None:
        """Opens a page and waits until it has loaded."""
        self._events.clear()
        self.call("Page.navigate", url=url)
        self._until("Page.loadEventFired")

    def follow(self, act: Callable[[], None]) -> None:
        """Does something that leads to another page, and waits until that has loaded."""
        self._events.clear()
        act()
        self._until("Page.loadEventFired")

    def measure(self, expression: str) -> Any:
        """What an expression gives on the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def complaints(self) -> list[str]:
        """What the browser complained of since the page was opened, such as what a policy kept out."""
        self.measure("0")  # whatever was on its way has come by now
        return [event["params"]["entry"]["text"] for event in self._events if event.get("method") == "Log.entryAdded"]

    def press(self, key: str) -> None:
        """Presses a key."""
        codes = {"Tab": 9, "Enter": 13, " ": 32}
        text = {"Enter": "\r", " ": " "}.get(key, "")
        down = {"key": key, "windowsVirtualKeyCode": codes[key], "code": "Space" if key == " " else key}
        self.call("Input.dispatchKeyEvent", type="keyDown", text=text, **down)
        self.call("Input.dispatchKeyEvent", type="keyUp", **down)

    def shot(self, file: Path) -> None:
        """A picture of the whole page."""
        size = self.call("Page.getLayoutMetrics")["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": min(size["height"], 12000), "scale": 1}
        picture = self.call("Page.captureScreenshot", format="png", clip=clip, captureBeyondViewport=True)
        file.write_bytes(base64.b64decode(picture["data"]))
