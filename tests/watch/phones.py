"""A phone in a real browser, before a program that serves it (:mod:`tests.watch.program`).

The phone is headless Chromium driven by Selenium, 360 by 780 pixels, with what a thumb can do.

Conventions: whatever is pressed is found by the words on it, and pressed as a finger would, so that what lies under
something else cannot be. Each phone has a profile of its own, and so a memory of its own. Nothing here sleeps: a
condition in the page is awaited, at most ``PATIENCE_S``.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException, TimeoutException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.wait import WebDriverWait

from tests.shops import RATE_HZ, bytes_below, taps, write_wav
from tests.watch.program import Watch

PATIENCE_S = 60.0
WIDTH, HEIGHT = 360, 780
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--no-proxy-server",
)  # fmt: skip
BIG_S = 220
"""How long a recording is that takes several pieces: 3.6 MB."""

_PRESSED = "self::button or self::label or self::summary or self::a"


def lacking() -> str:
    """Return what this machine lacks for a phone, empty where it lacks nothing."""
    missing = [
        f"{program} (apt install {package})"
        for program, package in (("chromium", "chromium"), ("chromedriver", "chromium-driver"))
        if shutil.which(program) is None
    ]
    return f"there is no {' and no '.join(missing)}" if missing else ""


IN_A_BROWSER = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name == "nt", reason="Ctrl-C cannot be sent to one process alone here"),
    pytest.mark.skipif(bool(lacking()), reason=lacking() or "nothing is lacking"),
]
"""The marks of a module whose tests need a phone."""


class Phone:
    """One phone with one page open."""

    def __init__(self, *, dark: bool = False) -> None:
        options = webdriver.ChromeOptions()
        options.binary_location = shutil.which("chromium") or "chromium"
        for flag in FLAGS:
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        # Named outright, so that nothing looks for a driver elsewhere.
        service = webdriver.ChromeService(shutil.which("chromedriver") or "chromedriver")
        self.driver = webdriver.Chrome(options=options, service=service)
        self._requests: list[str] = []
        self.resize(HEIGHT)
        self.light(dark=dark)

    def close(self) -> None:
        self.driver.quit()

    # ---------------------------------------------------------------- the browser

    def call(self, method: str, **parameters: object) -> dict[str, Any]:
        """Ask the browser itself, by its protocol."""
        return dict(self.driver.execute_cdp_cmd(method, parameters))

    def resize(self, height: int) -> None:
        """Give the page a window of so many CSS pixels."""
        self.call("Emulation.setDeviceMetricsOverride", width=WIDTH, height=height, deviceScaleFactor=1, mobile=True)

    def light(self, *, dark: bool) -> None:
        """Let the system be light or dark."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def network(self, *, offline: bool = False, up_bytes_per_s: float = -1) -> None:
        """Let the network be there or not, and let it send slowly."""
        self.call("Network.enable")
        self.call(
            "Network.emulateNetworkConditions",
            offline=offline, latency=0, downloadThroughput=-1, uploadThroughput=up_bytes_per_s,
        )  # fmt: skip

    def send_half(self, *files: Path) -> None:
        """Send recordings of several pieces, and let the network stand almost still in the middle of the first."""
        self.network(up_bytes_per_s=300_000)  # so slow that the rest cannot arrive while this test waits for its turn
        self.choose(*files)
        self.until("document.querySelector('#sendings progress')?.value > 32")
        self.network(up_bytes_per_s=1000)

    def picture(self, path: Path) -> None:
        """Save what is on the screen."""
        path.write_bytes(self.driver.get_screenshot_as_png())

    # ------------------------------------------------------------------- the page

    def blank(self) -> None:
        """Close the page, and forget what it asked for and complained of."""
        self.driver.get("about:blank")
        _ = self.complaints, self.requested
        self._requests.clear()

    def open(self, link: str) -> None:
        """Open a link, as if its code had been scanned: in a page of its own."""
        self.driver.get("about:blank")
        self.driver.get(link)

    def run(self, code: str) -> Any:
        """Return what an expression in the page gives."""
        return self.driver.execute_script(f"return {code.strip()}")

    def until(self, condition: str) -> None:
        """Wait until an expression in the page is true."""
        try:
            WebDriverWait(self.driver, PATIENCE_S, poll_frequency=0.02).until(lambda _: self.run(condition))
        except TimeoutException as error:
            raise AssertionError(f"never: {condition}\n{self.shown}") from error

    def until_there(self, path: Path) -> None:
        """Wait until a file is there."""
        WebDriverWait(self.driver, PATIENCE_S, poll_frequency=0.05).until(lambda _: path.exists(), f"never: {path}")

    @property
    def shown(self) -> str:
        """Everything that can be read on the page."""
        return str(self.run("document.body.innerText"))

    def text(self, css: str) -> str:
        """Return the words of one place."""
        return str(self.run(f"document.querySelector({json.dumps(css)})?.innerText ?? ''"))

    def until_says(self, css: str, words: str) -> None:
        """Wait until one place says some words."""
        place, sought = json.dumps(css), json.dumps(words)
        self.until(f"(document.querySelector({place})?.innerText ?? '').includes({sought})")

    def press(self, words: str, *, within: str = "//body") -> None:
        """Press what carries these words, or is called by them where those who hear the page are told more."""
        quoted = f'"{words}"'
        own = f"starts-with(normalize-space(.), {quoted}) or @aria-label={quoted}"
        self._press(f"{within}//*[{_PRESSED}][{own}]")

    def _press(self, path: str) -> None:
        def pressed(_: object) -> bool:
            try:
                there = [each for each in self.driver.find_elements(By.XPATH, path) if each.is_displayed()]
                if not there:
                    return False
                there[0].click()
            except StaleElementReferenceException:
                # Drawn anew between the look and the press.
                return False
            return True

        WebDriverWait(self.driver, PATIENCE_S, poll_frequency=0.05).until(pressed, f"nothing to press: {path}")

    def tab(self) -> None:
        """Press the key that goes on to what can be used next."""
        webdriver.ActionChains(self.driver).send_keys(Keys.TAB).perform()

    def field(self, css: str) -> WebElement:
        """Return a field."""
        return self.driver.find_element(By.CSS_SELECTOR, css)

    def choose(self, *files: Path) -> None:
        """Choose recordings for sending, as the phone's own list of files would."""
        self.until("!document.getElementById('files').disabled")
        self.field("#files").send_keys("\n".join(map(str, files)))

    # -------------------------------------------------------- what it says of itself

    @property
    def complaints(self) -> list[str]:
        """Everything that the page or the browser called an error or a warning, since the last look."""
        return [each["message"] for each in self.driver.get_log("browser") if each["level"] != "DEBUG"]

    @property
    def requested(self) -> list[str]:
        """What any page of this phone asked a network for so far, in order."""
        messages = [json.loads(each["message"])["message"] for each in self.driver.get_log("performance")]
        sent = [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]
        self._requests += [url for url in sent if not url.startswith(("data:", "about:", "blob:"))]
        return self._requests

    def named(self) -> list[tuple[str, str]]:
        """Return role and name of all that those who hear the page are told of."""
        nodes = self.call("Accessibility.getFullAXTree")["nodes"]
        return [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in nodes if not n.get("ignored")]


# ------------------------------------------------------- what the tests do with it


def put_on_the_bench(phone: Phone, *choices: str) -> None:
    """Choose by buttons alone what is on the bench."""
    phone.press("Say what is on the bench")
    for choice in choices:
        phone.press(choice, within="//dialog")
    phone.press("Put it on the bench")
    phone.until("!document.querySelector('dialog[open]')")


def recording(folder: Path, name: str, number: int, *, cents: float = 0.0, count: int = 5) -> Path:
    return write_wav(folder / "phone" / name, taps(number, cents=cents, count=count))


def big_recording(folder: Path, name: str) -> Path:
    """Return a recording of which most is the noise of the room, too large for one piece."""
    room = np.random.default_rng(3).normal(0.0, 3e-4, BIG_S * RATE_HZ)
    return write_wav(folder / "phone" / name, np.concatenate([taps(96, count=5), room]))


def no_sound(folder: Path) -> Path:
    """Return an archive that is called a recording."""
    archive = folder / "phone" / "archive.wav"
    archive.parent.mkdir(exist_ok=True)
    archive.write_bytes(b"PK\x03\x04" + bytes(4000))
    return archive


def sounds_below(watch: Watch, folder: str) -> dict[str, bytes]:
    return {name: data for name, data in bytes_below(watch.shop / folder).items() if name.endswith(".wav")}


def below_recordings(watch: Watch) -> list[str]:
    return sorted(sounds_below(watch, "recordings"))
