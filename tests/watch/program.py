"""The program that watches a shop and serves phones, as a process of its own."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

_LINK = re.compile(r"http://(\S+)/phone#([\w-]{22})$", re.MULTILINE)


class Watch:
    """The program at work on a shop; ``link`` is what it prints, with ``host`` and ``key`` in it.

    It serves this machine at a free port, unless the arguments say otherwise.
    """

    def __init__(self, shop: Path, *arguments: str) -> None:
        command = [sys.executable, "-m", "tapbatch", "watch", str(shop), "--serve", "--phone"]
        self.shop = shop
        self._process = subprocess.Popen(
            [*command, "--address", "127.0.0.1", "--port", "0", *arguments],
            text=True,
            cwd=Path(__file__).parents[2],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
            start_new_session=True,
        )
        assert self._process.stdout is not None
        self._out = ""
        while not (found := _LINK.search(self._out)):
            line = self._process.stdout.readline()
            assert line, self._process.communicate()
            self._out += line
        # What is read ahead here would be lost at the end.
        self._out += self._process.stdout.readline()
        self.link, self.host, self.key = found[0], found[1], found[2]

    @property
    def origin(self) -> str:
        return f"http://{self.host}"

    def ask(self, method: str, path: str, body: object = None) -> Any:
        """Return the answer to a request with the key; a body of bytes is sent as it is, any other as JSON."""
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        with closing(http.client.HTTPConnection(self.host, timeout=60)) as connection:
            headers = {"Tapbatch-Key": self.key, "Content-Type": "application/json"}
            connection.request(method, path, data, headers)
            return json.loads(connection.getresponse().read())

    def kill(self) -> None:
        """End it with all that it started, without any warning."""
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.communicate(timeout=60)

    def close(self) -> tuple[str, str]:
        """Press Ctrl-C, and return all that was printed, and all that was complained of; it must end well."""
        self._process.send_signal(signal.SIGINT)
        out, err = self._process.communicate(timeout=60)
        assert "Traceback" not in out + err
        assert self._process.returncode == 0
        return self._out + out, err

    @property
    def has_ended(self) -> bool:
        return self._process.poll() is not None
