"""Headless Chromium on two pipes, by the DevTools protocol: opens a page, looks into it, hears its complaints.

Conventions: https://chromedevtools.github.io/devtools-protocol/, JSON with a zero byte behind each message, commands
through file descriptor 3 and answers through 4 (``--remote-debugging-pipe``). Its profile is new and empty.
"""

from __future__ import annotations

import fcntl
import json
import os
import select
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

PATIENCE_S = 40.0
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
)

# Puts the two pipes where Chromium looks for them.
_START = (
    "import os, sys; os.dup2(int(sys.argv[1]), 3); os.dup2(int(sys.argv[2]), 4); os.execv(sys.argv[3], sys.argv[3:])"
)


class Chromium:
    """A browser with one page at a time."""

    def __init__(self, binary: str, profile: Path) -> None:
        self._asked, self._ask = _high_pipe()
        self._answers, self._answered = _high_pipe()
        command = [sys.executable, "-c", _START, str(self._asked), str(self._answered), binary]
        self._process = subprocess.Popen(
            [*command, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            pass_fds=(self._asked, self._answered), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(self._asked)
        os.close(self._answered)
        self._number, self._rest = 0, b""
        self._target: str | None = None
        self._session: str | None = None
        self.events: list[dict[str, Any]] = []

    def close(self) -> None:
        self.call("Browser.close", browser=True)
        self._process.wait(PATIENCE_S)
        os.close(self._ask)
        os.close(self._answers)

    # ------------------------------------------------------------ protocol

    def call(self, method: str, *, browser: bool = False, **parameters: object) -> dict[str, Any]:
        """Ask, and return the answer; events that come before it are kept."""
        self._number += 1
        message: dict[str, object] = {"id": self._number, "method": method, "params": parameters}
        if self._session and not browser:
            message["sessionId"] = self._session
        os.write(self._ask, json.dumps(message).encode() + b"\0")
        while True:
            told = self._next()
            if told.get("id") == self._number:
                assert "error" not in told, (method, told)
                return dict(told["result"])
            if told.get("sessionId") == self._session:
                self.events.append(told)

    def _next(self) -> dict[str, Any]:
        end_s = time.monotonic() + PATIENCE_S
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._answers], [], [], max(end_s - time.monotonic(), 0.0))
            assert ready, "Chromium does not answer"
            piece = os.read(self._answers, 1 << 16)
            assert piece, "Chromium is gone"
            self._rest += piece
        message, self._rest = self._rest.split(b"\0", 1)
        return dict(json.loads(message))

    # ---------------------------------------------------------------- pages

    def open(self, url: str, *, width: int = 1200, height: int = 800, dark: bool = False) -> None:
        """Open a page in a fresh tab, and wait until it has loaded."""
        if self._target:
            self.call("Target.closeTarget", browser=True, targetId=self._target)
        target = self.call("Target.createTarget", browser=True, url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", browser=True, targetId=target, flatten=True)["sessionId"]
        self._target, self._session, self.events = target, session, []
        for domain in ("Page", "Runtime", "Log", "Network", "Accessibility"):
            self.call(f"{domain}.enable")
        self.resize(width, height)
        self.light(dark=dark)
        self.call("Page.navigate", url=url)
        self.until("document.readyState === 'complete' && location.href !== 'about:blank'")

    def resize(self, width: int, height: int) -> None:
        """Give the page a window of so many CSS pixels."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )

    def light(self, *, dark: bool) -> None:
        """Let the system be light or dark."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def run(self, code: str) -> Any:
        """Return what an expression in the page gives."""
        told = self.call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def until(self, condition: str) -> None:
        """Wait until an expression in the page is true."""
        end_s = time.monotonic() + PATIENCE_S
        look = f"new Promise(d => {{ let n = 0; const f = () => ({condition}) || ++n > 50 ? d(Boolean({condition}))"
        while not self.run(f"{look} : setTimeout(f, 20); f(); }})"):
            assert time.monotonic() < end_s, f"never: {condition}"

    def press(self, key: str) -> None:
        """Press a key."""
        code = {"Enter": 13, "Escape": 27, "Tab": 9, "ArrowRight": 39}[key]
        text = {"text": "\r"} if key == "Enter" else {}
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code, **text)

    @property
    def complaints(self) -> list[str]:
        """Everything that the page or the browser called an error or a warning."""
        self.run("0")
        found = []
        for event in self.events:
            told = event.get("params", {})
            if event["method"] == "Runtime.exceptionThrown" or event["method"] == "Page.javascriptDialogOpening":
                found.append(json.dumps(told))
            if event["method"] == "Log.entryAdded" and told["entry"]["level"] in ("error", "warning"):
                found.append(json.dumps(told["entry"]))
            if event["method"] == "Runtime.consoleAPICalled" and told["type"] in ("error", "warning", "assert"):
                found.append(json.dumps(told))
        return found

    @property
    def requested(self) -> list[str]:
        """What the page asked for, in order."""
        self.run("0")
        requests = (e["params"]["request"]["url"] for e in self.events if e["method"] == "Network.requestWillBeSent")
        return list(requests)


def _high_pipe() -> tuple[int, int]:
    """Return a pipe whose ends stay clear of the numbers that Chromium takes."""
    low = os.pipe()
    high = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 20) for end in low)
    for end in low:
        os.close(end)
    return high[0], high[1]
